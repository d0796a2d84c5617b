"""Existing structures of runs: each has its best plant or the reason why none, and they may be put first."""

from functools import cache

import geopandas
import numpy as np
import pytest
from partial_run import tables_of

from sitefinder.energy.valuation import turbine_options
from sitefinder.report.structures import structures_text
from sitefinder.vocabulary import REJECTION_REASONS, STRUCTURE_REASONS, names

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def structures(sample_run):
    return sample_run.delivered.tables["structures"]


def test_every_structure_has_a_site_or_a_reason_and_a_plant_unless_the_reason_excludes_one(structures):
    has_site = structures["site_id"] != ""
    reasons = structures["rejection_reason"]

    assert (has_site == (reasons == "")).all()
    assert set(reasons) - {""} <= {*names(REJECTION_REASONS), *names(STRUCTURE_REASONS)}
    valued = reasons.isin(["above the cost limit", "blocked by a better site", ""])
    assert (structures.loc[valued, "turbine"] != "").all()
    assert valued.any()
    for name in ("power_kw", "energy_mwh", "capital_cost", "net_annual_value", "units", "head_m"):
        assert structures.loc[valued, name].notna().all(), name


def test_reasons_are_those_of_the_users_layer(structures):
    by_id = structures.set_index("structure_id")

    assert by_id.loc["F01", "rejection_reason"] == "natural fall"
    assert (by_id.loc[by_id["powered"], "rejection_reason"] == "already powered").all()
    assert (by_id.loc[by_id["removal_planned"], "rejection_reason"] == "removal planned").all()
    steps = by_id["kind"] == "step"
    assert (by_id.loc[steps, "rejection_reason"] == "no mapped structure").all()


def test_the_plant_of_a_structure_is_the_best_of_all_turbines_that_fit_there(sample_run, structures):
    results = sample_run.results
    settings, inputs, flows = (results[name] for name in ("settings", "inputs", "flows"))
    table = results["stretches"].table
    # Where fish or a rule close months or ask for more water, options go by other flows.
    at_weir = table[(table["scheme_type"] == "at_barrier") & (results["closed_months"] == 0)]
    ids = results["water_bodies"].structures["structure_id"].to_numpy()[at_weir["structure"]]

    def options_of(settings):
        return turbine_options(
            at_weir.reset_index(drop=True),
            flows.bins_m3s,
            flows.environmental_flow_m3s,
            inputs.turbines,
            inputs.costs,
            settings,
            results["water_depths"],
            flows.closed,
            flows.model,
        )

    by_cost = settings.energy.model_copy(update={"design_by": "lcoe_per_kwh"})
    by_value, by_cost = options_of(settings), options_of(settings.model_copy(update={"energy": by_cost}))
    choice = results["verdicts"].choice[at_weir.index]
    listed = structures.set_index("structure_id")

    sites = sample_run.delivered.tables["sites"].set_index("site_id")
    figures = ["power_kw", "energy_mwh", "capital_cost", "net_annual_value"]
    has_site, pays = [], []

    def admitted(options, place, may):
        own = options[(options["stretch"] == place) & (options["fish_safe"] | (may != 1))]
        return own[~own["screened"] | (may == 1)]

    for place, (name, may) in enumerate(zip(ids, choice.tolist(), strict=True)):
        own = admitted(by_value, place, may)
        if own.empty:
            assert listed.loc[name, "turbine"] == ""
            continue
        best = own.loc[own["net_annual_value"].idxmax()]
        pays.append(best["net_annual_value"] > 0)
        if not pays[-1]:
            cheap = admitted(by_cost, place, may)
            best = cheap.loc[cheap["lcoe_per_kwh"].idxmin()]
            assert best["lcoe_per_kwh"] <= own["lcoe_per_kwh"].min()
        assert listed.loc[name, "turbine"] == best["name"]
        site_id = listed.loc[name, "site_id"]
        has_site.append(site_id != "")
        # The figures of a site are means over its simulations, those of all others are expected ones.
        if site_id:
            assert sites.loc[site_id, "turbine"] == best["name"]
        expected = sites.loc[site_id] if site_id else best
        for column in figures:
            assert listed.loc[name, column] == pytest.approx(expected[column], rel=1e-9), (name, column)
    assert set(has_site) == set(pays) == {True, False}


def test_what_a_plant_needs_follows_from_the_structure(structures):
    by_id = structures[structures["turbine"] != ""].set_index("structure_id")

    assert (by_id["needs"].str.contains("fish pass") == ~by_id["fish_pass"]).all()
    assert by_id["needs"].str.contains("agreement with its use").equals(by_id["use"] != "none")
    assert by_id["needs"].str.contains("repair").equals(by_id["condition"] == "poor")


def test_the_summary_has_a_block_for_structures(sample_run, structures):
    block = structures_text(structures, sample_run.delivered.currency)

    assert block in sample_run.delivered.summary
    mapped = structures[structures["kind"] != "step"]
    assert block.startswith(f"Existing structures: {len(mapped)} mapped")
    best = mapped.sort_values("net_annual_value", ascending=False).iloc[0]
    assert best["structure_id"] in block.split("\n")[2]


@pytest.fixture(scope="module")
def valley(tmp_path_factory, write_valley):
    """A function that runs a valley with a weir that a longer diversion can pass, and reads its tables."""

    @cache
    def written(without_weir):
        folder = tmp_path_factory.mktemp("weir")
        # Beside it another valley with the same step in its bed, but no weir there.
        settings = write_valley(folder, valleys=2 if without_weir else 1)
        if without_weir:
            weirs = geopandas.read_file(folder / "layers.gpkg", layer="structures")
            weirs[weirs["id"] == "B1"].to_file(folder / "layers.gpkg", layer="structures", driver="GPKG")
        text = settings.read_text(encoding="utf-8")
        for old, new in (
            ("min_head_m = 2.6", "min_head_m = 1.0"),
            ("longest_m = 50.0", "longest_m = 400.0"),
            ('scheme_types = ["diversion"]', 'scheme_types = ["at_barrier", "diversion"]'),
            ("price_per_kwh = 0.25", "price_per_kwh = 1.5"),
        ):
            assert old in text
            text = text.replace(old, new)
        turbine = folder / "turbine.toml"
        both = turbine.read_text(encoding="utf-8").replace('["diversion"]', '["at_barrier", "diversion"]')
        turbine.write_text(both, encoding="utf-8")
        return settings, text

    # Each run goes on with what those before it kept.
    def run(without_weir=False, **selection):
        settings, text = written(without_weir)
        lines = [f"{name} = {str(value).lower()}" for name, value in selection.items()]
        settings.write_text("\n".join([text, "[selection]", *lines, ""]), encoding="utf-8")
        layers = ["sites"] if without_weir else ["sites", "structures"]
        return tables_of(settings, *layers, store=settings.parent / "store")

    return run


def test_preferring_existing_structures_changes_the_choice_in_a_valley(valley):
    plain, preferring = valley(), valley(prefer_existing=True)

    assert set(plain["sites"]["scheme_type"]) == {"diversion"}
    assert plain["structures"]["rejection_reason"].tolist() == ["blocked by a better site"]
    assert plain["structures"]["blocked_by"].isin(plain["sites"]["site_id"]).all()
    assert "at_barrier" in set(preferring["sites"]["scheme_type"])
    assert plain["sites"]["net_annual_value"].sum() > preferring["sites"]["net_annual_value"].sum()
    # The plant's figures are there in both; of the site they are those of the site.
    site = preferring["sites"].set_index("scheme_type").loc["at_barrier"]
    [structure] = preferring["structures"].to_dict("records")
    assert structure["site_id"] == site["site_id"]
    assert structure["energy_mwh"] == site["energy_mwh"]
    assert plain["structures"]["power_kw"].iloc[0] == pytest.approx(structure["power_kw"])


def test_a_value_of_no_new_barrier_leaves_only_what_is_worth_it(valley):
    plain = valley(without_weir=True)["sites"]
    builds = plain["new_barrier"]
    least, best = (getattr(plain.loc[builds, "net_annual_value"], name)() for name in ("min", "max"))
    valued = [
        valley(without_weir=True, no_new_barrier_value_per_year=value)["sites"]
        for value in (0.5 * least, 2.0 * best)
    ]

    # Only where a weir stands can an intake do without a new barrier.
    assert builds.any()
    assert not builds.all()
    assert valued[0]["site_id"].tolist() == plain["site_id"].tolist()
    assert not valued[1]["new_barrier"].any()
    assert valued[1]["site_id"].tolist() == plain.loc[~builds, "site_id"].tolist()
    assert np.isfinite(valued[1]["net_annual_value"]).all()
