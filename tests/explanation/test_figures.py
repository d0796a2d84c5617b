"""What an explanation of the sample region says equals the delivered layers and a recomputation."""

import json
import math
from collections import Counter
from functools import cache

import geopandas
import pytest
import shapely

from sitefinder.explanation.explaining import explained
from sitefinder.report.explanation import explanation_text


@pytest.fixture(scope="module")
def tables(sample_run):
    return sample_run.delivered.tables


@pytest.fixture(scope="module")
def of(sample_run):
    """A function that explains something of the sample region."""
    settings, inputs = (sample_run.results[name] for name in ("settings", "inputs"))
    return cache(lambda what: explained(settings, inputs, sample_run.results, what))


# Reaches of each reason, the first two of the layer.
@pytest.fixture(scope="module")
def refused(tables):
    reaches = tables["reaches"]
    return {reason: own["reach_id"].tolist()[:2] for reason, own in reaches.groupby("rejection_reason") if reason}


def test_each_reason_of_the_region_is_explained(of, tables, refused):
    assert len(refused) >= 6
    for reason, ids in refused.items():
        for each in ids:
            found = of(each)
            text = explanation_text(found)
            assert found["verdict"]["rejection_reason"] == reason
            assert f"No site: {reason}." in text
            # Something says what would lift it, or why no figure does.
            assert found["changes"] or found["note"]
            assert json.loads(json.dumps(found)) == found


def test_structures_are_explained_by_their_own_reason(of, tables):
    structures = tables["structures"]
    for reason, own in structures.groupby("rejection_reason"):
        found = of(f"structure:{own['structure_id'].iloc[0]}")
        assert found["verdict"]["rejection_reason"] == reason
        assert explanation_text(found)


def test_a_blocked_reach_names_the_site_that_blocks_it(of, refused, tables):
    found = of(refused["blocked by a better site"][0])

    assert found["blocked_by"] in set(tables["sites"]["site_id"])
    assert f"Blocked by {found['blocked_by']}." in explanation_text(found)


def test_a_reach_has_the_figures_of_its_row_and_of_its_equation(of, tables):
    row = tables["reaches"].iloc[40]

    found = of(row["reach_id"])

    assert (found["head"]["head_m"], found["head"]["head_se_m"]) == (row["head_m"], row["head_se_m"])
    levels = [each["profile_m"] for each in found["head"]["samples"]]
    assert levels[0] - levels[-1] == pytest.approx(row["head_m"])
    flow = found["flow"]
    delivered = row["flow_mean_m3s"], row["flow_mean_low_m3s"], row["flow_mean_high_m3s"], row["flow_q95_m3s"]
    assert (flow["flow_mean_m3s"], flow["low_m3s"], flow["high_m3s"], flow["flow_q95_m3s"]) == delivered
    [equation] = flow["equations"]
    constant, *terms = equation["terms"]
    log10 = constant["coefficient"] + sum(each["coefficient"] * math.log10(each["value"]) for each in terms)
    assert [each["column"] for each in terms] == ["area_km2", "precipitation_mm"]
    assert terms[0]["value"] == row["area_km2"]
    assert 10**log10 * equation["bias_correction"] == pytest.approx(row["flow_mean_m3s"], rel=1e-9)
    assert all(each["is_in_range"] == (each["minimum"] <= each["value"] <= each["maximum"]) for each in terms)


def test_a_site_has_the_figures_of_its_row_its_losses_and_its_costs(of, tables):
    sites = tables["sites"]
    row = sites[sites["scheme_type"] == "diversion"].iloc[0]

    found = of(row["site_id"])

    for part in ("plant", "conduit", "money"):
        assert found[part] == {name: row[name] for name in found[part]}
    head = found["head"]
    taken_m = head["shrinkage_m"] + head["selection_luck_m"]
    assert head["head_uncorrected_m"] - taken_m == pytest.approx(row["head_m"])
    assert found["net_head_m"] == pytest.approx(row["head_m"] - sum(found["losses"].values()))
    assert found["losses"]["canal_m"] == pytest.approx(0.001 * row["headrace_length_m"])
    assert sum(found["cost_parts"].values()) == pytest.approx(row["capital_cost"])
    assert found["flow"]["flow_mean_m3s"] == row["flow_mean_m3s"]


def test_rules_have_the_overlaps_of_the_layer_and_distances_of_the_files(of, tables, sample_run):
    hits = tables["rule_hits"]
    reach = Counter(hits["reach_id"]).most_common(1)[0][0]

    found = of(reach)

    own = hits[hits["reach_id"] == reach]
    listed = [
        (rule["rule"], each["feature_id"], each["effect"], each["from_m"], each["to_m"], each["overlap_m"])
        for rule in found["rules"]
        for each in rule["features"]
    ]
    columns = ["rule", "feature_id", "effect", "from_m", "to_m", "overlap_m"]
    assert sorted(listed) == sorted(own[columns].itertuples(index=False, name=None))
    state = {rule["rule"]: rule["holds"] for rule in found["rules"]}
    assert all(state[row.rule] == row.holds for row in own.itertuples())
    line = tables["reaches"].set_index("reach_id").geometry[reach]
    file = sample_run.settings.parents[1] / "sample-region" / "protected.gpkg"
    protected = geopandas.read_file(file).to_crs(tables["reaches"].crs)
    strict = protected[protected["category"] == "strict reserve"]
    [rule] = [each for each in found["rules"] if each["rule"] == "strict reserve"]
    distance_m = shapely.distance(strict.geometry.to_numpy(), line).min()
    assert rule["nearest_distance_m"] == pytest.approx(distance_m, abs=0.01)


def test_what_may_not_be_published_is_not_explained_either(sample_run, tables):
    settings, inputs = (sample_run.results[name] for name in ("settings", "inputs"))
    [number] = [number for number, rule in enumerate(settings.rules) if rule.name == "spawning ground"]
    hits = tables["rule_hits"]
    reach = hits["reach_id"][hits["rule"] == "spawning ground"].iloc[0]
    for publish in ("generalised", "hidden"):
        rules = list(settings.rules)
        rules[number] = rules[number].model_copy(update={"publish": publish})
        secret = settings.model_copy(update={"rules": rules})

        found = explained(secret, inputs, sample_run.results, reach)
        # The verdict's reasons are those of the run, in which the rule was none to hide.
        text = json.dumps({name: found[name] for name in found if name not in ("about", "verdict")})

        assert '"SP' not in text
        assert "buffer_m=" not in text
        assert ("spawning" in text) == (publish == "generalised")
