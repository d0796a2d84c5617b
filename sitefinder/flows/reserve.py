"""The flow that must stay in the stream, at every station and every bin of its duration curve."""

import numpy as np

from sitefinder.flows.duration import BIN_EXCEEDANCE, flow_at


def reserved_flow(curve_m3s, mean_m3s, rules):
    """Reserved flow: the greatest of the rules, and never above the natural flow.

    Parameters
    ----------
    curve_m3s : ndarray, shape (n, K)
        Natural flow of each station at bins of equal probability, from high to low [m³/s].
    mean_m3s : ndarray, shape (n,)
        Mean flow [m³/s].
    rules : list of ReserveRule
        Of kind ``share_of_mean``, ``exceedance_flow`` or ``share_of_flow``; at least one.

    Returns
    -------
    ndarray of float64, shape (n, K)
        [m³/s]; NaN where the flow is. What is usable, ``curve_m3s`` less this, is never negative.

    Raises
    ------
    ValueError
        If there is no rule, or one of an unknown kind.

    Notes
    -----
    The rules are the user's choice and local law decides. A low-flow rule takes the flow of the station's own
    natural curve, so it cannot know of water that others draw.

    Examples
    --------
    >>> from sitefinder.config import ReserveRule
    >>> tenth = ReserveRule(kind="share_of_mean", share=0.1)
    >>> reserved_flow(np.array([[30.0, 9.5, 0.5]]), np.array([13.3]), [tenth]).round(2).tolist()
    [[1.33, 1.33, 0.5]]
    """
    if not rules:
        raise ValueError("reserved flow needs at least one rule; a share of 0 leaves nothing in the stream")
    curve = np.asarray(curve_m3s, dtype=np.float64)
    reserved = np.zeros_like(curve)
    for rule in rules:
        reserved = np.maximum(reserved, _of_rule(rule, curve, np.asarray(mean_m3s, dtype=np.float64)))
    return np.minimum(reserved, curve)


# One rule's flow, in a shape that meets the curve's.
def _of_rule(rule, curve, mean):
    if rule.kind == "share_of_mean":
        return (rule.share * mean)[:, None]
    if rule.kind == "share_of_flow":
        return rule.share * curve
    if rule.kind == "exceedance_flow":
        return flow_at(_exceedance_of_bins(curve.shape[1]), curve, rule.exceedance_percent)[:, None]
    raise ValueError(f"unknown kind of reserve rule {rule.kind!r}")


def _exceedance_of_bins(count):
    return BIN_EXCEEDANCE if count == BIN_EXCEEDANCE.size else (np.arange(count) + 0.5) / count
