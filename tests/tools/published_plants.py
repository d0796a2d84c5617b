"""Published plants, worked examples and whole-project costs, and what the functions of a run make of their inputs.

`PLANTS` and `PROJECTS` hold what was published, each with its source and whether it was read there. Heads are
taken as what acts on the turbine, so losses at rack, gates and outlet are none; `built` can have them. Turbines
and costs are the shipped files. A plant is built for its published design flow, or where none is published for its
installed capacity; so free choices of turbine and size take no part in a comparison.

Read means read in an excerpt of a stored copy of the page, not on the live page.
"""

import functools
from pathlib import Path
from typing import NamedTuple

import geopandas
import numpy as np
import pandas as pd
import rasterio
import shapely
from scipy.optimize import brentq

import sitefinder
from sitefinder.energy.hydraulics import water_depths
from sitefinder.energy.valuation import turbine_options
from sitefinder.hydrology.duration_curve import BIN_EXCEEDANCE, curves_from_quantiles, exceedance_at
from sitefinder.hydrology.environmental_flow import environmental_flow_by_bin
from sitefinder.io.catalogue_files import read_costs, read_turbine_files
from sitefinder.settings import check_settings

CONFIG = Path(__file__).resolve().parents[2] / "config"
KAPLAN, SCREW = "Kaplan turbine", "Archimedes screw"
USUAL_LOSSES = {"rack_and_gate_loss_m": 0.15, "exit_loss_m": 0.05}
NOTHING_STAYS = {"kind": "share_of_mean", "share": 0.0}
# What a weir without a path of its own for fish, near road and line, is taken to need; no source states them.
PLACE = {
    "intake": 0,
    "tailrace": 0,
    "scheme_type": "at_barrier",
    "conduit_length_m": 0.0,
    "pond_length_m": 0.0,
    "weir_height_m": 0.0,
    "has_fish_pass": False,
    "road_distance_m": 100.0,
    "line_distance_m": 100.0,
}


class Flow(NamedTuple):
    """The flow of a plant's river [m³/s]: quantiles by the share of time that they are exceeded [%], and mean."""

    quantile_m3s: dict
    mean_m3s: float | None
    source: str
    environmental: dict = NOTHING_STAYS


class Plant(NamedTuple):
    """A plant as published; None where a figure was not."""

    name: str
    turbine: str
    head_m: float
    flow_design_m3s: float | None
    power_kw: float | None
    energy_mwh: float | None
    source: str
    flow: Flow | None = None


class Project(NamedTuple):
    """The cost of a whole project as published, and its plant."""

    plant: Plant
    cost: float
    currency: str
    year: int
    source: str


FISH_FORUM = "Forum Fischschutz und Fischabstieg of the German Environment Agency, page on the site; read"
THAMES_RECORD = "quantiles of the National River Flow Archive, from memory"

OSNEY = Plant(
    "Osney Lock, Thames",
    SCREW,
    1.7,
    4.0,
    47.8,
    179.0,
    "West Oxford Community Renewables (wocore.org.uk), technical details; read",
    Flow(
        {10: 37.0, 50: 8.0, 70: 4.0, 95: 1.4},
        14.5,
        f"Thames at Farmoor: {THAMES_RECORD}; it runs from 5.5 m³/s there, page on performance, read",
        # 5.5 m³/s less what a screw needs to start, 0.15 of its design flow.
        {"kind": "hands_off", "hands_off_m3s": 4.9, "take_share": 1.0},
    ),
)
# Generation from April to March, from 2016/17 to 2024/25: the same owner's page on performance; read. In 2015/16
# it ran for part of the year.
OSNEY_YEARS_MWH = (225.137, 124.891, 194.330, 125.761, 170.882, 244.000, 104.901, 124.578, 67.279)
CAVERSHAM = Plant(
    "Caversham Weir, Thames",
    SCREW,
    1.4,
    None,
    46.0,
    320.0,
    "Reading Hydro (readinghydro.org), technical summary; read",
    Flow(
        {10: 86.0, 50: 25.0, 70: 15.0, 95: 7.0},
        37.0,
        f"mean flow in the same place, read; shape of the Thames at Reading: {THAMES_RECORD}",
        {"kind": "exceedance_flow", "exceedance_percent": 95},
    ),
)
ROMNEY = Plant(
    "Romney Weir, Thames",
    SCREW,
    2.0,
    20.0,
    300.0,
    1400.0,
    "owner's page on the project, read; head: as restated in a boaters' forum, read",
    Flow(
        {10: 132.0, 50: 40.0, 70: 25.0, 95: 14.5},
        59.0,
        f"Thames at Royal Windsor Park: {THAMES_RECORD}",
        {"kind": "exceedance_flow", "exceedance_percent": 95},
    ),
)
FRENSHAM = Plant(
    "Frensham Mill, Wey",
    SCREW,
    1.5,
    1.0,
    11.0,
    70.0,
    "frenshammill.org, a worked estimate of its power; read",
    Flow(
        {10: 2.7, 66: 1.0, 95: 0.5},
        None,
        "1 m³/s is exceeded 66 % of the year, read; the rest after the Wey at Tilford, from memory",
    ),
)
RAPPENBERGHALDE = Plant(
    "Rappenberghalde, Neckar",
    KAPLAN,
    7.5,
    22.0,
    1400.0,
    7000.0,
    "forum-fischschutz.de after the utility's press release of 13 February 2014; read. The utility's page of 2019 "
    "has 1500 kW and 6.7 GWh",
    Flow({10: 44.0, 50: 14.0, 70: 10.0, 95: 6.0}, 21.0, "Neckar above Tübingen, from memory"),
)
NECKARWERK = Plant(
    "Neckarwerk Tübingen, Neckar",
    KAPLAN,
    4.3,
    None,
    600.0,
    2700.0,
    "encyclopedia page on the plant; read",
    Flow({10: 48.0, 50: 15.5, 70: 11.0, 95: 6.5}, 23.0, "Neckar at Tübingen, from memory"),
)
# 250 km², 1.25 m of rain a year of which 70 % run off; 8 % of 30 m are lost. The file says that the answer printed
# in the book is wrong, so power and energy are derived, with 0.90 for the turbine and 0.95 for the generator.
TEXTBOOK_FLOW_M3S = 250e6 * 1.25 * 0.70 / (8760 * 3600)
TEXTBOOK_KW = 9.81 * TEXTBOOK_FLOW_M3S * 30.0 * 0.92 * 0.90 * 0.95
TEXTBOOK = Plant(
    "textbook example 2.12",
    KAPLAN,
    30.0 * 0.92,
    TEXTBOOK_FLOW_M3S,
    TEXTBOOK_KW,
    TEXTBOOK_KW * 8.76,
    "a textbook of power plant engineering, example 2.12; inputs read in its companion files, book 3733 of "
    "FOSSEE/Scilab-TBC-Uploads",
    Flow({1: TEXTBOOK_FLOW_M3S, 99: TEXTBOOK_FLOW_M3S}, TEXTBOOK_FLOW_M3S, "steady, from rain and area; read"),
)
BAIERBRUNN = Plant("Baierbrunn, Isar", KAPLAN, 4.0, 14.5, 450.0, None, FISH_FORUM)
PLANTS = (
    OSNEY,
    CAVERSHAM,
    ROMNEY,
    FRENSHAM,
    RAPPENBERGHALDE,
    NECKARWERK,
    TEXTBOOK,
    BAIERBRUNN,
    Plant("Lindesmühle, Fränkische Saale", KAPLAN, 3.34, 10.8, 280.0, None, FISH_FORUM),
    Plant("Eixendorf II, Schwarzach", KAPLAN, 5.0, 4.5, 190.0, None, FISH_FORUM),
    Plant("Baiersdorf-Wellerstadt, Regnitz", KAPLAN, 2.3, 32.0, 648.0, None, FISH_FORUM),
)
MAULBURG = Plant(
    "Maulburg, Wiese", SCREW, 3.4, 8.0, None, 1000.0, "owner's press release in a newspaper, August 2017; read"
)
SETTLE = Plant(
    "Settle, Ribble", SCREW, 2.2, None, 50.0, 165.0, "Yorkshire Forward, case study, read; head from memory"
)
# Its head is derived from 45 kW at 2 to 3 m³/s with an efficiency of 0.8.
YBBSITZ = Plant(
    "Am Wöhr, Ybbs",
    KAPLAN,
    2.3,
    None,
    90.0,
    400.0,
    "noen.at, July 2020, after the mayor, read; head derived from the mean power and flow there",
)
PROJECTS = (
    Project(CAVERSHAM, 1_150_000, "GBP", 2021, "waterpowermagazine.com, news of 2021; read"),
    Project(SETTLE, 415_000, "GBP", 2009, "Local Government Association (local.gov.uk), case study; read"),
    Project(ROMNEY, 1_700_000, "GBP", 2011, "waterpowermagazine.com, news of 2011; read"),
    Project(MAULBURG, 1_500_000, "EUR", 2017, MAULBURG.source),
    Project(YBBSITZ, 950_000, "EUR", 2020, YBBSITZ.source),
    Project(BAIERBRUNN, 4_000_000, "EUR", 2017, "sueddeutsche.de, 4 March 2018, after the owner; read"),
)
# Euro reference rates, yearly means, European Central Bank: pounds a euro; from memory.
POUNDS_A_EURO = {2009: 0.8909, 2011: 0.8679, 2021: 0.8596}


@functools.cache
def shipped():
    """The shipped turbines and costs.

    Returns
    -------
    list of TurbineClass
    CostFile
    """
    turbines = read_turbine_files([CONFIG / "turbines" / "generic.toml"]).turbines
    return turbines, read_costs(CONFIG / "costs" / "generic.toml")


def settings_of(plant, **energy):
    """Settings of a run with the plant's environmental flow; the rest is as shipped but for losses of head.

    Parameters
    ----------
    plant : Plant
    **energy
        Of the section energy, in place of no losses.

    Returns
    -------
    sitefinder.settings.Settings
    """
    dem = {"path": "dem.tif", "vertical_unit": "metre", "vertical_datum": "none", "error_rmse_m": 1.0}
    no_losses = {"rack_and_gate_loss_m": 0.0, "exit_loss_m": 0.0}
    return check_settings(
        {
            "run": {"name": "published plants", "crs": "EPSG:32633", "output_folder": "out"},
            "inputs": {"dem": dem},
            "flows": {
                "equations": ["none.toml"],
                "environmental": [plant.flow.environmental if plant.flow else NOTHING_STAYS],
            },
            "energy": {"turbines": ["generic.toml"]} | no_losses | energy,
            "costs": {"file": "generic.toml", "price_per_kwh": 0.28},
        },
        "published plants",
    )


def curve_of(plant, flow_design_m3s):
    """Duration curve of the plant's river and its mean flow, as a run makes them of quantiles.

    Parameters
    ----------
    plant : Plant
    flow_design_m3s : float
        Always there where the river's flow is not known [m³/s].

    Returns
    -------
    ndarray of float64, shape (1, bins)
        [m³/s]
    ndarray of float64, shape (1,)
        [m³/s]
    """
    if plant.flow is None:
        steady = np.full((1, BIN_EXCEEDANCE.size), flow_design_m3s)
        return steady, steady.mean(axis=1)
    percent, flow_m3s = zip(*sorted(plant.flow.quantile_m3s.items()), strict=True)
    curve_m3s = curves_from_quantiles(percent, [flow_m3s]).curve_m3s
    mean_m3s = curve_m3s.mean(axis=1) if plant.flow.mean_m3s is None else np.array([plant.flow.mean_m3s])
    return curve_m3s * (mean_m3s / curve_m3s.mean(axis=1))[:, None], mean_m3s


def run_of(plant, folder):
    """A whole run, from a DEM to tables, of a made valley with the plant's head and flow.

    Parameters
    ----------
    plant : Plant
        With its flow and design flow published.
    folder : Path
        Where the region is written.

    Returns
    -------
    sitefinder.Inventory
    """
    return sitefinder.run(write_weir(folder, plant))


def built(plant, **energy):
    """The plant as a run would have it: its own class of turbine, at the published design flow or capacity.

    Parameters
    ----------
    plant : Plant
    **energy
        Of the section energy of the settings.

    Returns
    -------
    Series
        A row of `sitefinder.energy.valuation.turbine_options`.
    """
    settings = settings_of(plant, **energy)
    turbines, costs = shipped()
    own = [turbine for turbine in turbines if turbine.name == plant.turbine]
    stretches = pd.DataFrame([PLACE | {"head_m": plant.head_m}])

    def at(flow_m3s):
        curve_m3s, mean_m3s = curve_of(plant, flow_m3s)
        left_m3s = environmental_flow_by_bin(curve_m3s, mean_m3s, settings.flows.environmental)
        depths = water_depths(curve_m3s, BIN_EXCEEDANCE, mean_m3s, settings.tailwater)
        usable_m3s = np.maximum(curve_m3s - left_m3s, 0.0)[0]
        one_size = {"design_exceedance_percent": [_percent(usable_m3s, flow_m3s)], "design_step_percent": 100.0}
        sized = settings.model_copy(update={"energy": settings.energy.model_copy(update=one_size)})
        return turbine_options(stretches, curve_m3s, left_m3s, own, costs, sized, depths).iloc[0]

    if plant.flow_design_m3s is not None:
        return at(plant.flow_design_m3s)
    about_m3s = plant.power_kw / (9.81 * plant.head_m)
    return at(brentq(lambda flow: at(flow)["power_kw"] - plant.power_kw, about_m3s, 2.0 * about_m3s, rtol=1e-4))


# Share of time that a usable flow is exceeded [%]; of a steady flow the middle.
def _percent(usable_m3s, flow_m3s):
    steady = np.isclose(usable_m3s, flow_m3s, rtol=1e-9)
    share = BIN_EXCEEDANCE[steady].mean() if steady.any() else exceedance_at(BIN_EXCEEDANCE, usable_m3s, flow_m3s)
    return 100.0 * float(share)


def plant_table():
    """Published beside computed, a row for each of `PLANTS`.

    Returns
    -------
    DataFrame
        ``name``, ``head_m``, ``flow_design_m3s``, ``power_kw``, ``energy_mwh`` (published, NaN where not),
        ``our_flow_m3s``, ``our_power_kw``, ``our_energy_mwh`` (NaN where the river's flow is not known),
        ``energy_with_losses_mwh`` (with the default losses of head), ``power_ratio``, ``energy_ratio`` (ours over
        published; power NaN where the plant was sized to it), ``source`` and ``flow_source``.
    """
    rows = []
    for plant in PLANTS:
        found = built(plant)
        usual = built(plant._replace(flow_design_m3s=found["flow_design_m3s"]), **USUAL_LOSSES)
        known = plant.flow is not None
        rows.append(
            {
                "name": plant.name,
                "head_m": plant.head_m,
                "flow_design_m3s": plant.flow_design_m3s,
                "power_kw": plant.power_kw,
                "energy_mwh": plant.energy_mwh,
                "our_flow_m3s": found["flow_design_m3s"],
                "our_power_kw": found["power_kw"],
                "our_energy_mwh": found["energy_mwh"] if known else np.nan,
                "energy_with_losses_mwh": usual["energy_mwh"] if known else np.nan,
                "source": plant.source,
                "flow_source": plant.flow.source if known else "not published",
            }
        )
    table = pd.DataFrame(rows).astype({"flow_design_m3s": float, "energy_mwh": float})
    table["power_ratio"] = (table["our_power_kw"] / table["power_kw"]).where(table["flow_design_m3s"].notna())
    table["energy_ratio"] = table["our_energy_mwh"] / table["energy_mwh"]
    return table


def project_table():
    """Published cost of whole projects beside the capital of the shipped costs, a row for each of `PROJECTS`.

    Returns
    -------
    DataFrame
        ``name``, ``head_m``, ``power_kw`` (published, or ours where it was not), ``published`` (as text),
        ``published_cost`` and ``our_cost`` in the money of the cost file, ``ratio`` (ours over published),
        ``source``.
    """
    _, costs = shipped()
    prices, rows = costs.price_index.by_year, []
    for project in PROJECTS:
        plant, cost = project.plant, project.cost
        euros = cost / POUNDS_A_EURO[project.year] if project.currency == "GBP" else cost
        # Where only the cost is of interest the plant is built for the design flow, or the capacity.
        found = built(plant)
        published = euros * prices[costs.year] / prices[project.year]
        rows.append(
            {
                "name": plant.name,
                "head_m": plant.head_m,
                "power_kw": plant.power_kw or found["power_kw"],
                "published": f"{cost:,} {project.currency} of {project.year}",
                "published_cost": published,
                "our_cost": found["capital_cost"],
                "ratio": found["capital_cost"] / published,
                "source": project.source,
            }
        )
    return pd.DataFrame(rows)


WEST, NORTH, CELL_M, CRS = 500_000.0, 5_000_000.0, 10.0, "EPSG:32633"


def write_weir(folder, plant):
    """A made valley with one weir that has the plant's head and its river's flow, for a whole run.

    Parameters
    ----------
    folder : Path
    plant : Plant
        With its flow and design flow published.

    Returns
    -------
    Path
        The settings. The DEM and the mapped weir show the head; equations that hardly depend on area give the
        flow; turbines and costs are the shipped files, and the settings those of `settings_of`.
    """
    rows, columns = 11, 61
    bed_m = 200.0 - 0.001 * np.arange(columns) - np.where(np.arange(columns) >= 33, plant.head_m, 0.0)
    elevation_m = (bed_m + 10.0 * np.abs(np.arange(rows) - rows // 2)[:, None]).astype(np.float32)
    with rasterio.open(
        folder / "dem.tif",
        "w",
        driver="GTiff",
        count=1,
        dtype="float32",
        crs=CRS,
        height=rows,
        width=columns,
        transform=rasterio.Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH),
    ) as raster:
        raster.write(elevation_m, 1)
    middle = NORTH - rows / 2 * CELL_M
    line = shapely.LineString([(WEST + 3.0, middle), (WEST + 603.0, middle)])
    streams = geopandas.GeoDataFrame({"id": ["1"], "name": [plant.name]}, geometry=[line], crs=CRS)
    streams.to_file(folder / "layers.gpkg", layer="streams", driver="GPKG")
    weir = {"kind": ["weir"], "drop_m": [plant.head_m], "drop_error_m": [0.01], "fish_pass": [False]}
    weirs = geopandas.GeoDataFrame(weir, geometry=[shapely.Point(WEST + 330.0, middle)], crs=CRS)
    weirs.to_file(folder / "layers.gpkg", layer="structures", driver="GPKG")
    curve_m3s, mean_m3s = curve_of(plant, plant.flow_design_m3s)
    left_m3s = environmental_flow_by_bin(curve_m3s, mean_m3s, settings_of(plant).flows.environmental)
    usable_m3s = np.maximum(curve_m3s - left_m3s, 0.0)[0]
    percent = _percent(usable_m3s, plant.flow_design_m3s)
    statistics = {"mean": float(mean_m3s[0])}
    statistics |= {f"exceedance_{share}": flow for share, flow in plant.flow.quantile_m3s.items()}
    # A power of 0.001 of the area, which is some hundredths of a square kilometre, is all but one.
    equations = "".join(
        f"""
[[equations]]
statistic = "{name}"
form = "log10"
factor = {flow / 0.033**0.001!r}
standard_error_log10 = 0.01

[[equations.predictors]]
name = "area"
unit = "km2"
coefficient = 0.001
minimum = 0.001
maximum = 1.0
"""
        for name, flow in statistics.items()
    )
    head = 'source = "published plant"\ntable = "none"\nflow_unit = "m3s"\ngauges = 60\n'
    (folder / "equations.toml").write_text(head + equations, encoding="utf-8")
    environmental = "\n".join(f"{key} = {value!r}" for key, value in plant.flow.environmental.items())
    (folder / "run.toml").write_text(
        f"""
[run]
name = "{plant.name}"
crs = "{CRS}"
output_folder = "out"

[delivery]
page = false
field_sheets = 0
district_map = false
gpx = false
csv = false
field_form = false
gis_project = false

[inputs.dem]
path = "dem.tif"
vertical_unit = "metre"
vertical_datum = "none"
error_rmse_m = 0.05

[inputs.streams]
path = "layers.gpkg"
layer = "streams"
id_column = "id"
name_column = "name"

[inputs.structures]
path = "layers.gpkg"
layer = "structures"

[network]
station_spacing_m = 50.0
reach_length_m = 600.0

[terrain]
edge_is_divide = true

[flows]
equations = ["equations.toml"]

[[flows.environmental]]
{environmental}

[stretches]
scheme_types = ["at_barrier"]
max_head_m = {1.1 * plant.head_m!r}

[energy]
turbines = ["{(CONFIG / "turbines" / "generic.toml").as_posix()}"]
rack_and_gate_loss_m = 0.0
exit_loss_m = 0.0
design_exceedance_percent = [{percent!r}]

[costs]
file = "{(CONFIG / "costs" / "generic.toml").as_posix()}"
price_per_kwh = 1.0

[uncertainty]
simulations = 200
""",
        encoding="utf-8",
    )
    return folder / "run.toml"
