"""Errors of flow that catchments share by the ground that they have in common."""

import numpy as np

from sitefinder.compiled import kernel

# Stream of random numbers under the run's seed; 0 to 2 are the region's, each site's own and surveyed heads.
GROUND_STREAM = 3


def nested_normals(downstream, area_km2, stations, draws, seed):
    r"""Standard normal errors of the flow at stations, alike as far as their catchments are the same ground.

    Parameters
    ----------
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    area_km2 : ndarray of float64, shape (n,)
        Catchment of each station [km²].
    stations : ndarray of int64, shape (m,)
        Those whose errors are wanted.
    draws : int
    seed : int

    Returns
    -------
    ndarray of float64, shape (m, draws)
        Mean 0 and variance 1 in each row.

    Raises
    ------
    ValueError
        If lengths differ.

    Notes
    -----
    The error of a flow is taken for the mean, over the catchment, of what the ground of each station adds or
    keeps beyond the equation: independent from place to place, and scaled so that every station has variance 1.
    Of two catchments of which one holds the other the errors then correlate as
    :math:`\sqrt{A_\mathrm{inner} / A_\mathrm{outer}}`, and not at all where they share no ground: errors of
    gauges on one stream are alike, as regional regressions with correlated errors have it (Stedinger and
    Tasker 1985, Water Resour. Res. 21:1421-1432, from memory); the law itself is our own choice. The ground that
    joins at a station is its area less those of the stations right above; where streams part and areas do not
    add up, the shares of those above are scaled to fit.

    Draw k takes its numbers from seed and k alone, one for each station, so that it is the same whichever sites
    or draws are asked for.

    Examples
    --------
    A catchment of 4 km² below one of 1 km²: they correlate by 1/2.

    >>> errors = nested_normals(np.array([1, -1]), np.array([1.0, 4.0]), np.array([0, 1]), 4000, 1)
    >>> round(float(np.corrcoef(errors)[0, 1]), 1)
    0.5
    """
    downstream = np.ascontiguousarray(downstream, dtype=np.int32)
    area_km2 = np.ascontiguousarray(area_km2, dtype=np.float64)
    if downstream.shape != area_km2.shape or downstream.ndim != 1:
        raise ValueError(
            f"downstream and area_km2 must be of one length, found {downstream.shape} and {area_km2.shape}"
        )
    own, handed = _weights(downstream, area_km2)
    result = np.empty((len(stations), draws))
    for draw in range(draws):
        sequence = np.random.SeedSequence(seed, spawn_key=(GROUND_STREAM, draw))
        errors = np.random.Generator(np.random.Philox(sequence)).standard_normal(len(downstream))
        _gather(errors, downstream, own, handed)
        result[:, draw] = errors[stations]
    return result


# Weight of the ground that joins at each station, and with which its error goes into that of the next one down.
@kernel
def _weights(downstream, area):
    above = np.zeros(area.size)
    for i in range(area.size):
        if downstream[i] >= 0 and area[i] > 0.0:
            above[downstream[i]] += area[i]
    own, handed = np.ones(area.size), np.zeros(area.size)
    for i in range(area.size):
        if above[i] > 0.0:
            whole = max(area[i], above[i]) if area[i] > 0.0 else above[i]
            own[i] = np.sqrt((whole - above[i]) / whole)
    for i in range(area.size):
        below = downstream[i]
        if below >= 0 and area[i] > 0.0:
            whole = max(area[below], above[below]) if area[below] > 0.0 else above[below]
            handed[i] = np.sqrt(area[i] / whole)
    return own, handed


# Downstream loop, in place: fresh numbers in, errors of whole catchments out.
@kernel(fills=("errors",))
def _gather(errors, downstream, own, handed):
    from_above = np.zeros(errors.size)
    for i in range(errors.size):
        errors[i] = own[i] * errors[i] + from_above[i]
        if downstream[i] >= 0:
            from_above[downstream[i]] += handed[i] * errors[i]
