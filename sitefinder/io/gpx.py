"""Sites for hand-held receivers: GPX 1.1 with tailraces, intakes and stretches.

D. Foster and others, "GPX 1.1 Schema Documentation", 2004, http://www.topografix.com/GPX/1/1/.
"""

import xml.etree.ElementTree as ElementTree

import numpy as np
import pyproj
import shapely

from sitefinder.io.operations import LONGITUDE_LATITUDE
from sitefinder.io.xml_text import add, xml_text
from sitefinder.schema.cautions import SAFETY, SCREENING

NAMESPACE = "http://www.topografix.com/GPX/1/1"
# A centimetre; what `sites` has beyond that is no longer of the place.
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
    Names are unique and short, for receivers that keep ten letters or fewer; what else devices keep is comment,
    description and type. There is no time in it, so that the same sites give the same file.
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
    ordered = sites.sort_values("rank", kind="stable").to_dict("records")
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


# As many digits for all as the greatest rank needs, two at least, so that receivers sort them by rank.
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


# What fits on a small screen.
def _comment(what, site):
    return f"{what}, rank {site['rank']}, {site['head_m']:.2f} m, {site['power_kw']:.3g} kW"


def _description(site):
    stream = site["stream"] if isinstance(site["stream"], str) and site["stream"] else "stream without a name"
    parts = [
        f"{site['site_id']}, {stream}, {site['layout'].replace('_', ' ')}",
        f"head {site['head_m']:.2f} m, standard error {site['head_se_m']:.2f} m",
        f"{site['machine']}, {site['power_kw']:.3g} kW",
        f"verdict {site['verdict']}",
    ]
    if site["flags"]:
        parts.append(f"doubtful: {site['flags']}")
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
