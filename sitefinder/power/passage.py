"""What each layout leaves in the stream: the reserve, the water of its fish pass, and what goes over its crest."""

import numpy as np

from sitefinder.schema import is_scheme_that


def has_fish_pass(stretches, costs):
    """Layouts that have a fish pass, as it stands or as the costs price it.

    Parameters
    ----------
    stretches : DataFrame, n rows
        ``layout`` and ``has_fish_pass``.
    costs : CostFile

    Returns
    -------
    ndarray of bool, shape (n,)
        A new weir always; a barrier where the cost file asks for a pass; any layout whose structure has one.
    """
    new, existing = (is_scheme_that(stretches["layout"], what) for what in ("builds_barrier", "uses_structure"))
    needed = new | (existing & costs.fish_pass.at_existing_barriers)
    return needed | stretches["has_fish_pass"].to_numpy(bool)


def is_undiverted(stretches):
    """Layouts that leave no stretch of stream between intake and tailrace without its water.

    Parameters
    ----------
    stretches : DataFrame, n rows
        ``layout``.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    return ~is_scheme_that(stretches["layout"], "diverts")


def left_in_stream(curve_m3s, reserved_m3s, mean_m3s, undiverted, with_pass, passage, closed=None, used_m3s=None):
    """What layouts must leave in the stream.

    Parameters
    ----------
    curve_m3s, reserved_m3s : ndarray of float64, shape (n, bins)
        Flow, and what the rules reserve of it [m³/s].
    mean_m3s : ndarray of float64, shape (n,)
        Mean flow [m³/s].
    undiverted, with_pass : bool, or ndarray of bool of shape (n, 1)
        Whether a layout has no diverted length; whether it has a fish pass.
    passage : sitefinder.config.PassageSettings
    closed : ndarray of bool, shape (bins,) or (n, bins), optional
        Bins of closed months, in which all flow stays whatever the layout.
    used_m3s : ndarray of float64, shape (n, bins), optional
        What the machines take [m³/s], for the attraction flow; without it, all that they may.

    Returns
    -------
    ndarray of float64, shape (n, bins)
        [m³/s], never above the flow.

    Notes
    -----
    First the crest: without diverted length ``crest_share`` of the reserve, and ``crest_least_m3s`` at least. Then
    the fish pass: its water is part of that (which is then no less than the pass takes), or comes on top. Fish
    find the pass by its current: what comes out of it is no less than ``attraction_share`` of what the machines
    take. With a share a, machines that may take the flow q of what Q there is leave at least a q, so that q is at
    most Q / (1 + a).
    """
    left = np.where(
        undiverted, np.maximum(passage.crest_share * reserved_m3s, passage.crest_least_m3s), reserved_m3s
    )
    water = np.maximum(passage.fish_pass_m3s, passage.fish_pass_share_of_mean * np.asarray(mean_m3s))[:, None]
    most_used = np.maximum(curve_m3s if passage.fish_pass_in_reserve else curve_m3s - left, 0.0)
    used = most_used / (1.0 + passage.attraction_share) if used_m3s is None else used_m3s
    water = np.maximum(water, passage.attraction_share * used)
    passed = np.maximum(left, water) if passage.fish_pass_in_reserve else left + water
    left = np.minimum(np.where(with_pass, passed, left), curve_m3s)
    return left if closed is None else np.where(closed, curve_m3s, left)


def is_shut_down(curve_m3s, energy):
    """Bins in which floods stop the machines.

    Parameters
    ----------
    curve_m3s : ndarray of float64, shape (stations, bins)
        Natural flow in bins of equal time, in any order [m³/s].
    energy : sitefinder.config.EnergySettings

    Returns
    -------
    ndarray of bool, shape (stations, bins), or None
        True where the flow is above ``shut_down_times_mean`` times the station's mean flow, or above the flow that
        is exceeded ``shut_down_exceedance_percent`` of the time; None where the settings ask for neither.
    """
    limits = []
    if energy.shut_down_times_mean is not None:
        limits.append(energy.shut_down_times_mean * curve_m3s.mean(axis=1))
    if energy.shut_down_exceedance_percent is not None:
        # Between bin midpoints, which are Hazen's positions.
        share = 1.0 - energy.shut_down_exceedance_percent / 100.0
        limits.append(np.quantile(curve_m3s, share, axis=1, method="hazen"))
    return curve_m3s > np.min(limits, axis=0)[:, None] if limits else None


def standing_still(curve_m3s, energy, closed=None):
    """Bins in which no machine runs: closed ones, and those of floods that stop them.

    Parameters
    ----------
    curve_m3s, energy
        As `is_shut_down`.
    closed : ndarray of bool, shape (bins,), optional

    Returns
    -------
    ndarray of bool, shape (bins,) or (stations, bins), or None
    """
    shut = is_shut_down(curve_m3s, energy)
    if shut is None or closed is None:
        return closed if shut is None else shut
    return shut | closed


def by_what_is_left(stretches, curve_m3s, reserved_m3s, costs, passage, closed=None):
    """Stretches in groups that leave the same, with what each station's flow then leaves.

    Parameters
    ----------
    stretches : DataFrame, n rows
        ``layout`` and ``has_fish_pass``.
    curve_m3s, reserved_m3s : ndarray of float64, shape (stations, bins)
    costs : CostFile
    passage : sitefinder.config.PassageSettings
    closed : ndarray of bool, shape (bins,) or (stations, bins), optional
        Bins in which no machine runs: all flow stays.

    Yields
    ------
    rows : ndarray of int
        Places of the group's stretches.
    left_m3s : ndarray of float64, shape (stations, bins)
        The reserve as given where the settings make no difference between layouts.
    """
    if passage.changes_nothing:
        yield (
            np.arange(len(stretches)),
            reserved_m3s if closed is None else np.where(closed, curve_m3s, reserved_m3s),
        )
        return
    undiverted, with_pass = is_undiverted(stretches), has_fish_pass(stretches, costs)
    mean = curve_m3s.mean(axis=1)
    kinds = 2 * undiverted + with_pass
    # One table at a time, so that the flows of all stations are held but once more.
    for kind in np.unique(kinds).tolist() if len(kinds) else [0]:
        left = left_in_stream(curve_m3s, reserved_m3s, mean, kind >= 2, kind % 2 == 1, passage, closed)
        yield np.flatnonzero(kinds == kind), left
