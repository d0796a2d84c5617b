"""The ranking of sites: by one figure, by a weighted score worked by hand, and how ranks depend on the weights."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.settings import RankingSettings
from sitefinder.siting.ranking import LESS_IS_BETTER, ranked, values_ranked_by

SITES = pd.DataFrame(
    {
        "site_id": ["d", "b", "a", "c"],
        "net_annual_value": [1.0, 2.0, 2.0, 3.0],
        "energy_mwh": [1.0, 4.0, 3.0, 3.0],
        "lcoe_per_kwh": [0.1, 0.2, 0.2, 0.3],
        "road_distance_m": [100.0, np.nan, 300.0, 500.0],
    }
)


def by_score(normalisation="range", **weights):
    return RankingSettings(rank_by="score", score={"weights": weights, "normalisation": normalisation})


@pytest.mark.parametrize(
    ("rank_by", "order"),
    [
        ("net_value", ["c", "a", "b", "d"]),
        ("energy", ["b", "a", "c", "d"]),
        ("lcoe_per_kwh", ["d", "a", "b", "c"]),
    ],
)
def test_sites_are_ranked_best_first_with_ties_by_id(rank_by, order):
    found = ranked(SITES, RankingSettings(rank_by=rank_by))

    assert found.sites["site_id"].tolist() == order
    assert found.sites["rank"].tolist() == [1, 2, 3, 4]
    assert found.sites.index.tolist() == [0, 1, 2, 3]
    column = {"net_value": "net_annual_value", "energy": "energy_mwh"}.get(rank_by, rank_by)
    assert (found.sites["score"] == found.sites[column]).all()
    assert len(found.criteria) == len(found.sensitivity) == 0


def test_a_score_by_range_is_that_worked_by_hand():
    found = ranked(SITES, by_score(energy_mwh=3.0, lcoe_per_kwh=1.0))

    # Energy 0, 1, 2/3, 2/3 of the range; cost, less being better, 1, 1/2, 1/2, 0.
    expected = {"d": 0.25, "b": 0.75 + 0.125, "a": 0.5 + 0.125, "c": 0.5}
    assert found.sites["site_id"].tolist() == ["b", "a", "c", "d"]
    assert dict(zip(found.sites["site_id"], found.sites["score"], strict=True)) == pytest.approx(expected)


def test_a_score_by_rank_takes_even_steps_and_the_middle_of_ties():
    found = ranked(SITES, by_score("rank", energy_mwh=1.0))

    expected = {"d": 0.0, "b": 1.0, "a": 0.5, "c": 0.5}
    assert dict(zip(found.sites["site_id"], found.sites["score"], strict=True)) == pytest.approx(expected)
    assert found.sites["site_id"].tolist() == ["b", "a", "c", "d"]


@pytest.mark.parametrize("normalisation", ["range", "rank"])
def test_of_two_sites_the_better_gets_all_and_the_other_nothing(normalisation):
    found = ranked(SITES[:2], by_score(normalisation, energy_mwh=1.0)).criteria.set_index("site_id")["normalised"]

    assert found.to_dict() == {"b": 1.0, "d": 0.0}


@pytest.mark.parametrize("normalisation", ["range", "rank"])
def test_a_site_without_a_figure_gets_nothing_for_it(normalisation):
    found = ranked(SITES, by_score(normalisation, road_distance_m=1.0)).criteria.set_index("site_id")

    assert found.loc["b", "normalised"] == 0.0
    assert np.isnan(found.loc["b", "figure"])
    assert found.loc["d", "normalised"] == 1.0


@pytest.mark.parametrize("normalisation", ["range", "rank"])
def test_what_all_have_alike_ranks_nobody_higher(normalisation):
    alike = SITES.assign(energy_mwh=5.0)

    found = ranked(alike, by_score(normalisation, energy_mwh=1.0, net_annual_value=1.0))

    assert (found.criteria.loc[found.criteria["criterion"] == "energy_mwh", "normalised"] == 1.0).all()
    assert found.sites["site_id"].tolist() == ["c", "a", "b", "d"]


def test_the_points_of_the_criteria_add_up_to_the_score():
    found = ranked(SITES, by_score(energy_mwh=2.0, lcoe_per_kwh=1.0, road_distance_m=5.0))

    sums = found.criteria.groupby("site_id")["points"].sum()
    assert sums.loc[found.sites["site_id"]].to_numpy() == pytest.approx(found.sites["score"].to_numpy())
    assert found.criteria.groupby("site_id")["weight"].sum().to_numpy() == pytest.approx(np.ones(4))
    assert (found.criteria["points"] == found.criteria["normalised"] * found.criteria["weight"]).all()
    # By rank, and of one site in the order of the settings.
    assert found.criteria["site_id"].tolist() == np.repeat(found.sites["site_id"], 3).tolist()
    assert found.criteria["criterion"].tolist() == ["energy_mwh", "lcoe_per_kwh", "road_distance_m"] * 4
    for table in (found.criteria, found.sensitivity):
        assert table.index.tolist() == list(range(12))
        assert table["weight"].tolist() == [0.25, 0.125, 0.625] * 4


def test_ranks_under_other_weights_are_those_of_a_ranking_with_these_weights():
    draw = np.random.default_rng(2)
    weights = {"energy_mwh": 2.0, "lcoe_per_kwh": 1.0, "road_distance_m": 0.5}
    sites = pd.DataFrame({name: draw.uniform(1.0, 9.0, 30) for name in weights})
    sites["site_id"] = [f"s{number}" for number in draw.permutation(30)]

    found = ranked(sites, by_score(**weights))

    assert len(found.sensitivity) == 20 * 3
    moved, again = 0, {}
    for criterion in weights:
        for factor in (0.5, 2.0, 0.0):
            changed = {**weights, criterion: weights[criterion] * factor}
            other = ranked(sites, by_score(**{name: weight for name, weight in changed.items() if weight}))
            again[criterion, factor] = other.sites.set_index("site_id")["rank"].to_dict()
    for row in found.sensitivity.itertuples():
        for factor, rank in ((0.5, row.rank_half), (2.0, row.rank_double), (0.0, row.rank_without)):
            assert again[row.criterion, factor][row.site_id] == rank
            moved += rank != row.rank
    assert moved > 20
    assert found.sensitivity["rank"].max() == 20


@pytest.mark.parametrize("ids", [("a", "b"), ("b", "a")])
def test_a_weight_is_taken_out_halved_and_doubled(ids):
    # One site has all of the energy, the other all of the value, which weighs twice as much: with one weight
    # doubled or the other halved both score as much, and the order is that of the ids.
    energy, value = ids
    sites = pd.DataFrame({"site_id": ids, "energy_mwh": [1.0, 0.0], "net_annual_value": [0.0, 1.0]})

    found = ranked(sites, by_score(energy_mwh=1.0, net_annual_value=2.0)).sensitivity

    def first(column, criterion):
        [row] = found[(found[column] == 1) & (found["criterion"] == criterion)].to_dict("records")
        return row["site_id"]

    assert (first("rank_double", "energy_mwh"), first("rank_half", "net_annual_value")) == ("a", "a")
    assert (first("rank_half", "energy_mwh"), first("rank_double", "net_annual_value")) == (value, value)
    assert (first("rank_without", "energy_mwh"), first("rank_without", "net_annual_value")) == (value, energy)


def test_without_its_only_weight_there_is_no_order():
    found = ranked(SITES, by_score(energy_mwh=1.0)).sensitivity

    assert found["rank_without"].isna().all()
    assert (found["rank_half"] == found["rank"]).all()


def test_no_sites_give_empty_tables():
    for normalisation in ("range", "rank"):
        found = ranked(SITES.iloc[:0], by_score(normalisation, energy_mwh=1.0))

        assert len(found.sites) == len(found.criteria) == len(found.sensitivity) == 0


@pytest.mark.parametrize("normalisation", ["range", "rank"])
def test_simulations_without_errors_are_ranked_as_the_sites(normalisation):
    ranking = by_score(normalisation, energy_mwh=2.0, lcoe_per_kwh=1.0, road_distance_m=5.0)
    drawn = {name: np.tile(SITES[name].to_numpy()[:, None], 3) for name in ("energy_mwh", "lcoe_per_kwh")}

    values = values_ranked_by(SITES, drawn, ranking)

    scores = ranked(SITES, ranking).sites.set_index("site_id").loc[SITES["site_id"], "score"]
    assert values == pytest.approx(np.tile(scores.to_numpy()[:, None], 3))


def test_a_simulation_without_energy_counts_as_the_worst():
    drawn = {"lcoe_per_kwh": np.array([[np.inf], [0.2], [0.2], [0.3]])}

    assert values_ranked_by(SITES, drawn, RankingSettings(rank_by="lcoe_per_kwh"))[0, 0] == -np.inf
    assert values_ranked_by(SITES, drawn, by_score(lcoe_per_kwh=1.0))[:, 0] == pytest.approx([0.0, 0.5, 0.5, 0.0])


def test_criteria_of_which_less_is_better_are_criteria():
    weights = dict.fromkeys(LESS_IS_BETTER, 1.0)

    assert set(by_score(**weights).score.weights) == set(LESS_IS_BETTER)


@pytest.mark.parametrize("normalisation", ["range", "rank"])
def test_a_site_alone_is_the_best_where_it_has_a_figure(normalisation):
    alone = SITES.iloc[[1]]

    found = ranked(alone, by_score(normalisation, energy_mwh=1.0, road_distance_m=3.0)).criteria

    # Its road is not known.
    assert found.set_index("criterion")["normalised"].to_dict() == {"energy_mwh": 1.0, "road_distance_m": 0.0}
    assert found.set_index("criterion")["points"].to_dict() == {"energy_mwh": 0.25, "road_distance_m": 0.0}


def test_by_rank_sites_without_a_figure_come_last_and_count_among_the_steps():
    found = ranked(SITES, by_score("rank", road_distance_m=1.0)).criteria.set_index("site_id")["normalised"]

    # 100 m, 300 m, 500 m and nothing, which is below all.
    assert found.to_dict() == pytest.approx({"d": 1.0, "a": 2 / 3, "c": 1 / 3, "b": 0.0})


def test_a_criterion_of_which_no_site_has_a_figure_gives_nothing():
    nothing = SITES.assign(road_distance_m=np.nan)

    for normalisation in ("range", "rank"):
        found = ranked(nothing, by_score(normalisation, road_distance_m=1.0)).criteria
        assert found["normalised"].tolist() == [0.0] * 4
    # Nor do simulations of it: there is no worst and no best that they could lie between.
    drawn = {"energy_mwh": np.array([[0.5], [-0.5], [3.0], [np.nan]])}
    without = SITES.assign(energy_mwh=np.nan)
    assert values_ranked_by(without, drawn, by_score(energy_mwh=1.0)).tolist() == [[0.0]] * 4


@pytest.mark.parametrize(("rank_by", "sign"), [("net_value", 1.0), ("energy", 1.0), ("lcoe_per_kwh", -1.0)])
def test_simulations_are_compared_so_that_greater_is_better(rank_by, sign):
    column = {"net_value": "net_annual_value", "energy": "energy_mwh"}.get(rank_by, rank_by)
    drawn = {column: np.array([[1.0, 2.0], [3.0, 0.5]])}

    values = values_ranked_by(SITES[:2], drawn, RankingSettings(rank_by=rank_by))

    assert values.tolist() == (sign * drawn[column]).tolist()


def test_a_simulation_beyond_the_worst_and_the_best_site_counts_as_these():
    drawn = {"energy_mwh": np.array([[0.5, 1.0], [9.0, 2.5], [4.0, 1.75], [3.0, 3.0]])}

    values = values_ranked_by(SITES, drawn, by_score(energy_mwh=1.0))

    # From 1 to 4 MWh.
    assert values == pytest.approx(np.array([[0.0, 0.0], [1.0, 0.5], [1.0, 0.25], [2 / 3, 2 / 3]]))
