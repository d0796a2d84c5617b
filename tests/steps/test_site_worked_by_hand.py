"""One site worked by hand, from the cells of a DEM to the cost of a kilowatt-hour, against the delivered file.

Every number below is plain arithmetic on the cells laid out here and on the five files in ``by_hand``, one step a
line with its unit; nothing of the package takes part in it. The formulas are those of textbooks:
P = rho · g · Q · H · eta, and r / (1 - (1 + r)^-n) for the yearly payment of a capital. The place is invented.
"""

import itertools
import json
import math
from pathlib import Path
from statistics import NormalDist, fmean
from types import SimpleNamespace

import numpy as np
import numpy_financial
import pytest
import shapely
from partial_run import tables_of
from pyproj import Transformer

from sitefinder.energy.hydraulics import kinematic_viscosity_m2_s
from sitefinder.running import run_and_deliver

FILES = Path(__file__).parent / "by_hand"
CRS = "EPSG:32633"
WEST, NORTH, CELL = 500_000.0, 5_000_000.0, 10.0  # m
# A straight valley to the east: 11 rows, 61 columns; the stream runs along row 5. Its bed falls 1/16 m from column
# to column, and 2.5 m more between columns 32 and 33. The sides rise 10 m from row to row, so steeply that every
# cell drains straight across to the stream.
ROWS, COLUMNS, STREAM_ROW, STEP_COLUMN = 11, 61, 5, 33
FALL, STEP, SIDE = 1 / 16, 2.5, 10.0  # m
# The stream begins 3 m inside the first column, so stations (every 50 m) stand 3 m inside each fifth column.
BEGIN, SPACING = 3.0, 50.0  # m
ROAD_NORTH, LINE_NORTH, SETTLEMENT_NORTH = 40.0, 45.0, 55.0  # m north of the stream


def bed(column):
    """Elevation of the stream cell of a column [m]."""
    return 200.0 - FALL * column - (STEP if column >= STEP_COLUMN else 0.0)


@pytest.fixture(scope="module")
def run_valley(tmp_path_factory, write_region):
    """A function that runs the valley, with more in the settings if given, whole or for some tables alone."""

    def made(more_in_costs="", more="", is_sure=True, as_run=run_and_deliver):
        folder = tmp_path_factory.mktemp("by_hand")
        write_valley(folder, write_region)
        if is_sure:
            # Flows that hardly err, so that the expected energy is that at the expected flow, which is worked
            # here.
            equations = (folder / "equations.toml").read_text(encoding="utf-8")
            sure = equations.replace("standard_error_log10 = 0.1", "standard_error_log10 = 1e-9")
            (folder / "equations.toml").write_text(sure, encoding="utf-8")
        settings = (folder / "run.toml").read_text(encoding="utf-8")
        settings = settings.replace("[costs]\n", f"[costs]\n{more_in_costs}") + more
        if is_sure:
            settings = settings.replace("[uncertainty]\n", "[uncertainty]\nefficiency_sd = 0.0\ncost_sd = 0.0\n")
        (folder / "run.toml").write_text(settings, encoding="utf-8")
        return as_run(folder / "run.toml")

    return made


@pytest.fixture(scope="module")
def delivered(run_valley, read_layers):
    """The layers of a run on the valley, as the GeoPackage holds them."""
    return read_layers(run_valley().path)


def write_valley(folder, write_region):
    """The valley's DEM, layers and files."""
    elevation = np.array(
        [[bed(column) + SIDE * abs(row - STREAM_ROW) for column in range(COLUMNS)] for row in range(ROWS)]
    )
    middle = NORTH - (STREAM_ROW + 0.5) * CELL
    east = WEST + BEGIN + 12 * SPACING
    layers = {
        "streams": shapely.LineString([(WEST + BEGIN, middle), (east, middle)]),
        "roads": shapely.LineString([(WEST, middle + ROAD_NORTH), (east, middle + ROAD_NORTH)]),
        "power_lines": shapely.LineString([(WEST, middle + LINE_NORTH), (east, middle + LINE_NORTH)]),
        "migration": shapely.box(WEST, middle - 5, east, middle + 5),
        "settlements": shapely.Point(WEST + BEGIN + 7 * SPACING, middle + SETTLEMENT_NORTH),
    }
    texts = {path.name: path.read_text(encoding="utf-8") for path in FILES.glob("*.toml")}
    write_region(folder, elevation, (WEST, NORTH), CELL, layers, texts)


# Straight between points, as on graph paper.
def between(points, at):
    for (left, low), (right, high) in itertools.pairwise(points):
        if left <= at <= right:
            return low + (high - low) * (at - left) / (right - left)
    raise ValueError(at)


# Engineering 5 %, contingency 10 %, and 4 % interest on capital that is spent evenly over two years.
ON_TOP = 1.05 * 1.1 * (1.04**2 - 1) / (2 * math.log(1.04))


def worked():
    """The site's numbers by hand; names as the delivered columns, and some steps between."""
    n = SimpleNamespace()

    # Heads. A station reads the lowest cell across the stream, which is the stream's own. Stations 6 and 7 stand
    # in columns 30 and 35, above and below the step; the bed falls all the way, so the profile is the bed itself.
    n.head_m = bed(30) - bed(35)  # m: 5 columns of 1/16 m and the step of 2.5 m
    n.tailrace_level_m = bed(35)  # m
    n.length_m = SPACING  # m
    # Only this pair of neighbours has 2.6 m or more, so it is the only candidate.
    n.conduit_length_m = 1.15 * SPACING  # m: a canal is taken to be 15 % longer than the chord
    n.pond_length_m = 0.0  # m

    # Catchment of the intake. The cell of a station has 3 m of stream above it and 7 m below, so it belongs to the
    # piece below; columns 0 to 29 drain to station 6.
    cells = 30 * ROWS
    n.area_km2 = cells * CELL * CELL / 1e6  # km²

    # Flow at the intake.
    n.flow_mean_m3s = 50.0 * n.area_km2  # m³/s
    z10 = NormalDist().inv_cdf(0.9)  # normal quantile of the flow exceeded 10 % of the time
    log_sd = math.log(96.0 / 6.0) / (2 * z10)  # slope of log flow between the two quantiles
    median = math.sqrt(96.0 * 6.0) * n.area_km2  # m³/s: halfway between them, at 50 %
    exceeded = [(bin + 0.5) / 200 for bin in range(200)]  # 200 bins of equal time
    curve = [median * math.exp(log_sd * NormalDist().inv_cdf(1 - share)) for share in exceeded]
    factor = n.flow_mean_m3s / fmean(curve)  # the curve is brought to the mean flow
    curve = [factor * flow for flow in curve]  # m³/s
    z95 = NormalDist().inv_cdf(0.95)
    n.flow_q95_m3s = factor * median * math.exp(-log_sd * z95)  # m³/s

    # Environmental flow: the greater of 15 % of the mean and the flow exceeded 95 % of the time, or all of it.
    kept = max(0.15 * n.flow_mean_m3s, n.flow_q95_m3s)  # m³/s
    environmental_flow = [min(kept, flow) for flow in curve]
    n.environmental_flow_m3s = fmean(environmental_flow)
    usable = [flow - stays for flow, stays in zip(curve, environmental_flow, strict=True)]  # m³/s

    # Net head: less the fall of the canal, which ends a metre for each metre of head before the powerhouse, the
    # rack and the outlet.
    net = n.head_m - 0.001 * (n.conduit_length_m - n.head_m) - 0.15 - 0.05  # m

    # Design flow: usable flow exceeded 30 % of the time, halfway between the bins at 29.75 and 30.25 %.
    n.flow_design_m3s = (usable[59] + usable[60]) / 2  # m³/s
    kw_per_m3s = 1000 * 9.80665 * net / 1000  # kW of 1 m³/s: rho g H
    n.efficiency_design = 0.84 * 0.9  # efficiency at full flow, and generator
    # The penstock, of 0.3 mm roughness, takes some of it: by Darcy and Weisbach, with the friction factor of
    # Swamee and Jain for water of 10 °C, and one velocity head for its inlet, bends and outlet.
    bore = math.sqrt(n.flow_design_m3s / 1.5 * 4 / math.pi)  # m: at 1.5 m/s
    viscosity = kinematic_viscosity_m2_s(10.0)  # m²/s
    friction = 0.25 / math.log10(0.0003 / bore / 3.7 + 5.74 / (1.5 * bore / viscosity) ** 0.9) ** 2
    loss = (friction * n.head_m / bore + 1.0) * 1.5**2 / (2 * 9.80665)  # m, at the design flow
    n.power_kw = kw_per_m3s * n.flow_design_m3s * n.efficiency_design * (net - loss) / net  # kW

    # Power bin by bin: the turbine stands still below a fifth of the design flow. Its efficiency is straight
    # between the points of its file.
    power = []
    for flow in usable:
        used = min(flow, n.flow_design_m3s)  # m³/s
        relative = used / n.flow_design_m3s
        points = [(0.2, 0.5), (0.6, 0.8), (1.0, 0.84)]
        efficiency = between(points, relative) if relative >= 0.2 else 0.0
        left = (net - loss * relative**2) / net  # the loss goes with the square of the flow
        power.append(kw_per_m3s * used * efficiency * 0.9 * left)  # kW
    n.energy_mwh = fmean(power) * 0.9 * 8760 / 1000  # MWh: availability 0.9, hours of a year
    n.power_mean_kw = n.energy_mwh * 1000 / 8760
    n.capacity_factor = n.energy_mwh * 1000 / (n.power_kw * 8760)
    # The water: what the turbine takes while it is ready, what stays by the rules, and the rest.
    taken = [min(flow, n.flow_design_m3s) for flow in usable]
    taken = [flow if flow >= 0.2 * n.flow_design_m3s else 0.0 for flow in taken]
    n.used_share = 0.9 * fmean(taken) / n.flow_mean_m3s
    n.environmental_flow_share = n.environmental_flow_m3s / n.flow_mean_m3s
    n.spilled_share = 1 - n.used_share - n.environmental_flow_share
    # Exceeded 95 % of the time: halfway between the tenth and eleventh smallest of 200.
    n.firm_power_kw = (sorted(power)[9] + sorted(power)[10]) / 2  # kW

    # Capital, part by part [EUR]. Fish migrate here and the wheel alone kills a fifth of them: it is screened.
    turbine = 10000 * n.power_kw**0.8 * net**-0.3
    powerhouse = 1.5 * 20000 * n.flow_design_m3s**0.6 * net**0.3
    intake = 7000 * n.flow_design_m3s**0.5
    # The last metre for each metre of head is penstock; handling sets its wall at so little pressure.
    wall = (bore + 0.508) / 400  # m
    assert wall > 1000 * 9.80665 * net * 1.3 * bore / (2 * 100e6) + 0.001
    penstock = net * (4 * 7850 * math.pi * bore * wall + 200 * bore)
    # A canal of the shape of half a hexagon: area √3 y², hydraulic radius y / 2, perimeter 2 √3 y.
    depth = (n.flow_design_m3s * 0.02 * 2 ** (2 / 3) / (math.sqrt(3) * math.sqrt(0.001))) ** (3 / 8)  # m
    per_m = 1.5 * math.sqrt(3) * depth**2 * 20 + 1.25 * 2 * math.sqrt(3) * depth * 40 + 30
    canal = per_m * (n.conduit_length_m - net) + 100 * 50 * n.flow_design_m3s + 3000 * n.flow_design_m3s**0.5
    transformer = 500 * n.power_kw**0.5
    # Half a metre of weir, with its gate at 700 and its fish pass at 1 per metre of height.
    low_weir = 1000 * 4 * n.flow_mean_m3s**0.5 * 0.5 + 700 * 0.5
    fish_pass = 1 * 0.5
    land = 2 * (100 + 5 * n.conduit_length_m)
    screen = 8000 + 4000 * n.flow_design_m3s / 0.5  # area is flow over approach velocity
    road = 1000 + 20 * ROAD_NORTH
    line = 2000 + 30 * LINE_NORTH
    permits = 9000
    works = turbine + powerhouse + intake + penstock + canal + transformer + low_weir + fish_pass + land
    n.capital_cost = ON_TOP * (works + screen + road + line + permits)

    # The year's cost [EUR]: capital over 30 years at 4 %, an overhaul of 8 % after 15 years, operation.
    recovery = 0.04 / (1 - 1.04**-30)
    yearly = recovery * n.capital_cost * (1 + 0.08 * 1.04**-15) + max(0.02 * n.capital_cost, 500)
    # The fee for the water: by power, by energy, and by the water that the energy takes at full flow.
    cubic_metres = n.energy_mwh * 1000 * 3600 * n.flow_design_m3s / n.power_kw
    yearly += 3 * n.power_kw + 0.002 * n.energy_mwh * 1000 + 0.0001 * cubic_metres
    n.lcoe_per_kwh = yearly / (n.energy_mwh * 1000)  # EUR/kWh
    n.net_annual_value = 0.99 * 0.25 * n.energy_mwh * 1000 - yearly  # EUR: the plant consumes a hundredth
    n.specific_cost_per_kw = n.capital_cost / n.power_kw
    n.annual_revenue = 0.99 * 0.25 * n.energy_mwh * 1000
    n.annual_operating_cost = yearly - recovery * n.capital_cost * (1 + 0.08 * 1.04**-15)
    n.overhaul_cost = 0.08 * n.capital_cost
    # Thirty years of surplus at 4 %, one by one, less capital and the overhaul after 15 years.
    surplus = n.annual_revenue - n.annual_operating_cost
    n.npv = sum(surplus / 1.04**year for year in range(1, 31)) - n.capital_cost - n.overhaul_cost / 1.04**15
    n.break_even_price_per_kwh = yearly / (0.99 * n.energy_mwh * 1000)
    n.solar_lcoe_per_kwh = (1000 * 0.04 / (1 - 1.04**-25) + 15) / 1100  # EUR/kWh
    # Solar gives power in half of the hours; what the site gives beyond them goes through storage that holds
    # 1.25 days of it, of which 0.8 may be drawn, and comes back at 0.9.
    n.operating_fraction = 0.9 * sum(each > 0 for each in power) / len(power)
    stored = 1 - 0.5 / n.operating_fraction
    storage_year = 200 * 0.04 / (1 - 1.04**-12)  # EUR a year for a kWh of capacity
    n.solar_firm_lcoe_per_kwh = (1 - stored + stored / 0.9) * n.solar_lcoe_per_kwh
    n.solar_firm_lcoe_per_kwh += stored * 1.25 / 0.8 * storage_year / 365  # EUR/kWh
    n.lcoe_minus_solar_per_kwh = n.lcoe_per_kwh - n.solar_firm_lcoe_per_kwh
    # What of a demand of 20 kW all the year is covered; used further down.
    n.served_kw = 0.9 * fmean(min(each, 20.0) for each in power)
    n.road_distance_m, n.line_distance_m = ROAD_NORTH, LINE_NORTH
    n.score = n.net_annual_value
    return vars(n)


BY_HAND = worked()
SERVED_KW = BY_HAND.pop("served_kw")


def test_the_numbers_by_hand_are_those_of_a_plausible_small_plant():
    # A guard of the arithmetic itself: head and area are known outright, and nothing is degenerate.
    assert BY_HAND["head_m"] == 2.8125
    assert BY_HAND["area_km2"] == 0.033
    assert BY_HAND["flow_mean_m3s"] == pytest.approx(1.65)
    assert 0 < BY_HAND["flow_q95_m3s"] < 0.15 * 1.65
    assert 0.1 < BY_HAND["capacity_factor"] < 0.9
    assert 0.5 < BY_HAND["operating_fraction"] < 0.9
    assert BY_HAND["net_annual_value"] > 0


def test_there_is_one_site_at_the_step(delivered):
    site = delivered["sites"].iloc[0]

    assert len(delivered["sites"]) == 1
    assert (site["site_id"], site["stream"], site["reach_id"]) == ("B1@350/diversion", "Plain Brook", "B1@300")
    assert (site["scheme_type"], site["turbine"], site["units"], site["rank"]) == (
        "diversion",
        "plain wheel",
        1,
        1,
    )
    assert (site["verdict"], site["reasons"]) == ("restricted", "migration")
    # The cost law is for 100 kW and more. The reserve asks for the flow exceeded 95 % of the time; the last
    # quantile that has an equation is 90 %.
    assert BY_HAND["power_kw"] < 100
    # 22 gauges are fewer than 25. The catchment has 330 cells, fewer than 500, and the stream falls 2.8 m in 50 m,
    # more than 5 %.
    assert site["flags"].split("; ") == [
        "cost_extrapolated",
        "catchment_coarse",
        "flow_regression_weak",
        "curve_extended",
        "depleted_shallow",
        "steep_stream",
    ]
    assert bool(site["fish_safe"])
    assert bool(site["screened"])
    assert bool(site["mark_fish_safe_only"])
    assert site["prob_in_top_n"] == 1.0


@pytest.mark.parametrize("column", BY_HAND)
def test_the_delivered_number_is_the_one_worked_by_hand(delivered, column):
    # The 32-bit DEM holds sixteenths exactly, so nothing is rounded on the way but doubles.
    assert delivered["sites"][column].item() == pytest.approx(BY_HAND[column], rel=1e-9, abs=1e-12)


def test_a_lender_s_figures_follow_from_the_columns_of_the_delivery_alone(delivered):
    # Year by year, with numpy-financial's irr (1.0.0).
    site, total = delivered["sites"].iloc[0], delivered["totals"].iloc[0]
    settings = delivered["provenance"].query("kind == 'setting'").set_index("name")["value"]
    rate, years = float(settings["costs.discount_rate"]), int(float(settings["costs.lifetime_years"]))
    flows = np.full(years + 1, site["annual_revenue"] - site["annual_operating_cost"])
    flows[0] = -site["capital_cost"]
    flows[years // 2] -= site["overhaul_cost"]
    discounted = np.cumsum(flows / (1 + rate) ** np.arange(years + 1))

    assert site["npv"] == pytest.approx(discounted[-1], rel=1e-9)
    assert site["irr_percent"] == pytest.approx(100 * numpy_financial.irr(flows), rel=1e-6)
    # Paid back within the year at whose end the sum is positive for good.
    assert math.ceil(site["discounted_payback_years"]) == np.flatnonzero(discounted < 0)[-1] + 1
    for name in ("npv", "irr_percent", "discounted_payback_years", "capital_cost"):
        assert total[name] == pytest.approx(site[name], rel=1e-9), name


def test_the_parts_of_capital_add_up(delivered):
    costs = delivered["site_costs"].set_index("part")["cost"]

    assert costs.sum() == pytest.approx(BY_HAND["capital_cost"], rel=1e-9)
    assert costs["road"] == pytest.approx(1000 + 20 * ROAD_NORTH)
    assert costs["land"] == pytest.approx(2 * (100 + 5 * BY_HAND["conduit_length_m"]))
    assert costs["engineering"] == pytest.approx(0.05 * (costs.sum() / ON_TOP))
    assert "weir" not in costs
    assert "intake_weir" in costs


def test_the_site_at_other_prices(delivered):
    prices = delivered["sites_by_price"].set_index("price_factor")
    annuity = (1 - 1.04**-30) / 0.04
    npv = BY_HAND["npv"] + (prices.index.to_numpy() - 1) * annuity * BY_HAND["annual_revenue"]

    assert prices.index.tolist() == [0.5, 0.75, 1.0, 1.25, 1.5, 2.0]
    assert prices["price_per_kwh"].tolist() == pytest.approx([0.25 * factor for factor in prices.index])
    assert prices["npv_of_all"].tolist() == pytest.approx(npv.tolist())
    assert prices["sites"].tolist() == (npv > 0).astype(int).tolist()
    assert 0 < prices["sites"].sum() < len(prices)
    assert prices["energy_mwh"].tolist() == pytest.approx((BY_HAND["energy_mwh"] * (npv > 0)).tolist())
    assert prices["npv"].tolist() == pytest.approx((npv * (npv > 0)).tolist())


def test_the_error_of_the_head_lies_by_the_error_of_the_dem(delivered):
    # Two independent cells of 0.1 m would give 0.1·√2; errors alike over 100 m and 50 m apart give less. A third
    # of a cell along the stream adds what the bed falls on it; 15 % are for steps and spikes that nobody sees.
    alike = math.exp(-50.0 / 100.0)
    expected = 1.15 * math.hypot(0.1, FALL / 3) * math.sqrt(2 * (1 - alike))
    # Standard error of a standard deviation of 64 draws is 9 %; three of them.
    assert delivered["sites"]["head_se_m"].item() == pytest.approx(expected, rel=0.27)


def test_mean_annual_energy_lies_between_its_p90_and_p10(delivered):
    site = delivered["sites"].iloc[0]

    assert site["energy_mwh_p90"] < BY_HAND["energy_mwh"] < site["energy_mwh_p10"]


def test_the_site_is_at_its_tailrace_and_its_stretch_reaches_up_to_the_intake(delivered):
    y = NORTH - (STREAM_ROW + 0.5) * CELL
    intake, tailrace = (WEST + BEGIN + SPACING * number for number in (6, 7))
    into = Transformer.from_crs(CRS, "OGC:CRS84", always_xy=True)
    site, stretch = delivered["sites"].iloc[0], delivered["stretches"].iloc[0]

    assert site.geometry.equals(shapely.Point(tailrace, y))
    assert (site["lon"], site["lat"]) == pytest.approx(into.transform(tailrace, y), abs=1e-9)
    assert (site["intake_lon"], site["intake_lat"]) == pytest.approx(into.transform(intake, y), abs=1e-9)
    assert len(delivered["stretches"]) == 1
    assert shapely.get_coordinates(stretch.geometry).tolist() == [[intake, y], [tailrace, y]]
    assert (stretch["intake_to_outlet_m"], stretch["tailrace_to_outlet_m"]) == pytest.approx((300.0, 250.0))


def test_the_catchment_is_drawn_as_the_thirty_columns_above_the_intake(delivered):
    ground = delivered["catchments"].geometry.item()

    assert ground.equals(shapely.box(WEST, NORTH - ROWS * CELL, WEST + 30 * CELL, NORTH))


def test_the_reach_has_the_whole_valley(run_valley):
    delivered = run_valley(is_sure=False, as_run=lambda path: tables_of(path, "reaches"))
    reach = delivered["reaches"].iloc[0]
    area = ROWS * COLUMNS * CELL * CELL / 1e6  # km²: all cells drain to the end of the stream
    head = bed(0) - bed(60)  # m
    flow = 50.0 * area  # m³/s
    # Student's t for 22 gauges less 2 coefficients, 90 % two-sided: 1.725 (any table of the distribution,
    # from memory), printed to three decimals.
    high = flow * 10 ** (1.725 * 0.1)

    assert len(delivered["reaches"]) == 1
    assert reach["area_km2"] == pytest.approx(area)
    assert reach["head_m"] == pytest.approx(head)
    assert reach["slope"] == pytest.approx(head / 600.0)
    assert reach["flow_mean_m3s"] == pytest.approx(flow)
    assert reach["flow_mean_high_m3s"] == pytest.approx(high, rel=0.0005 * 0.1 * math.log(10))
    assert reach["theoretical_kw"] == pytest.approx(9.80665 * flow * head)
    assert reach["power_density_kw_per_km"] == pytest.approx(9.80665 * flow * head / 0.6)
    assert (reach["rejection_reason"], reach["verdict"]) == ("", "restricted")


def test_the_duration_curve_of_the_site_is_lognormal_through_both_quantiles(delivered):
    curve = delivered["flow_curves"].set_index("exceedance_percent")
    flow = curve["flow_m3s"]

    # The ratio of the two regressed quantiles is kept, whatever the scaling to the mean.
    assert flow[10.0] / flow[90.0] == pytest.approx(96.0 / 6.0, rel=1e-9)
    assert flow[50.0] == pytest.approx(math.sqrt(flow[10.0] * flow[90.0]), rel=1e-9)
    kept = max(0.15 * BY_HAND["flow_mean_m3s"], BY_HAND["flow_q95_m3s"])
    assert curve["environmental_flow_m3s"].to_list() == pytest.approx(np.minimum(kept, flow).to_list())


def test_both_turbine_options_are_listed_and_the_screened_one_is_chosen(delivered):
    options = delivered["turbine_options"]

    notes = json.loads(
        options[["turbine", "screened", "fish_safe", "survival", "chosen"]].to_json(orient="values")
    )
    assert notes == [["plain wheel", False, False, 0.8, False], ["plain wheel", True, True, 0.97, True]]
    # Without screen and bypass the plant is cheaper by them and the shares on top.
    screen = ON_TOP * (8000 + 4000 * BY_HAND["flow_design_m3s"] / 0.5)
    assert options["capital_cost"].to_list() == pytest.approx(
        [BY_HAND["capital_cost"] - screen, BY_HAND["capital_cost"]]
    )


@pytest.fixture(scope="module")
def off_grid(run_valley):
    """The site of a run whose line leads to the settlement beside it, and whose owner uses some energy."""
    own_use = "own_use_price_per_kwh = 0.40\nown_use_share = 0.5\nown_use_kwh_per_year = 30000\n"
    settlements = '[inputs.settlements]\npath = "layers.gpkg"\nlayer = "settlements"\nname_column = "name"\n'
    served = '[off_grid]\ndemand_column = "homes"\nkwh_per_unit = 4380\nbeyond_m = 9.0\n'
    more_in_costs, more = f'connection = "settlement"\n{own_use}', f"\n{settlements}\n{served}"
    return run_valley(more_in_costs, more, as_run=lambda path: tables_of(path, "sites"))["sites"].iloc[0]


def test_the_line_to_the_settlement_is_paid_in_place_of_that_to_the_grid(off_grid):
    # Ten metres more at 30 EUR, and the shares on top.
    assert off_grid["settlement_distance_m"] == pytest.approx(SETTLEMENT_NORTH)
    assert off_grid["capital_cost"] == pytest.approx(BY_HAND["capital_cost"] + ON_TOP * 30 * 10, rel=1e-9)


def test_own_use_is_valued_at_its_own_price_up_to_its_limit(off_grid):
    kwh = 1000 * BY_HAND["energy_mwh"]
    sold = 0.99 * kwh
    own = min(0.5 * sold, 30_000)

    yearly = off_grid["lcoe_per_kwh"] * kwh
    assert off_grid["net_annual_value"] == pytest.approx(0.25 * (sold - own) + 0.40 * own - yearly, rel=1e-9)


def test_what_the_site_does_for_the_settlement(off_grid):
    # Forty homes of 4380 kWh need 20 kW all the year.
    assert off_grid["settlement"] == "Plain Brook"
    assert off_grid["settlement_demand_mwh"] == pytest.approx(175.2)
    assert off_grid["firm_share_of_demand"] == pytest.approx(BY_HAND["firm_power_kw"] / 20)
    assert off_grid["demand_served_share"] == pytest.approx(SERVED_KW / 20)
    assert off_grid["diesel_displaced_l"] == pytest.approx(SERVED_KW * 8760 * 0.35)
