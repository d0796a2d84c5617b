"""Groups of fish at the sites of the sample: the layer against each site's own plant, and both questions."""

import numpy as np
import pytest

from sitefinder.energy.fish_survival import GRADES, as_built_share, screened_share, turbine_grade
from sitefinder.energy.hydraulics import net_head_m


@pytest.fixture(scope="module")
def of_sites(sample_run):
    """Sites with their groups, and what a run is made from."""
    tables = sample_run.delivered.tables
    both = tables["fish_groups"].merge(tables["sites"], on="site_id", suffixes=("", "_site"))
    return both, sample_run.results["inputs"], sample_run.results["settings"]


def test_each_site_and_group_has_the_survival_of_its_own_plant(of_sites):
    table, inputs, settings = of_sites
    turbines = {turbine.name: turbine for turbine in inputs.turbines}
    screen, groups = inputs.costs.screen.design, {group.name: group for group in settings.fish.groups}

    sites = table.drop_duplicates("site_id")
    assert len(sites) > 8
    # The canals lose head: their length counts.
    assert (sites["headrace_length_m"] > 0).any()
    named = [(site, group) for site in sites["site_id"] for group in groups]
    assert list(zip(table["site_id"], table["fish_group"], strict=True)) == named
    assert not table["is_assumed"].any()
    up_only = table["fish_group"].map({name: group.direction == "up" for name, group in groups.items()})
    assert 0 < up_only.sum() < len(table)
    # What goes up meets no turbine.
    assert table.loc[up_only, ["survival", "survival_as_built", "survival_screened"]].isna().all(axis=None)
    assert table.loc[up_only, ["safe_as_built", "safe_screened"]].all(axis=None)
    assert not table.loc[up_only, "decides"].any()
    for row in table[~up_only].to_dict("records"):
        group = groups[row["fish_group"]]
        canal_m = np.nan_to_num(np.array([row["headrace_length_m"]]))
        head = net_head_m(np.array([row["head_m"]]), canal_m, settings.energy)
        unit = np.array([row["flow_design_m3s"] / row["units"]])
        turbine = turbines[row["turbine"]]
        load = settings.fish.relative_flow
        own = [as_built_share(turbine, length, unit, head, load)[0] for length in group.lengths_m]
        behind = [
            float(screened_share(screen, length, group.thickness_share, share))
            for length, share in zip(group.lengths_m, own, strict=True)
        ]
        assert row["survival_as_built"] == pytest.approx(min(own), rel=1e-9)
        assert row["survival_screened"] == pytest.approx(min(behind), rel=1e-9)
        assert row["survival"] == row["survival_screened" if row["screened"] else "survival_as_built"]
        # The weakest of its lengths: a trial counts for those that it was made with.
        grade = GRADES[max(turbine_grade(turbine, length) for length in group.lengths_m)]
        assert row["evidence_as_built"] == grade
        assert row["safe_as_built"] == (min(own) >= 0.95 and grade in settings.fish.evidence)


def test_both_answers_of_the_sites_are_those_of_their_groups(of_sites):
    table, _, _ = of_sites

    each = table.groupby("site_id")
    as_built = each["safe_as_built"].all()
    sites = table.drop_duplicates("site_id").set_index("site_id").loc[as_built.index]
    assert (sites["fish_safe_as_built"] == as_built).all()
    # A plant has the screen or not: only with it does it answer for the screen.
    safe = as_built | (sites["screened"] & each["safe_screened"].all())
    assert (sites["fish_safe"] == safe).all()
    assert as_built.any()
    assert not as_built.all()
    assert (each["safe_screened"].all() >= as_built).all()
    assert ((sites["fish_safe_prob"] > 0) >= sites["fish_safe"]).all()
    assert (sites.loc[~sites["screened"], "bypass_flow_m3s"] == 0.0).all()


def test_von_raben_stands_beside_axial_runners_and_kills_more(of_sites):
    table, inputs, _ = of_sites
    axial = [each.name for each in inputs.turbines if each.strike is not None and each.strike.form == "axial"]

    known = table["survival_von_raben"].notna()
    # What goes up meets no runner.
    down = table["direction"] != "up"
    assert known.tolist() == (table["turbine"].isin(axial) & down).tolist()
    assert known.any()
    # 0.43 of the struck fish die instead of 0.2; of longer ones as many die of a strike in trials.
    short = known & (table["length_m"] <= 0.6)
    assert short.any()
    assert (table.loc[short, "survival_von_raben"] < table.loc[short, "survival_as_built"]).all()


def test_a_point_of_the_bar_is_examined_for_the_question_of_the_run(sample_run):
    gain = sample_run.delivered.tables["fish_safe_gain"]

    moved = gain[gain["bar_change"] != 0]
    assert set(moved["question"]) == {sample_run.results["settings"].fish.safe}
    assert sorted(moved["bar_change"].unique()) == [-0.01, 0.01]
    assert not moved["as_set"].any()
    own = gain[(gain["question"] == "screened") & (gain["evidence"] == "modelled")]
    by_bar = own.groupby("bar_change")["sites"].sum()
    assert (by_bar > 0).all()


def test_what_is_assumed_of_turbine_and_screen_is_what_sites_are_valued_with(sample_run, of_sites):
    assumed = sample_run.delivered.tables["fish_assumptions"].set_index(["fish_group", "assumption"])
    _, inputs, settings = of_sites
    screen = inputs.costs.screen.design
    laws = [turbine.strike for turbine in inputs.turbines if turbine.strike is not None]
    figures = ["assumed", "likely_low", "likely_high"]

    guided = 0
    for group in settings.fish.groups:
        for length in group.lengths_m if group.goes_down else ():
            row = assumed.loc[(group.name, f"deaths per blade strike, {length:g} m"), figures]
            for law in laws:
                assert row.tolist() == [law.deaths_per_strike(length), *law.correlation_range]
            named = (group.name, f"share that a screen guides, {length:g} m") in assumed.index
            # Fish that are too thick for the bars need no guidance.
            assert named == screen.fits_between(length, group.thickness_share)
            guided += named
    assert guided > 0
    # Fish that go up meet neither.
    up = [group.name for group in settings.fish.groups if not group.goes_down]
    assert up
    assert not assumed.loc[up].index.get_level_values("assumption").str.contains("strike|screen").any()
