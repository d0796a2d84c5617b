"""Field-measured drops applied to the long profile, and to each of its simulated surveys."""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel

# The fall between a measured place and its station is taken from the slope around it, whose error is this share of
# that fall (own choice).
SLOPE_ERROR = 0.5
# Stream of random numbers of the measurements' errors; others are those of the energy draws and of surveyed weirs.
FIELD_STREAM = 3


class MeasuredDrops(NamedTuple):
    """Drops between stations, one row a measurement: ``upper`` and ``lower`` stations, the drop and its error [m].

    The rows are in the order in which they are applied to the profile.
    """

    upper: np.ndarray
    lower: np.ndarray
    drop_m: np.ndarray
    error_m: np.ndarray


def is_below(upper, lower, downstream):
    """Whether a station is downstream of another.

    Parameters
    ----------
    upper, lower : int
    downstream : ndarray of int32, shape (n,)

    Returns
    -------
    bool
    """
    station = upper
    while 0 <= station < lower:
        station = int(downstream[station])
    return station == lower and upper != lower


def between_stations(drop_m, error_m, fall_above_m, fall_below_m):
    """A drop between places as one between the stations around them.

    Parameters
    ----------
    drop_m, error_m : ndarray of float64, shape (k,)
        Measured drop and its standard error [m].
    fall_above_m, fall_below_m : ndarray of float64, shape (k,)
        What the stream falls from the upper station to the upper place, and from the lower place to the lower
        station [m].

    Returns
    -------
    drop_m, error_m : ndarray of float64, shape (k,)

    Examples
    --------
    >>> drop_m, error_m = between_stations(np.array([2.0]), np.array([0.03]), np.array([0.05]), np.array([0.03]))
    >>> round(float(drop_m[0]), 3), round(float(error_m[0]), 3)
    (2.08, 0.05)
    """
    extra_m = fall_above_m + fall_below_m
    return drop_m + extra_m, np.hypot(error_m, SLOPE_ERROR * extra_m)


def apply_measured_drops(profile_m, errors_m, downstream, to_downstream_m, drops, seed):
    """Profile and simulated errors that meet the measured drops.

    Parameters
    ----------
    profile_m : ndarray of float64, shape (n,)
        Fitted profile [m].
    errors_m : ndarray of float32, shape (n, simulations)
        Its simulated errors [m].
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet; always greater than the station's own.
    to_downstream_m : ndarray of float64, shape (n,)
        Distance to the next station [m].
    drops : MeasuredDrops
        Each with its lower station downstream of its upper one.
    seed : int

    Returns
    -------
    profile_m : ndarray of float64, shape (n,)
    errors_m : ndarray of float32, shape (n, simulations)

    Notes
    -----
    Between the two stations every fall is stretched in one proportion, so that steps stay where they are; where
    the profile is level, the drop is spread by distance. All that lies upstream, and every tributary with the
    place where it joins, is shifted as one, so that no other head changes. Measurements are applied one after
    the other; where two overlap and contradict each other, the later one applies. Each simulated survey is treated
    likewise, with a measurement of its own error: the head between the two stations then has the survey's standard
    error and no longer the DEM's.
    """
    simulations = errors_m.shape[1]
    profile_m = np.asarray(profile_m, dtype=np.float64)
    surveys_m = profile_m[:, None] + errors_m
    measured_m = profile_m.copy()
    for row, (upper, lower, drop_m, error_m) in enumerate(zip(*drops, strict=True)):
        _meet(measured_m, downstream, to_downstream_m, upper, lower, drop_m)
        stream = np.random.SeedSequence(seed, spawn_key=(FIELD_STREAM, row))
        normal = np.random.Generator(np.random.Philox(stream)).standard_normal(simulations)
        # Scaled to the very error, which a few dozen draws would miss by a tenth.
        normal = (normal - normal.mean()) / normal.std()
        for draw in range(simulations):
            drawn_m = max(drop_m + error_m * normal[draw], 0.0)
            survey_m = np.ascontiguousarray(surveys_m[:, draw])
            _meet(survey_m, downstream, to_downstream_m, upper, lower, drawn_m)
            surveys_m[:, draw] = survey_m
    return measured_m, (surveys_m - measured_m[:, None]).astype(np.float32)


# Change a profile in place so that it falls by `drop_m` from one station to another.
@kernel(fills=("profile_m",))
def _meet(profile_m, downstream, to_downstream_m, upper, lower, drop_m):
    foot_m, fall_m, way_m = profile_m[lower], profile_m[upper] - profile_m[lower], 0.0
    on_path = np.zeros(lower, dtype=np.bool_)
    station = upper
    while station != lower:
        on_path[station] = True
        way_m += to_downstream_m[station]
        station = downstream[station]
    shift_m = np.zeros(lower)
    left_m = 0.0
    for station in range(lower - 1, -1, -1):  # upstream: each takes the shift of what it flows into
        below = downstream[station]
        if on_path[station]:
            left_m += to_downstream_m[station]
            if fall_m > 0.0:
                share = (profile_m[station] - foot_m) / fall_m
            else:
                share = left_m / way_m if way_m > 0.0 else 0.0
            shift_m[station] = foot_m + share * drop_m - profile_m[station]
        elif 0 <= below < lower:
            shift_m[station] = shift_m[below]
    profile_m[:lower] += shift_m
