"""Sites and tables for other programs: GPX, CSV and cloud-optimised GeoTIFF."""

import xml.etree.ElementTree as ElementTree

import numpy as np
import pyproj
import shapely

from sitefinder import __version__
from sitefinder.delivery.metadata import add, xml_text
from sitefinder.io import raster_library as rasterio
from sitefinder.io.crs import LONGITUDE_LATITUDE
from sitefinder.report.handover import TablesOf
from sitefinder.schema.arrays import records_of
from sitefinder.schema.wording import SAFETY, SCREENING

NAMESPACE = "http://www.topografix.com/GPX/1/1"
# One centimetre; more digits would be false precision.
DECIMALS = 7
TAILRACE, INTAKE = "T", "I"


def write_gpx(path, sites, stretches, title, version=""):
    """Write the ranked sites as GPX 1.1.

    Parameters
    ----------
    path : path-like
    sites : DataFrame
        Layer ``sites``: two waypoints each, named by rank, such as S01T (tailrace) and S01I (intake).
    stretches : GeoDataFrame
        Layer ``stretches``: that of each site becomes a route, such as S01, from intake to tailrace.
    title : str
        Of the inventory.
    version : str
        Of sitefinder.

    Notes
    -----
    Names are unique and short, for receivers that store ten characters or fewer; most also store comment,
    description and type. There is no time stamp, so that the same sites give the same file.
    """
    root = ElementTree.Element(
        "gpx", {"version": "1.1", "creator": f"sitefinder {version}".rstrip(), "xmlns": NAMESPACE}
    )
    about = add(root, "metadata")
    add(about, "name", title or "Low-head hydropower sites")
    add(
        about,
        "desc",
        f"Tailraces ({TAILRACE}), intakes ({INTAKE}) and stretches of ranked sites. "
        + " ".join((SCREENING, *SAFETY)),
    )
    ordered = records_of(sites.sort_values("rank", kind="stable"))
    names = _names(ordered)
    for site, name in zip(ordered, names, strict=True):
        _add_point(root, "wpt", site["lon"], site["lat"], name + TAILRACE, "tailrace", site)
        _add_point(root, "wpt", site["intake_lon"], site["intake_lat"], name + INTAKE, "intake", site)
    lines = _lines(stretches)
    for number, (site, name) in enumerate(zip(ordered, names, strict=True), start=1):
        route = add(root, "rte")
        add(route, "name", name)
        add(route, "cmt", _comment("stretch", site))
        add(route, "desc", _description(site))
        add(route, "number", number)
        for longitude, latitude in _ended(lines[site["site_id"]], site):
            add(route, "rtept", lat=_degrees(latitude), lon=_degrees(longitude))
    with open(path, "w", encoding="utf-8", newline="") as file:
        file.write(xml_text(root))


# As many digits as the highest rank needs, at least two, so that receivers sort by rank.
def _names(ordered):
    digits = max(2, len(str(max((site["rank"] for site in ordered), default=0))))
    return [f"S{site['rank']:0{digits}d}" for site in ordered]


def _add_point(root, tag, longitude, latitude, name, what, site):
    point = add(root, tag, lat=_degrees(latitude), lon=_degrees(longitude))
    add(point, "name", name)
    add(point, "cmt", _comment(what, site))
    add(point, "desc", _description(site))
    add(point, "type", what)


def _degrees(value):
    return f"{value:.{DECIMALS}f}"


# For a small screen.
def _comment(what, site):
    return f"{what}, rank {site['rank']}, {site['head_m']:.2f} m, {site['power_kw']:.3g} kW"


def _description(site):
    stream = site["stream"] if isinstance(site["stream"], str) and site["stream"] else "stream without a name"
    parts = [
        f"{site['site_id']}, {stream}, {site['scheme_type'].replace('_', ' ')}",
        f"head {site['head_m']:.2f} m, standard error {site['head_se_m']:.2f} m",
        f"{site['turbine']}, {site['power_kw']:.3g} kW",
        f"verdict {site['verdict']}",
    ]
    if site["flags"]:
        parts.append(f"flags: {site['flags']}")
    return "; ".join(parts) + ". " + SCREENING


# Vertices of the stretches of sites in degrees, by site.
def _lines(stretches):
    chosen = stretches[(stretches["site_id"] != "").to_numpy()]
    if not len(chosen):
        return {}
    to_degrees = pyproj.Transformer.from_crs(chosen.crs, LONGITUDE_LATITUDE, always_xy=True)
    turned = shapely.transform(chosen.geometry.to_numpy(), to_degrees.transform, interleaved=False)
    return {site: shapely.get_coordinates(line) for site, line in zip(chosen["site_id"], turned, strict=True)}


# The ends of a route are the waypoints of its site to the last digit.
def _ended(places, site):
    ends = np.array([[site["intake_lon"], site["intake_lat"]], [site["lon"], site["lat"]]])
    return np.vstack([ends[:1], places[1:-1], ends[1:]])


# First characters of a cell that a spreadsheet would take for a formula (Open Worldwide Application Security
# Project, "CSV Injection", from memory).
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
AS_TEXT = "'"
MUST_BE_QUOTED = (",", '"', "\n", "\r")


def write_csv(path, table):
    """Write a table as CSV (RFC 4180, but for lines that end in LF), in UTF-8, without its geometry.

    Parameters
    ----------
    path : path-like
    table : DataFrame or GeoDataFrame
        Checked. Numbers have as many digits as are needed to read the same number back; unknown values are
        empty. A text that a spreadsheet would take for a formula gets an apostrophe before it, which
        marks it as text.
    """
    columns = [name for name in table.columns if name != "geometry"]
    lines = [",".join(columns)]
    cells = [_cells(table[name]) for name in columns]
    lines += [",".join(row) for row in zip(*cells, strict=True)]
    with open(path, "w", encoding="utf-8", newline="") as file:
        file.write("\n".join(lines) + "\n")


def _cells(values):
    missing = values.isna().to_numpy(dtype=bool)
    return ["" if gap else _cell(value) for gap, value in zip(missing, values.to_numpy(dtype=object), strict=True)]


def _cell(value):
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if isinstance(value, str):
        text = AS_TEXT + value if value.startswith(FORMULA_STARTS) else value
        return '"' + text.replace('"', '""') + '"' if any(sign in text for sign in MUST_BE_QUOTED) else text
    return repr(value.item() if isinstance(value, np.generic) else value)


# One thread, so that blocks lie in the same order each time.
CLOUD_OPTIMISED = {
    "driver": "COG",
    "compress": "DEFLATE",
    "level": "6",
    "blocksize": "512",
    "num_threads": "1",
    "bigtiff": "IF_SAFER",
}
UNKNOWN_SHADE = 0


def write_dem_copy(path, dem_path):
    """Write the DEM as the run used it: on the run's grid, in metres, lakes level and small holes filled.

    Parameters
    ----------
    path : path-like
    dem_path : path-like
        The run's own copy.
    """
    rasterio.shutil.copy(dem_path, path, predictor="YES", overview_resampling="AVERAGE", **CLOUD_OPTIMISED)


def write_relief(path, relief, crs):
    """Write the shaded relief under the maps.

    Parameters
    ----------
    path : path-like
    relief : sitefinder.steps.terrain.Relief
        Shades of 0 become 1, since 0 means no data.
    crs : object
        Coordinate system of the run.
    """
    shade = np.where(relief.known, np.maximum(relief.shade, UNKNOWN_SHADE + 1), UNKNOWN_SHADE).astype(np.uint8)
    rows, columns = shade.shape
    west_m, south_m, east_m, north_m = relief.bounds_m
    width_m, height_m = (east_m - west_m) / columns, (north_m - south_m) / rows
    profile = {
        "driver": "GTiff",
        "width": columns,
        "height": rows,
        "count": 1,
        "dtype": "uint8",
        "crs": crs,
        "transform": rasterio.Affine(width_m, 0, west_m, 0, -height_m, north_m),
        "nodata": UNKNOWN_SHADE,
    }
    with rasterio.io.MemoryFile() as memory:
        with memory.open(**profile) as raster:
            raster.write(shade, 1)
        with memory.open() as raster:
            rasterio.shutil.copy(raster, path, overview_resampling="AVERAGE", **CLOUD_OPTIMISED)


def make_gpx(settings, made, scratch):
    """Waypoints and routes of the sites.

    Returns
    -------
    Path
    """
    path = scratch / "sites.gpx"
    tables = TablesOf(made)
    write_gpx(path, tables["sites"], tables["stretches"], title=settings.run.name, version=__version__)
    return path


def make_csv(made, scratch):
    """The one table of the stage, as CSV.

    Returns
    -------
    Path
    """
    ((name, table),) = TablesOf(made).items()
    path = scratch / f"{name}.csv"
    write_csv(path, table)
    return path


def make_dem_copy(made, scratch):
    """The DEM on the run's grid.

    Returns
    -------
    Path
    """
    path = scratch / "terrain-dem.tif"
    write_dem_copy(path, made["surface"].dem_path)
    return path


def make_relief_copy(settings, made, scratch):
    """The shaded relief under the maps.

    Returns
    -------
    Path
    """
    path = scratch / "terrain-relief.tif"
    write_relief(path, made["relief"], settings.run.crs)
    return path
