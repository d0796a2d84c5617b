"""Hydrokinetic rotors in a run of the sample region: a table of their own, which no total includes."""

import geopandas
import numpy as np
import pytest
import shapely
from pandas.testing import assert_frame_equal

from sitefinder.delivery.graph import LAYERS_MADE, SHARED, TABLES
from sitefinder.delivery.hydrokinetic_table import hydrokinetic_table
from sitefinder.energy.plant import hydraulic_power_kw
from sitefinder.pipeline.executors import loaded
from sitefinder.profile.errors import head_standard_error
from sitefinder.schema import check_table
from sitefinder.steps.candidates import list_stretches, value_all
from sitefinder.steps.conduits import find_ways, join_ways
from sitefinder.steps.flows import find_channel_shapes
from sitefinder.steps.selection import choose

# The sample region's streams carry up to 16 m³/s; so much more makes rivers of them that a rotor has room in.
TIMES = 400.0
# What a reach may give as the reason for holding no rotor.
REASONS = {"too shallow", "too slow", "too narrow", "a row would block the stream"}


@pytest.fixture(scope="module")
def results(sample_run):
    return sample_run.results


@pytest.fixture(scope="module")
def rivers(results):
    """The same region with the water of large rivers, and channel shapes by hydraulic geometry alone.

    Rivers of that size do not have the slopes of these streams, nor their surveyed sections.
    """
    flows = results["flows"]
    estimate = flows.estimate._replace(mean_m3s=flows.estimate.mean_m3s * TIMES)
    flows = flows._replace(estimate=estimate, bins_m3s=flows.bins_m3s * TIMES)
    unknown = results["water_slopes"]._replace(slope=np.full(len(results["water_slopes"].slope), np.nan))
    given = (results["settings"], unsurveyed(results), results["stationing"], flows, unknown)
    return results | {"flows": flows, "channel_shapes": find_channel_shapes(*given)}


# The inputs without surveyed sections.
def unsurveyed(results):
    return results["inputs"]._replace(sections=None)


def hydrokinetic(results, **changes):
    names = ["settings", "inputs", "stationing", "heads", "flows", "channel_shapes", "water_bodies", "verdicts"]
    given = results | changes
    within = np.ones(len(results["stationing"].reaches), dtype=bool)
    return hydrokinetic_table(*(given[name] for name in names), within)


def test_every_reach_states_for_every_rotor_what_it_holds_or_why_not(results):
    table = hydrokinetic(results)

    assert len(table) == len(results["stationing"].reaches) * len(results["inputs"].rotors) > 300
    holds = table["because"] == ""
    assert set(table["because"]) <= REASONS | {""}
    # Brooks have no metre of water; the river has one in floods, and in the gorge at mean flow, as was surveyed.
    assert (table["because"] == "too shallow").mean() > 0.7
    gorge = holds & table["section_measured"] & (table["depth_m"] > 1.0)
    assert 1 <= gorge.sum() <= 10
    assert table.loc[~table["section_measured"], "depth_m"].median() < 0.5
    assert table.loc[gorge, "kinetic_power_kw_per_km"].min() > table.loc[~gorge, "kinetic_power_kw_per_km"].max()
    # The sill was surveyed too, and nothing turns there.
    assert set(table.loc[table["section_measured"] & (table["depth_m"] < 0.5), "because"]) == {"too shallow"}
    energy = table[["rotors", "kinetic_power_kw", "kinetic_power_kw_per_km", "kinetic_energy_mwh"]]
    assert (energy[holds] > 0).all(axis=None)
    assert not energy[~holds].any(axis=None)


def test_rotors_leave_every_other_table_as_it_is(results, sample_run):
    delivered = sample_run.delivered.tables
    # A toy that turns in these brooks, so that there is something that could be added to a total.
    toy = {"diameter_m": 0.1, "min_depth_m": 0.1, "min_width_m": 0.5, "speed_range_m_s": (0.1, 4.0)}
    inputs = results["inputs"]._replace(rotors=[results["inputs"].rotors[0].model_copy(update=toy)])
    given = results | {"inputs": inputs}
    for stage in (*SHARED, *TABLES):
        # The tiles that catchments are drawn from went with the run, and shapes of rules are of no results.
        if stage.name not in ("catchments_table", "rule_shapes"):
            given[stage.name] = whole_result(stage, given)
    tables = {name: given[f"{name}_table"] for name in LAYERS_MADE}

    assert tables.pop("hydrokinetic")["kinetic_energy_mwh"].sum() > 1.0
    for name, table in tables.items():
        assert_frame_equal(table, delivered[name])


# What a stage gives; one that is cut into items joins theirs.
def whole_result(stage, given):
    if stage.cut is None:
        return loaded(stage.run)(**{name: given[name] for name in stage.reads})
    whole = {name: given[name] for name in stage.each.takes}
    others = {name: given[name] for name in stage.reads if name not in whole}
    shares = loaded(stage.each.items)(**whole)
    found = {name: stage.function(**others, **own(stage.each.cut_from)) for name, own in shares.items()}
    return loaded(stage.each.joined)(found, **whole)


def test_rivers_hold_rotors_that_give_what_the_laws_say(results, rivers):
    table = check_table(hydrokinetic(rivers), "hydrokinetic")

    some = table[table["rotors"] > 0]
    assert len(some) > 20
    # At mean flow Q runs as Q / (7.2 Q^0.5 · 0.27 Q^0.4), whatever the exponents at a station.
    last = results["stationing"].reaches.set_index("reach_id")["last_station"]
    mean = rivers["flows"].estimate.mean_m3s[last.loc[some["reach_id"]].to_numpy()]
    np.testing.assert_allclose(some["speed_m_s"], mean**0.1 / (7.2 * 0.27), rtol=1e-6)
    np.testing.assert_allclose(some["width_m"] * some["depth_m"] * some["speed_m_s"], mean, rtol=1e-6)
    # Energy and power per km are the same mean power, stated twice.
    length_km = (
        results["stationing"].reaches.set_index("reach_id")["length_m"].loc[some["reach_id"]].to_numpy() / 1000
    )
    mean_kw = some["kinetic_power_kw_per_km"] * length_km
    availability = results["settings"].energy.availability
    np.testing.assert_allclose(some["kinetic_energy_mwh"], mean_kw * 8.76 * availability, rtol=1e-12)
    assert (mean_kw < some["kinetic_power_kw"]).all()
    assert (some["lcoe_per_kwh"] > 0).all()
    assert some["free_length_m"].le(length_km * 1000 + 1e-6).all()


def test_the_current_gives_less_than_the_fall_that_drives_it(results, rivers):
    table = hydrokinetic(rivers)

    reaches, heads = results["stationing"].reaches, rivers["heads"]
    upper, lower = (reaches[name].to_numpy() for name in ("first_station", "last_station"))
    fall_m = heads.profile_m[upper] - heads.profile_m[lower]
    max_m = fall_m + 1.645 * head_standard_error(heads.errors_m, upper, lower)
    max_kw = hydraulic_power_kw(rivers["flows"].bins_m3s[lower].mean(axis=1), max_m)
    per_reach = table.groupby("reach_id")["kinetic_power_kw_per_km"].max().loc[reaches["reach_id"]]
    assert (per_reach.to_numpy() * reaches["length_m"] / 1000.0 <= max_kw).all()


def test_standing_water_holds_no_rotor_and_gives_that_as_the_reason(rivers):
    water_bodies = rivers["water_bodies"]
    table = hydrokinetic(rivers, water_bodies=water_bodies._replace(standing=np.ones_like(water_bodies.standing)))

    assert set(table["because"]) == {"standing water"}
    assert table["rotors"].sum() == 0
    assert (table["free_length_m"] == 0).all()


def test_a_measured_section_takes_the_place_of_geometry_along_its_stream(results):
    stationing, settings = results["stationing"], results["settings"]
    segment_m = stationing.stations["segment_length_m"].to_numpy()
    station = int(np.flatnonzero(segment_m > 0)[20])
    far = shapely.Point(0.0, 0.0)
    here = shapely.Point(*stationing.stations.loc[station, ["x_m", "y_m"]])
    columns = {"section_id": ["P1", "P2"], "flow_m3s": 0.5, "width_m": 3.0, "depth_m": 0.4}
    unmeasured = find_channel_shapes(
        settings, unsurveyed(results), stationing, results["flows"], results["water_slopes"]
    )
    sections = geopandas.GeoDataFrame(columns, geometry=[here, far], crs=settings.run.crs)

    found = find_channel_shapes(
        settings,
        results["inputs"]._replace(sections=sections),
        stationing,
        results["flows"],
        results["water_slopes"],
    )

    width_m, depth_m, speed = found.shapes.at(np.array([station]), np.array([[0.5]]))
    np.testing.assert_allclose([width_m[0, 0], depth_m[0, 0], speed[0, 0]], [3.0, 0.4, 0.5 / 1.2])
    held = np.flatnonzero(found.shapes.is_measured)
    links, along_m = (stationing.stations[name].to_numpy() for name in ("link", "distance_m"))
    assert station in held
    assert set(links[held]) == {links[station]}
    assert np.abs(along_m[held] - along_m[station]).max() <= settings.channel.section_reach_m
    others = ~found.shapes.is_measured
    np.testing.assert_array_equal(found.shapes.width_m[others], unmeasured.shapes.width_m[others])
    assert found.repairs["action"].tolist() == [
        f"used at {len(held)} stations in place of slope or hydraulic geometry",
        "not used",
    ]
    assert found.repairs["problem"].tolist()[1].endswith("no stream within 60 m")


def test_reaches_whose_stream_is_too_small_for_the_only_turbine_give_that_as_the_reason(results):
    # A class that must stand in two metres of water, at weirs and new barriers only: no stream here has them.
    settings, inputs = results["settings"], results["inputs"]
    deep = inputs.turbines[5].model_copy(update={"min_depth_m": 2.0, "scheme_types": ("at_barrier", "new_weir")})
    names = ("inputs", "stationing", "channels", "heads", "water_bodies", "catchments", "flows", "channel_shapes")
    names = (*names, "stream_things")
    scheme_types = settings.stretches.model_copy(update={"scheme_types": ["at_barrier", "new_weir"]})
    settings = settings.model_copy(update={"stretches": scheme_types})
    candidates = list_stretches(settings, *(results[name] for name in names))
    around = (results[name] for name in ("inputs", "surface", "stationing", "heads"))
    stretches = join_ways(candidates, find_ways(settings, *around, candidates))
    judged = results["verdicts"]._replace(choice=np.zeros(len(stretches.table), dtype=np.int64))

    def rejection(turbine):
        given = inputs._replace(turbines=[turbine])
        valued = value_all(settings, given, stretches, results["flows"], results["water_depths"])
        stationing, water_bodies = results["stationing"], results["water_bodies"]
        return choose(
            settings, given, stationing, stretches, valued, results["spawning_m"], judged, water_bodies
        ).rejection

    small = rejection(deep)
    wide = rejection(deep.model_copy(update={"min_depth_m": None, "min_width_m": None}))

    assert (small == "stream too shallow or narrow").sum() > 0
    assert (wide != "stream too shallow or narrow").all()
    assert (small == "").sum() == 0
