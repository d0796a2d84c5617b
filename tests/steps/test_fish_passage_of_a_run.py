"""Passage of fish in the sample region against every migration path, walked station by station."""

import numpy as np
import pandas as pd
import pytest

from sitefinder.report.fish import fish_passage_texts, points_by_site
from sitefinder.report.page.fish import fish_section
from sitefinder.report.page.page import page_html
from sitefinder.steps.fish_passage import find_fish_passage

READS = (
    "inputs",
    "stationing",
    "flows",
    "water_bodies",
    "stream_things",
    "stretches",
    "rule_overlaps",
    "sites",
    "within",
)
STATES = ("natural", "today", "sites", "removals", "sites_and_removals")


# Passage in the sample, with other settings of fish or releases, and other columns of structures by their ids.
def passage(sample_run, structures=None, releases=None, **fish):
    results = {name: sample_run.results[name] for name in READS}
    settings = sample_run.results["settings"]
    settings = settings.model_copy(update={"fish": settings.fish.model_copy(update=fish)})
    if releases is not None:
        own = settings.flows.releases.model_copy(update=releases)
        settings = settings.model_copy(update={"flows": settings.flows.model_copy(update={"releases": own})})
    things, mapped = results["stream_things"].copy(), results["water_bodies"].structures.copy()
    for name, columns in (structures or {}).items():
        for column, value in columns.items():
            mapped.loc[mapped["structure_id"] == name, column] = value
            if column in things:
                things.loc[things["object_id"] == name, column] = value
    results["stream_things"] = things
    results["water_bodies"] = results["water_bodies"]._replace(structures=mapped)
    found = find_fish_passage(settings, *results.values())
    return settings, found


# With these the lower river is open, so that there is something to win and to lose.
OPEN = {
    "W17": {"fish_pass": True},
    "W02": {"removal_planned": True},
    "W15": {"passable": "yes"},
    "W08": {"fish_pass": True, "condition": "poor"},
}


@pytest.fixture(scope="module")
def opened(sample_run):
    return passage(sample_run, OPEN)


# Shares of all stations, each walked down to its outlet barrier by barrier; all take a step at a time.
def walked(downstream, station, share):
    passed = np.ones((len(downstream), share.shape[1]))
    for place, row in zip(station, share, strict=True):
        passed[place] *= row
    found = np.ones_like(passed)
    walking, here = np.arange(len(downstream)), np.arange(len(downstream))
    while len(walking):
        found[walking] *= passed[here]
        here = downstream[here]
        walking, here = walking[here >= 0], here[here >= 0]
    return found


def of_state(found, state):
    barriers, table = found.barriers, found.barriers.table
    built = "sites" in state
    up, down = (barriers.up_sites, barriers.down_sites) if built else (barriers.up_today, barriers.down_today)
    counts = np.ones(len(table), dtype=bool)
    if state == "natural":
        counts = (table["kind"] == "fall").to_numpy()
    if "removals" in state:
        counts = ~table["removal_planned"].to_numpy()
    return table["station"].to_numpy()[counts], up[counts], down[counts]


def test_both_directions_are_those_of_all_paths_walked_in_every_state(sample_run, opened):
    settings, found = opened
    stationing = sample_run.results["stationing"]
    stations = stationing.stations
    downstream, reach = stations["downstream"].to_numpy(), stations["reach"].to_numpy()
    length_m = stations["segment_length_m"].to_numpy()
    inside = (reach >= 0) & sample_run.results["within"][reach]
    totals = found.totals.set_index(["fish_group", "state"])
    natural = walked(downstream, *of_state(found, "natural")[:2])
    today = walked(downstream, *of_state(found, "today")[:2])

    for state in STATES:
        station, up, down = of_state(found, state)
        access, survival = walked(downstream, station, up), walked(downstream, station, down)
        for number in np.unique(reach[reach >= 0])[::7]:
            own = (reach == number) & (length_m > 0)
            for shares, mean in ((access, found.up[state]), (survival, found.down[state])):
                expected = np.average(shares[own], axis=0, weights=length_m[own])
                np.testing.assert_allclose(mean[number], expected, rtol=1e-9, atol=1e-12)
        for place, group in enumerate(settings.fish.groups):
            row = totals.loc[(group.name, state)]
            if not group.goes_up:
                assert np.isnan(row["accessible_km"])
                continue
            counts = np.where(inside & (natural[:, place] >= 0.1), length_m, 0.0) / 1000.0
            is_open, was_open = access[:, place] >= 0.1, today[:, place] >= 0.1
            assert row["accessible_km"] == pytest.approx(counts[is_open].sum())
            assert row["cut_off_km"] == pytest.approx(counts[~is_open].sum())
            assert row["mean_access"] == pytest.approx(np.average(access[:, place], weights=counts))
            if state != "natural":
                assert row["won_km"] == pytest.approx(counts[is_open & ~was_open].sum())
                assert row["lost_km"] == pytest.approx(counts[was_open & ~is_open].sum())


def test_passes_of_sites_and_planned_removals_win_back_stream(opened):
    _, found = opened
    trout = found.totals[found.totals["fish_group"] == "sea trout"].set_index("state")

    # Above the weirs that get a pass with their sites, and above the one that goes.
    assert trout.loc["sites", "won_km"] > 1.0
    assert trout.loc["removals", "won_km"] > 0.5
    assert trout.loc["sites_and_removals", "accessible_km"] >= trout.loc["sites", "accessible_km"]
    assert (trout["accessible_km"] + trout["cut_off_km"]).to_numpy() == pytest.approx(
        trout["stream_km"].to_numpy()
    )


def test_what_each_site_changes_alone_is_what_all_paths_give_with_it_alone(sample_run, opened):
    _, found = opened
    stations = sample_run.results["stationing"].stations
    downstream, reach = stations["downstream"].to_numpy(), stations["reach"].to_numpy()
    inside = (reach >= 0) & sample_run.results["within"][reach]
    length_km = np.where(inside, stations["segment_length_m"].to_numpy(), 0.0) / 1000.0
    barriers, table = found.barriers, found.barriers.table
    station, site = table["station"].to_numpy(), table["site"].to_numpy()
    pairs = (
        (barriers.up_today, barriers.up_sites, found.site_change_km),
        (barriers.down_today, barriers.down_sites, found.site_survival_change_km),
    )
    for today, then, change_km in pairs:
        before = length_km @ walked(downstream, station, today)
        assert np.abs(change_km).max() > 0.1
        for number in range(len(change_km)):
            alone = np.where((site == number)[:, None], then, today)
            after = length_km @ walked(downstream, station, alone)
            np.testing.assert_allclose(change_km[number], after - before, atol=1e-9)
    # If all got up one barrier.
    row = int(np.argmax(found.gain_if_open_with_sites_km[:, 0]))
    freed = barriers.up_sites.copy()
    freed[row] = 1.0
    gain = length_km @ (walked(downstream, station, freed) - walked(downstream, station, barriers.up_sites))
    np.testing.assert_allclose(found.gain_if_open_with_sites_km[row], gain, atol=1e-9)


def test_shares_at_single_barriers_are_those_worked_by_hand(sample_run):
    _, found = passage(sample_run)
    table, barriers = found.barriers.table, found.barriers
    row_of = {name: row for row, name in enumerate(table["barrier_id"])}
    trout, eel = 0, 2
    leap = (10 * 0.45) ** 2 / (2 * 9.80665)

    # A low sill, which some leap: 0.79 m of 1.03 m.
    assert barriers.up_today[row_of["W13"], trout] == pytest.approx((leap - 0.79) / (leap / 2))
    # A mill weir that has a pass, and one that gets it with its site.
    assert barriers.up_today[row_of["W10"], trout] == 0.62
    assert barriers.up_today[row_of["W12"], trout] == 0.0
    assert barriers.up_sites[row_of["W12"], trout] == 0.62
    # Powered weirs count by default, by the mean of published trials.
    assert barriers.down_today[row_of["W17"], eel] == 0.777
    assert barriers.down_today[row_of["W13"], eel] == 1.0
    # Only falls are nature's; F01 is 3.92 m high.
    assert table.loc[table["kind"] == "fall", "barrier_id"].tolist() == ["F01"]
    assert barriers.up_today[row_of["F01"], trout] == 0.0
    # Plants of sites: the plant's own survival once, whether it stands at the weir or takes its water there.
    for number in range(table["site"].max() + 1):
        own = np.flatnonzero(table["site"] == number)
        changed = (barriers.down_sites[own] != barriers.down_today[own]).any(axis=1)
        assert changed.sum() <= 1


def test_a_pass_in_poor_condition_helps_half_as_much_and_a_new_one_in_full(sample_run):
    poor = {"W10": {"condition": "poor"}, "W02": {"condition": "poor", "fish_pass": True}}
    _, found = passage(sample_run, poor)
    row_of = {name: row for row, name in enumerate(found.barriers.table["barrier_id"])}

    assert found.barriers.up_today[row_of["W10"], 0] == pytest.approx(0.31)
    # W10 has a site, W02 has none.
    assert found.barriers.up_sites[row_of["W10"], 0] == 0.62
    assert found.barriers.up_sites[row_of["W02"], 0] == pytest.approx(0.31)


def test_a_fish_pass_with_little_water_beside_the_turbines_is_found_by_fewer(sample_run):
    _, found = passage(sample_run, releases={"fish_pass_m3s": 0.1})
    table = found.barriers.table
    offers = sample_run.results["sites"].offers
    design_m3s = offers.valued["flow_design_m3s"].to_numpy()[offers.chosen]
    rows = np.flatnonzero((table["site"] >= 0) & table["pass_with_sites"])
    share = np.minimum(0.1 / design_m3s[table["site"].to_numpy()[rows]] / 0.05, 1.0)

    assert (share < 0.9).any()
    assert table["attraction"].to_numpy()[rows] == pytest.approx(share)
    leaps = found.barriers.up_sites[rows, 0] > 0.62 * share + 1e-12
    assert found.barriers.up_sites[rows, 0][~leaps] == pytest.approx((0.62 * share)[~leaps])


def test_the_summary_names_each_group_and_what_is_cut_off(sample_run):
    tables = sample_run.delivered.tables

    texts = fish_passage_texts(tables)

    assert [text.split(" (")[0] for text in texts] == [
        "Passage of sea trout",
        "Passage of sea trout smolts",
        "Passage of eel",
    ]
    assert "74.9 km are cut off" in texts[0]
    assert "W17 (existing plant) holds back most" in texts[0]
    totals = tables["fish_totals"]
    assert isinstance(totals, pd.DataFrame)
    today = totals[(totals["fish_group"] == "sea trout") & (totals["state"] == "today")].iloc[0]
    assert today["stream_km"] == pytest.approx(today["accessible_km"] + today["cut_off_km"])


def test_the_page_shows_groups_sites_barriers_and_what_is_assumed(sample_run):
    handover = sample_run.delivered.handover
    tables = handover.tables

    section, page = fish_section(handover), page_html(handover)

    assert len(section["groups"]) == 3
    assert len(section["together"].rows) == 3 * len(STATES)
    assert len(section["sites"].rows) == len(tables["sites"])
    first = {
        heading.text: cell
        for heading, cell in zip(section["sites"].headings, section["sites"].rows[0], strict=True)
    }
    own = tables["fish_sites"].sort_values("rank").groupby("fish_group").first()
    assert first["sea trout: get up"].exact == repr(float(own.loc["sea trout", "passage_up"]))
    assert first["eel: survive plant"].exact == repr(float(own.loc["eel", "survival"]))
    assert section["barriers"].rows[0][0].text == "W17"
    # Every figure that is not stated says that it is an assumption, or whence it comes.
    assert all(row[-1].text for row in section["assumptions"].rows)
    assert '<a href="#fish">Fish</a>' in page
    for name in ("together", "sites", "barriers", "assumptions"):
        assert f'id="fish-{name}"' in page


def test_a_field_sheet_says_what_its_site_does_to_fish_that_pass_it(sample_run):
    fish_sites = sample_run.delivered.tables["fish_sites"]
    past = fish_sites[fish_sites["migrates_past"] & (fish_sites["fish_group"] == "sea trout smolts")]

    points = points_by_site(fish_sites)[past["site_id"].iloc[0]]

    assert len(past) == 1
    assert points[1].startswith("Fish, sea trout smolts: ")
    assert points[1].endswith("% survive the plant; more water stays in April and May.")
    assert points[0] == "Fish, sea trout: 62.0 % get up."
