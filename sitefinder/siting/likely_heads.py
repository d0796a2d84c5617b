"""Heads of candidate stretches, shrunk towards what the region's profile makes likely for their length."""

from typing import NamedTuple

import numpy as np

from sitefinder.compiled import kernel
from sitefinder.schema import is_scheme_that
from sitefinder.siting.shrinkage import MOST_HEADS, error_law, fit_prior, posterior
from sitefinder.streams.profile_error import head_standard_error

# Lengths at which the region is asked what heads are likely stand in this ratio (own choice).
LENGTH_RATIO = 1.5
# Fewer heads side by side than this say too little of what is likely (own choice).
LEAST_HEADS = 20


class LikelyHeads(NamedTuple):
    """What heads are likely over each of some lengths [m], rising; none where the streams are too short."""

    length_m: np.ndarray
    priors: list


def likely_heads(profile_m, errors_m, downstream, to_downstream_m, segment_m, barred, longest_m):
    """What heads are likely over stretches of each length, from all stretches of the region.

    Parameters
    ----------
    profile_m : ndarray of float64, shape (n,)
        Conditioned long profile [m]; NaN where there is none.
    errors_m : ndarray of float32, shape (n, draws)
        Its simulated errors [m].
    downstream : ndarray of int32, shape (n,)
        Number of the next station downstream, -1 at an outlet.
    to_downstream_m, segment_m : ndarray of float64, shape (n,)
        Distance to the next station, and length of the station's own segment [m].
    barred : ndarray of bool, shape (n,)
        Stations whose segment no candidate may take, such as standing water.
    longest_m : float
        Longest candidate [m].

    Returns
    -------
    LikelyHeads
        Lengths from the usual segment up in a fixed ratio, as far as the streams are long enough for `LEAST_HEADS`
        stretches side by side.

    Notes
    -----
    Every station begins one stretch of each length, whatever its head: a prior that is fitted to candidates alone
    would hold the limits of head for nature. The stretches overlap, and so share errors and truth; that leaves
    the prior where it is, but the number of stretches side by side, and not that of stations, says how well it is
    known.
    """
    lengths_m, priors = [], []
    if (segment_m > 0.0).any():
        length_m = float(np.median(segment_m[segment_m > 0.0]))
        arrays = (downstream, to_downstream_m, np.asarray(barred, dtype=bool))
        while True:
            prior = _prior_of(profile_m, errors_m, arrays, min(length_m, longest_m))
            if prior is None:
                break
            lengths_m.append(min(length_m, longest_m))
            priors.append(prior)
            if length_m >= longest_m:
                break
            length_m *= LENGTH_RATIO
    return LikelyHeads(np.array(lengths_m), priors)


# Prior of heads over one length, None where too little is known of them.
def _prior_of(profile_m, errors_m, arrays, length_m):
    upper, lower, way_m = _windows(*arrays, length_m)
    known = np.isfinite(profile_m[upper] - profile_m[lower])
    upper, lower, way_m = upper[known], lower[known], way_m[known]
    if arrays[1][upper].sum() < LEAST_HEADS * length_m:
        return None
    every = -(-len(upper) // MOST_HEADS)
    upper, lower, way_m = upper[::every], lower[::every], way_m[::every]
    to_length = length_m / way_m
    head_m = (profile_m[upper] - profile_m[lower]) * to_length
    if not (head_m > 0.0).any():
        return None
    head_se_m = head_standard_error(errors_m, upper, lower) * to_length
    off_m = (errors_m[upper] - errors_m[lower]).astype(np.float64) * to_length[:, None]
    return fit_prior(head_m, head_se_m, error_law(head_m, off_m))


# Stretches from each station down to the first one at least so far below, no segment on the way being barred.
@kernel
def _windows(downstream, step_m, barred, length_m):
    upper = np.empty(len(downstream), dtype=np.int64)
    lower = np.empty(len(downstream), dtype=np.int64)
    way = np.empty(len(downstream))
    found = 0
    for station in range(len(downstream)):
        if step_m[station] <= 0.0:
            continue  # at a confluence, the same place as the next
        at, way_m = station, 0.0
        # A hair's breadth less, so that even steps are not missed by rounding.
        while way_m < length_m * (1.0 - 1e-6) and downstream[at] >= 0:
            way_m += step_m[at]
            at = downstream[at]
            if barred[at]:
                break
        if way_m >= length_m * (1.0 - 1e-6) and not barred[at]:
            upper[found], lower[found], way[found] = station, at, way_m
            found += 1
    return upper[:found], lower[:found], way[:found]


def shrunk_by_length(head_m, head_se_m, length_m, likely):
    """Heads over stretches of the stream, shrunk.

    Parameters
    ----------
    head_m, head_se_m, length_m : ndarray of float64, shape (m,)
        Measured heads, their standard errors and the lengths along the stream [m].
    likely : LikelyHeads

    Returns
    -------
    head_m, head_se_m : ndarray of float64, shape (m,)
        Mean and standard deviation of the true heads [m]; as they came where nothing is known of what is likely.

    Notes
    -----
    Each stretch is judged by its own head alone. Of neighbours that begin or end some stations apart and share
    most of their truth, the luckiest is still chosen and keeps that part of its luck: little where the profile was
    smoothed, since neighbours then share their errors too.

    Between two lengths the posterior is a mixture by the logarithm of the length, each with the head in
    proportion to the length. Beyond the last length the last one holds: over more stream, slopes differ less
    between places than it says, so that such heads are shrunk too little and not too much.
    """
    if not len(likely.priors):
        return head_m.copy(), head_se_m.copy()
    place = np.interp(np.log(np.maximum(length_m, 1e-3)), np.log(likely.length_m), np.arange(len(likely.priors)))
    mean_m, square_m2 = np.zeros(len(head_m)), np.zeros(len(head_m))
    for number, (own_m, prior) in enumerate(zip(likely.length_m, likely.priors, strict=True)):
        share = 1.0 - np.abs(place - number)
        rows = np.flatnonzero(share > 0.0)
        scale = own_m / length_m[rows]
        centre_m, sd_m = posterior(head_m[rows] * scale, head_se_m[rows] * scale, prior)
        centre_m, sd_m = centre_m / scale, sd_m / scale
        mean_m[rows] += share[rows] * centre_m
        # About the measured head, so that small variances keep their digits.
        square_m2[rows] += share[rows] * (sd_m**2 + (centre_m - head_m[rows]) ** 2)
    return mean_m, np.sqrt(np.maximum(square_m2 - (mean_m - head_m) ** 2, 0.0))


def shrink_heads(table, likely, barrier_drop_m, barrier_se_m):
    """Candidates with the head that their measured one makes likely.

    Parameters
    ----------
    table : DataFrame, m rows
        Columns ``layout``, ``head_m``, ``head_se_m``, ``length_m``, ``weir_height_m``.
    likely : LikelyHeads
    barrier_drop_m, barrier_se_m : ndarray of float64, shape (k,)
        Drops of all existing barriers and their standard errors [m], NaN where not known.

    Returns
    -------
    DataFrame, m rows
        ``head_m`` and ``head_se_m`` are the mean and the standard deviation of the true head; the measured ones
        are in ``head_unshrunk_m`` and ``head_unshrunk_se_m``.

    Notes
    -----
    Of a new weir only the fall of the stream is shrunk, since the weir is as high as it is built. Barriers are no
    fair sample of the stream: they have a prior of their own, and are left alone where there are fewer than
    `LEAST_HEADS`. A head that was surveyed hardly moves, because its error is small.
    """
    head_m, head_se_m = (table[name].to_numpy(dtype=np.float64) for name in ("head_m", "head_se_m"))
    is_structure, is_new = (is_scheme_that(table["layout"], what) for what in ("uses_structure", "builds_barrier"))
    built_m = np.where(is_new, table["weir_height_m"].to_numpy(dtype=np.float64), 0.0)
    mean_m, sd_m = head_m.copy(), head_se_m.copy()
    known = np.isfinite(head_m) & np.isfinite(head_se_m)
    stream, barrier = known & ~is_structure, known & is_structure
    length_m = table["length_m"].to_numpy(dtype=np.float64)
    fall_m, sd_m[stream] = shrunk_by_length(
        (head_m - built_m)[stream], head_se_m[stream], length_m[stream], likely
    )
    mean_m[stream] = fall_m + built_m[stream]
    drop_m, drop_se_m = np.asarray(barrier_drop_m, dtype=float), np.asarray(barrier_se_m, dtype=float)
    told = np.isfinite(drop_m) & np.isfinite(drop_se_m)
    if told.sum() >= LEAST_HEADS and (drop_m[told] > 0.0).any():
        prior = fit_prior(drop_m[told], drop_se_m[told])
        mean_m[barrier], sd_m[barrier] = posterior(head_m[barrier], head_se_m[barrier], prior)
    return table.assign(head_m=mean_m, head_se_m=sd_m, head_unshrunk_m=head_m, head_unshrunk_se_m=head_se_m)
