"""Canal, penstock and shares on top: by definitions and worked figures, and capital that never falls with size."""

import functools
import math

import numpy as np
import pandas as pd
import pytest
from capital_by_part import canal_per_m, penstock_per_m
from hypothesis import given
from hypothesis import settings as how
from hypothesis import strategies as st

from sitefinder.catalogue.costs import CostFile
from sitefinder.energy.costs import construction_interest_factor, project_laws, water_fee_per_year, yearly_cost
from sitefinder.energy.hydraulics import waterway
from sitefinder.energy.sizing import (
    CLASS,
    CLASS_AT_SITE,
    SIZE_TERMS,
    _capital_of,
    _fill_class,
    _search_record,
    fill_size,
    search_prices,
)
from sitefinder.energy.turbines import turbine_table
from sitefinder.energy.valuation import value_stretches
from sitefinder.energy.works import (
    ConduitWorks,
    canal_cost_per_m,
    canal_section,
    conduit_works,
    penstock_cost_per_m,
    penstock_length_m,
    penstock_wall_m,
    route_prices,
    works_numbers,
)
from sitefinder.io.catalogue_files import read_costs
from sitefinder.settings import check_settings


def with_costs(settings, energy=None, **changes):
    return settings.model_copy(
        update={
            "costs": settings.costs.model_copy(update=changes),
            "energy": settings.energy.model_copy(update=energy or {}),
        }
    )


@pytest.mark.parametrize("flow_m3s", [0.05, 1.0, 12.0])
@pytest.mark.parametrize("slope", [0.0003, 0.001])
def test_a_canal_carries_its_flow_with_the_least_perimeter_of_all_trapezoids(flow_m3s, slope):
    section = canal_section(flow_m3s, slope, 0.015)

    # Manning's formula gives the flow back.
    radius = section.area_m2 / section.perimeter_m
    assert section.area_m2 * radius ** (2 / 3) * slope**0.5 / 0.015 == pytest.approx(flow_m3s, rel=1e-12)
    # Trapezoids of the same area, of any depth and side slope, have no less perimeter.
    depth, side = np.meshgrid(np.linspace(0.2, 3.0, 200) * section.area_m2**0.5, np.linspace(0.0, 3.0, 200))
    bottom = section.area_m2 / depth - side * depth
    perimeter = np.where(bottom >= 0, bottom + 2 * depth * np.sqrt(1 + side**2), np.inf)
    assert perimeter.min() >= section.perimeter_m * (1 - 1e-12)
    assert perimeter.min() == pytest.approx(section.perimeter_m, rel=1e-3)


@pytest.mark.parametrize("ground", ["earth", "mixed", "rock"])
@pytest.mark.parametrize("flow_m3s", [0.03, 0.8, 9.0])
def test_canal_and_penstock_cost_what_their_definitions_say(ground, flow_m3s, generic_costs, settings):
    works = works_numbers(generic_costs, with_costs(settings, ground=ground))
    energy = settings.energy

    by_definition = canal_per_m(generic_costs.canal, flow_m3s, energy.canal_slope, ground)
    assert canal_cost_per_m(flow_m3s, works) == pytest.approx(by_definition, rel=1e-9)
    for head_m in (2.0, 30.0, 150.0):
        by_definition = penstock_per_m(generic_costs.penstock, flow_m3s, head_m, energy.pipe_velocity_m_s)
        assert penstock_cost_per_m(flow_m3s, head_m, works) == pytest.approx(by_definition, rel=1e-9)


def test_a_penstock_is_as_thick_as_handling_or_pressure_needs(generic_costs, settings):
    works = works_numbers(generic_costs, settings)

    # Bore of 1 m. At 5 m of head handling governs: 1508 mm / 400. At 200 m the pressure with 30 % surge does:
    # 2.55 MPa · 1000 mm / (2 · 110 MPa), and 1 mm for corrosion.
    assert 1000 * penstock_wall_m(1.0, 5.0, works) == pytest.approx(3.77, abs=1e-9)
    assert 1000 * penstock_wall_m(1.0, 200.0, works) == pytest.approx(2.5497290 * 1000 / 220 + 1.0, rel=1e-6)


def test_rock_costs_more_than_earth_and_a_pipe_is_penstock_over_all_its_length(generic_costs, settings):
    by_ground = [
        canal_cost_per_m(1.0, works_numbers(generic_costs, with_costs(settings, ground=ground)))
        for ground in ("earth", "mixed", "rock")
    ]
    assert by_ground == sorted(by_ground)
    assert by_ground[0] < by_ground[2]

    canal = works_numbers(generic_costs, settings)
    pipe = works_numbers(generic_costs, with_costs(settings, energy={"conduit": "pipe"}))
    assert penstock_length_m(600.0, 8.0, canal) == pytest.approx(24.0)
    assert penstock_length_m(10.0, 8.0, canal) == 10.0
    assert penstock_length_m(600.0, 8.0, pipe) == 600.0


def test_ways_are_compared_by_a_width_that_grows_with_the_three_eighths_of_the_flow(generic_costs, settings):
    # By Manning, a section of one shape has a perimeter as Q^(3/8): 256 times the flow is 8 times as wide.
    prices = route_prices(np.array([1.0, 256.0]), np.array([3.0, 3.0]), generic_costs, settings)

    ratio = {name: prices[name][1] / prices[name][0] for name in ("cut_per_m2", "bench_per_m")}
    assert ratio == pytest.approx({"cut_per_m2": 8.0, "bench_per_m": 64.0})


@pytest.mark.parametrize("conduit", ["canal", "pipe"])
def test_a_metre_of_way_costs_what_its_canal_or_its_pipe_costs(conduit, generic_costs, settings):
    settings = with_costs(settings, energy={"conduit": conduit})
    works, flow_m3s, head_m = works_numbers(generic_costs, settings), np.array([1.0, 4.0]), np.array([3.0, 9.0])
    canal, penstock = canal_cost_per_m(flow_m3s, works), penstock_cost_per_m(flow_m3s, head_m, works)
    assert (canal != penstock).all()

    prices = route_prices(flow_m3s, head_m, generic_costs, settings)

    assert prices["canal_per_m"].tolist() == (canal if conduit == "canal" else penstock).tolist()
    assert prices["penstock_per_m"].tolist() == penstock.tolist()
    # An aqueduct that costs more than either goes with the width: 4^(3/8) for four times the flow.
    high = generic_costs.crossings.model_copy(update={"aqueduct_per_m": 1e6})
    costs = generic_costs.model_copy(update={"crossings": high})
    per_m = route_prices(flow_m3s, head_m, costs, settings)["aqueduct_per_m"]
    assert per_m == pytest.approx(1e6 * np.array([1.0, 4.0**0.375]), rel=1e-12)


@pytest.mark.parametrize(("slope", "counted"), [(0.001, 0.001), (0.0, 1e-4)])
def test_a_canal_is_as_wide_as_the_half_hexagon_that_carries_its_flow(slope, counted, generic_costs, settings):
    # Of side a the water has 3·√3/4·a² of area and √3/4·a of hydraulic radius, and is 2 a wide. A level canal is
    # counted as one that falls a metre in ten kilometres.
    n = generic_costs.canal.manning_n
    side_m = (n / np.sqrt(counted) / (0.75 * np.sqrt(3.0)) / (np.sqrt(3.0) / 4.0) ** (2.0 / 3.0)) ** 0.375
    level = with_costs(settings, energy={"canal_slope": slope}, ground="earth")

    prices = route_prices(np.ones(1), np.full(1, 3.0), generic_costs, level)

    assert prices["cut_per_m2"][0] / generic_costs.canal.earth_per_m3 == pytest.approx(2.0 * side_m)


def test_a_forebay_holds_the_flow_for_its_time_and_a_tunnel_without_a_price_is_not_built(generic_costs, settings):
    def works(**changes):
        parts = {name: getattr(generic_costs, name).model_copy(update=each) for name, each in changes.items()}
        return works_numbers(generic_costs.model_copy(update=parts), settings)

    assert works(forebay={"per_m3": 3.0, "seconds_held": 50.0}).forebay_per_m3s == 150.0
    assert works(crossings={"tunnel_per_m": 0.5}).tunnel_per_m == 0.5
    assert works(crossings={"tunnel_per_m": 0.0}).tunnel_per_m == np.inf


def test_a_price_below_one_for_a_metre_of_tunnel_is_a_price(generic_costs, settings):
    crossings = generic_costs.crossings.model_copy(update={"tunnel_per_m": 0.5})
    settings = settings.model_copy(update={"conduits": settings.conduits.model_copy(update={"tunnels": True})})

    prices = route_prices(
        np.ones(1), np.ones(1), generic_costs.model_copy(update={"crossings": crossings}), settings
    )

    assert prices["tunnel_per_m"].tolist() == [0.5]


@pytest.mark.parametrize(("conduit", "expected_m"), [("canal", ([300.0], [50.0])), ("pipe", ([0.0], [350.0]))])
def test_a_way_that_is_all_pipe_has_its_canal_as_pipe_too(conduit, expected_m, generic_costs, settings):
    lengths_m = dict.fromkeys(("conduit_length_m", "headrace_length_m"), 350.0)
    lengths_m |= {"canal_length_m": 300.0, "penstock_length_m": 50.0}
    ground = dict.fromkeys(("bench_m", "cut_m2", "cut_m3", "aqueduct_length_m", "tunnel_length_m"), 0.0)
    stretches = pd.DataFrame([{**lengths_m, **ground, "crossings": 0, "road_crossings": 0}])

    works = conduit_works(
        stretches, np.full(1, 8.0), generic_costs, with_costs(settings, energy={"conduit": conduit})
    )

    assert (works.canal_m.tolist(), works.penstock_m.tolist()) == expected_m


def test_the_search_takes_cuts_and_aqueducts_as_one_for_both_go_with_the_perimeter():
    works = ConduitWorks(*(np.array([float(2**place)]) for place in range(8)))

    # Canal, penstock, bench, cut and aqueduct, and what no more is known of.
    assert works.for_search.tolist() == [[1.0, 2.0, 4.0, 8.0 + 16.0, 128.0]]


def test_interest_during_construction_is_that_of_many_small_payments():
    # A hundred thousand payments over three years, each with its growth to commissioning.
    times = (np.arange(100_000) + 0.5) / 100_000 * 3.0

    assert construction_interest_factor(0.07, 3.0) == pytest.approx((1.07**times).mean(), rel=1e-9)
    assert construction_interest_factor(0.0, 3.0) == construction_interest_factor(0.07, 0.0) == 1.0


def with_fee(costs, **fee):
    operation = costs.operation.model_dump() | {"water_fee": fee | {"source": "an example"}}
    return CostFile.model_validate(costs.model_dump() | {"operation": operation})


def test_a_water_fee_adds_its_three_parts_and_says_what_it_lacks(generic_costs):
    fee = with_fee(generic_costs, per_kw=2.0, per_kwh=0.01, per_m3=0.001).operation.water_fee

    # 36 MWh at 100 kW are 360 h of 2 m³/s: 2 592 000 m³.
    assert water_fee_per_year(fee, 100.0, 36_000.0, 2.0) == pytest.approx(200 + 360 + 2592)
    with pytest.raises(ValueError, match="needs the plant's energy and design flow"):
        water_fee_per_year(fee, 100.0)
    with pytest.raises(ValueError, match="needs the plant's power and energy"):
        yearly_cost(1e5, with_fee(generic_costs, per_m3=0.01).operation, 0.05, 40, flow_design_m3s=1.0)


BINS = 100
STRETCHES = pd.DataFrame(
    [
        {
            "intake": 0,
            "scheme_type": scheme,
            "head_m": 6.0,
            "conduit_length_m": 400.0 if scheme == "diversion" else 0.0,
            "pond_length_m": 0.0,
            "weir_height_m": 2.0,
            "has_fish_pass": True,
            "road_distance_m": 0.0,
            "line_distance_m": 100.0,
        }
        for scheme in ("at_barrier", "diversion", "new_weir")
    ]
)
CURVE = np.linspace(8.0, 0.2, BINS)[None]


@pytest.mark.parametrize("choose_by", ["net_value", "lcoe"])
def test_a_water_fee_lowers_the_value_and_the_search_knows_it(
    choose_by, generic_turbines, generic_costs, settings
):
    # A fee by m³ that depends on the head: the search must weigh it for each size as every size judged does.
    costs = with_fee(generic_costs, per_kw=4.0, per_kwh=0.004, per_m3=0.0004)
    by = {"design_by": "lcoe_per_kwh"} if choose_by == "lcoe" else {}
    coarse = with_costs(settings, energy={"design_exceedance_percent": [5.0, 50.0, 90.0], **by})
    every = with_costs(
        settings,
        energy={
            "design_exceedance_percent": [float(percent) for percent in range(5, 91)],
            "design_step_percent": 100.0,
            **by,
        },
    )
    free = value_stretches(STRETCHES, CURVE, 0 * CURVE, generic_turbines, generic_costs, coarse)

    found = value_stretches(STRETCHES, CURVE, 0 * CURVE, generic_turbines, costs, coarse)

    pd.testing.assert_frame_equal(
        found, value_stretches(STRETCHES, CURVE, 0 * CURVE, generic_turbines, costs, every), check_exact=True
    )
    assert (found["any_net_annual_value"] < free["any_net_annual_value"]).all()
    # The yearly cost in the LCOE is that of the plain function.
    kwh = 1000 * found["any_energy_mwh"]
    plant = found["any_power_kw"], kwh, found["any_flow_design_m3s"]
    yearly = yearly_cost(found["any_capital_cost"], costs.operation, 0.05, 40.0, *plant)
    np.testing.assert_allclose(found["any_lcoe_per_kwh"], yearly / kwh, rtol=1e-12)


COST_FILES = ("generic", "aggidis-2010", "oconnor-2015", "hall-2003")


# Capital of a class at a site by the kernel's own part, before shares on top.
def kernel_capital(table, number, costs, settings, scheme, conduit_m, head_m, units):
    prices = _search_record(search_prices(costs, settings), waterway(settings.energy))
    one = np.empty(1, dtype=CLASS)
    for name in CLASS.names:
        one[name] = getattr(table, name)[number]
    at_site = np.zeros(1, dtype=CLASS_AT_SITE)[0]
    law = project_laws(costs, [scheme], np.array([head_m]))[0]
    at_site["head"], at_site["conduit_m"] = head_m, conduit_m
    at_site["penstock_m"] = penstock_length_m(conduit_m, head_m, search_prices(costs, settings).works)
    at_site["canal_m"] = conduit_m - at_site["penstock_m"]
    names = ("project_law", "project_law_exponent", "second_law", "second_law_exponent")
    for name, value in zip(names, law, strict=True):
        at_site[name] = value
    record = _Attributes(at_site)
    _fill_class(record, units, _Attributes(one[0]), 0.8, _Attributes(prices))
    sizes = np.zeros((1, SIZE_TERMS))

    def capital(power, flow):
        fill_size(flow, 0, sizes, _Attributes(prices))
        return _capital_of(power, 0, sizes, record, _Attributes(prices))

    return capital


class _Attributes:
    """A record whose fields are attributes, as in a kernel."""

    def __init__(self, record):
        object.__setattr__(self, "_record", record)

    def __getattr__(self, name):
        return self._record[name]

    def __setattr__(self, name, value):
        self._record[name] = value


# A file of costs is read once for all examples.
costs_of = functools.cache(read_costs)


@how(max_examples=120, deadline=None)
@given(data=st.data())
def test_capital_never_falls_with_design_flow_or_power(data, repository, generic_turbines, all_settings):
    # The bounds of the search depend on it: no plant of an interval costs less than its smallest one.
    costs = costs_of(repository / "config" / "costs" / f"{data.draw(st.sampled_from(COST_FILES))}.toml")
    energy = {
        "conduit": data.draw(st.sampled_from(["canal", "pipe"])),
        "canal_slope": data.draw(st.sampled_from([0.0, 1e-3])),
    }
    settings = with_costs(all_settings, energy, ground=data.draw(st.sampled_from(["earth", "mixed", "rock"])))
    table = turbine_table(generic_turbines)
    number = data.draw(st.integers(0, len(generic_turbines) - 1))
    scheme = data.draw(st.sampled_from(["at_barrier", "diversion", "new_weir"]))
    conduit_m = data.draw(st.floats(0.0, 3000.0)) if scheme == "diversion" else 0.0
    capital = kernel_capital(
        table,
        number,
        costs,
        settings,
        scheme,
        conduit_m,
        data.draw(st.floats(0.3, 200.0)),
        data.draw(st.integers(1, 4)),
    )
    power, flow = data.draw(st.floats(0.0, 5000.0)), data.draw(st.floats(1e-4, 60.0))
    more_power, more_flow = power + data.draw(st.floats(0.0, 1000.0)), flow + data.draw(st.floats(0.0, 20.0))

    assert capital(power, flow) <= capital(more_power, flow) * (1 + 1e-12)
    assert capital(power, flow) <= capital(power, more_flow) * (1 + 1e-12)
    assert math.isfinite(capital(more_power, more_flow))


@pytest.fixture(scope="module")
def all_settings():
    """Settings of a run, shared by all examples."""
    dem = {"path": "dem.tif", "vertical_unit": "metre", "vertical_datum": "any", "error_rmse_m": 1.0}
    return check_settings(
        {
            "run": {"name": "an invented valley", "crs": "EPSG:32633", "output_folder": "out"},
            "inputs": {"dem": dem},
            "flows": {"equations": ["equations.toml"], "environmental": [{"kind": "share_of_mean", "share": 0.1}]},
            "energy": {"turbines": ["turbines.toml"]},
            "costs": {"file": "costs.toml", "price_per_kwh": 0.15},
        },
        "test",
    )


@pytest.mark.parametrize("tunnels", [True, False])
def test_what_has_no_price_is_not_built_through_or_torn_down(tunnels, generic_costs, settings):
    free = generic_costs.crossings.model_copy(update={"tunnel_per_m": 0.0, "per_building": 0.0})
    priced = generic_costs.crossings.model_copy(update={"tunnel_per_m": 900.0, "per_building": 7000.0})
    settings = settings.model_copy(update={"conduits": settings.conduits.model_copy(update={"tunnels": tunnels})})

    def prices(crossings):
        costs = generic_costs.model_copy(update={"crossings": crossings})
        found = route_prices(np.array([1.0, 4.0]), np.array([5.0, 5.0]), costs, settings)
        return works_numbers(costs, settings).tunnel_per_m, found

    unpriced, without = prices(free)
    per_m, found = prices(priced)

    assert (unpriced, per_m) == (np.inf, 900.0)
    assert without["tunnel_per_m"].tolist() == without["per_building"].tolist() == [np.inf, np.inf]
    assert found["tunnel_per_m"].tolist() == ([900.0] * 2 if tunnels else [np.inf] * 2)
    assert found["per_building"].tolist() == [7000.0] * 2
    # A bench is half as wide again for twice the width, a cut as wide as it: four times the flow is 4^(3/8).
    wider = 4.0**0.375
    assert found["bench_per_m"][1] == pytest.approx(wider**2 * found["bench_per_m"][0])
    assert found["cut_per_m2"][1] == pytest.approx(wider * found["cut_per_m2"][0])
    assert found["bench_per_m"][0] == pytest.approx(
        found["cut_per_m2"][0] ** 2 / (2.0 * found["cut_per_m3"][0]), rel=1e-9
    )
    # No aqueduct is cheaper than the canal that it carries.
    assert (found["aqueduct_per_m"] >= found["canal_per_m"]).all()
