"""Ranking of the chosen sites: by one figure, or by a weighted score whose criteria are all shown."""

from typing import NamedTuple

import numpy as np
import pandas as pd

# Column that each plain ranking sorts by, and whether the smallest comes first.
RANKED_BY = {
    "net_value": ("net_annual_value", False),
    "energy": ("energy_mwh", False),
    "lcoe_per_kwh": ("lcoe_per_kwh", True),
}
BY_SCORE = "score"
# Criteria of which less is better; of all others more is.
LESS_IS_BETTER = (
    "lcoe_per_kwh",
    "capital_cost",
    "length_m",
    "road_distance_m",
    "line_distance_m",
    "settlement_distance_m",
)
# Number of the best sites for which the sensitivity of their rank to the weights is given.
FIRST_SITES = 20
# Factors on each weight in the sensitivity.
WEIGHT_FACTORS = {"rank_without": 0.0, "rank_half": 0.5, "rank_double": 2.0}


class Ranked(NamedTuple):
    """Sites in order, with ``rank`` and ``score``; the criteria of the score; and the sensitivity to weights.

    ``criteria`` has a row a site and criterion: ``site_id``, ``criterion``, ``figure``, ``normalised`` (0 to 1),
    ``weight`` (all of a site add up to 1) and ``points``, their product, which add up to the score.
    ``sensitivity`` has a row for each of the first sites and criterion: ``site_id``, ``rank``, ``criterion``,
    ``weight`` and the rank with that weight taken out, halved and doubled. Both are empty without a score.
    """

    sites: pd.DataFrame
    criteria: pd.DataFrame
    sensitivity: pd.DataFrame


def ranked(sites, ranking):
    """Sites in the order of the ranking.

    Parameters
    ----------
    sites : DataFrame
        Columns ``site_id`` and those that the ranking looks at.
    ranking : sitefinder.settings.RankingSettings
        Reads ``rank_by`` and ``score``.

    Returns
    -------
    Ranked
        Best first; ties in the order of the ids.

    Notes
    -----
    A score is the weighted mean of criteria that are each brought to 0 (worst) to 1 (best) among the chosen sites:
    by range, in proportion between the worst and the best; by rank, in even steps of the order. A criterion in
    which all are equal gives 1 to all, and a site without a figure gets 0.
    """
    if ranking.rank_by != BY_SCORE:
        column, rising = RANKED_BY[ranking.rank_by]
        ordered = _ordered(sites.assign(score=sites[column]), rising)
        return Ranked(ordered, _no_criteria(), _no_sensitivity())
    weights = ranking.score.weights
    normalised = {name: _normalised_column(sites, name, ranking.score.normalisation) for name in weights}
    ordered = _ordered(sites.assign(score=_weighted(normalised, weights)), rising=False)
    return Ranked(
        ordered,
        _criteria(ordered, sites, normalised, weights),
        _sensitivity(ordered, sites, normalised, weights),
    )


def values_ranked_by(sites, drawn, ranking):
    """What the ranking sorts by in each draw, greater being better.

    Parameters
    ----------
    sites : DataFrame, n rows
        As for `ranked`.
    drawn : dict of str to ndarray of float64, shape (n, simulations)
        Columns that differ from draw to draw; all others are as in `sites`.
    ranking : sitefinder.settings.RankingSettings

    Returns
    -------
    ndarray of float64, shape (n, simulations)

    Notes
    -----
    By range, a criterion's worst and best stay those of the sites' own figures, so that one extreme simulation of
    a site does not press all others together; a draw beyond them counts as the worst or the best.
    """
    if ranking.rank_by != BY_SCORE:
        column, rising = RANKED_BY[ranking.rank_by]
        return -drawn[column] if rising else drawn[column]
    kind = ranking.score.normalisation
    parts = {}
    for name in ranking.score.weights:
        own = sites[name].to_numpy(dtype=np.float64)
        parts[name] = _normalised(drawn.get(name, own[:, None]), own, name, kind)
    return _weighted(parts, ranking.score.weights)


def _ordered(sites, rising):
    ordered = sites.sort_values(["score", "site_id"], ascending=[rising, True], kind="stable", ignore_index=True)
    return ordered.assign(rank=range(1, len(ordered) + 1))


def _normalised_column(sites, name, kind):
    own = sites[name].to_numpy(dtype=np.float64)
    return _normalised(own[:, None], own, name, kind)[:, 0]


# Ranks from 1, equal values at the mean of their ranks, as `scipy.stats.rankdata` gives them; loading that package
# takes longer than to rank all sites.
def _mean_ranks(values):
    _, place, count = np.unique(values, return_inverse=True, return_counts=True)
    return (count.cumsum() - (count - 1) / 2)[place]


# Values of shape (n, k) as 0 to 1, the columns each for itself; `own` are the figures that set the range.
def _normalised(values, own, name, kind):
    better, own = (-values, -own) if name in LESS_IS_BETTER else (values, own)
    missing = np.isnan(better)
    if kind == "rank":
        # Those without a figure come last.
        place = np.apply_along_axis(_mean_ranks, 0, np.where(missing, -np.inf, better))
        alike = (better == better[:1]).all(axis=0)
        result = np.where(alike, 1.0, (place - 1.0) / max(len(better) - 1, 1))
    else:
        known = own[np.isfinite(own)]
        # Where no site has a figure, no simulation is as good as the best.
        worst, best = (known.min(), known.max()) if len(known) else (np.inf, np.inf)
        if best > worst:
            result = np.clip((better - worst) / (best - worst), 0.0, 1.0)
        else:
            result = (better >= best).astype(float)
    return np.where(missing, 0.0, result)


# Weighted mean of parts.
def _weighted(parts, weights):
    total = sum(weights.values())
    return sum(parts[name] * (weight / total) for name, weight in weights.items())


def _criteria(ordered, sites, normalised, weights):
    place = _places(ordered, sites)
    total = sum(weights.values())
    rows = [
        pd.DataFrame(
            {
                "site_id": ordered["site_id"],
                "criterion": name,
                "figure": ordered[name].astype(float),
                "normalised": normalised[name][place],
                "weight": weight / total,
                "points": normalised[name][place] * weight / total,
                "rank": ordered["rank"],
            }
        )
        for name, weight in weights.items()
    ]
    table = pd.concat(rows).sort_values("rank", kind="stable", ignore_index=True)
    return table[list(_no_criteria())]


def _sensitivity(ordered, sites, normalised, weights):
    place, count = _places(ordered, sites), min(len(ordered), FIRST_SITES)
    parts = {name: part[place] for name, part in normalised.items()}
    by_id = np.argsort(np.argsort(ordered["site_id"].to_numpy(dtype=str), kind="stable"))
    total = sum(weights.values())
    rows = []
    for name, weight in weights.items():
        columns = {"site_id": ordered["site_id"], "rank": ordered["rank"], "criterion": name}
        columns["weight"] = weight / total
        for column, factor in WEIGHT_FACTORS.items():
            changed = {**weights, name: weight * factor}
            ranks = np.full(len(ordered), np.nan)
            # Without any weight there is no order.
            if any(changed.values()):
                ranks[np.lexsort([by_id, -_weighted(parts, changed)])] = np.arange(1, len(ordered) + 1)
            columns[column] = pd.array(ranks, dtype="Int64")
        rows.append(pd.DataFrame(columns).head(count))
    return pd.concat(rows).sort_values("rank", kind="stable", ignore_index=True)


# Row of `sites` of each ordered one.
def _places(ordered, sites):
    return pd.Index(sites["site_id"]).get_indexer(ordered["site_id"])


def _no_criteria():
    return pd.DataFrame(columns=["site_id", "criterion", "figure", "normalised", "weight", "points"])


def _no_sensitivity():
    return pd.DataFrame(columns=["site_id", "rank", "criterion", "weight", *WEIGHT_FACTORS])
