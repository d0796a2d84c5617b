"""GPX files: held against the published rules, read back by GDAL, and safe whatever streams are called.

D. Foster and others, GPX 1.1 schema, http://www.topografix.com/GPX/1/1/gpx.xsd, 2004 (read in a public copy): the
children of each element and their order, which attributes must be there, and their ranges, are typed in from it.
"""

import xml.etree.ElementTree as ElementTree

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely

from sitefinder.delivery.exchange import write_gpx

CRS = "EPSG:32633"
SPACE = "{http://www.topografix.com/GPX/1/1}"
# fmt: off
POINT = [
    "ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type", "fix", "sat",
    "hdop", "vdop", "pdop", "ageofdgpsdata", "dgpsid", "extensions",
]
# What may stand in each element, in this order (complex types gpxType, metadataType, wptType, rteType).
CHILDREN = {
    "gpx": ["metadata", "wpt", "rte", "trk", "extensions"],
    "metadata": ["name", "desc", "author", "copyright", "link", "time", "keywords", "bounds", "extensions"],
    "wpt": POINT,
    "rtept": POINT,
    "rte": ["name", "cmt", "desc", "src", "link", "number", "type", "extensions", "rtept"],
}
# fmt: on
MANY = {"wpt", "rte", "trk", "rtept", "link"}


def layers(streams):
    count = len(streams)
    x_m, y_m = 500_000.25 + 1000.0 * np.arange(count), np.full(count, 5_400_000.5)
    lines = [
        shapely.LineString([(x, y), (x + 60.0, y - 80.0), (x + 90.0, y - 80.0)])
        for x, y in zip(x_m, y_m, strict=True)
    ]
    turn = pyproj.Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform
    intake_lon, intake_lat = turn(x_m, y_m)
    lon, lat = turn(x_m + 90.0, y_m - 80.0)
    ids = [f"A{number}" for number in range(count)]
    sites = pd.DataFrame(
        {
            "site_id": ids,
            # The best last, so that order by rank shows.
            "rank": np.arange(count, 0, -1),
            "stream": streams,
            "scheme_type": "at_barrier",
            "head_m": 2.345,
            "head_se_m": 0.125,
            "turbine": "Screw & rack",
            "power_kw": 45.67,
            "verdict": "open",
            "flags": "",
            "lon": lon,
            "lat": lat,
            "intake_lon": intake_lon,
            "intake_lat": intake_lat,
        }
    )
    alternative = shapely.LineString([(0.0, 0.0), (1.0, 1.0)])
    stretches = geopandas.GeoDataFrame({"site_id": [*ids, ""]}, geometry=[*lines, alternative], crs=CRS)
    return sites, stretches


@pytest.fixture
def written(tmp_path):
    def write(streams=("Ardelm", None, "Tarrin")):
        sites, stretches = layers(list(streams))
        write_gpx(tmp_path / "sites.gpx", sites, stretches, "Sample district", "1.2")
        return tmp_path / "sites.gpx", sites

    return write


# What breaks the rules, in words.
def problems_of(root):
    found = []
    if root.tag != f"{SPACE}gpx" or root.get("version") != "1.1" or not root.get("creator"):
        found.append("root")
    for element in root.iter():
        tag = element.tag.removeprefix(SPACE)
        names = [child.tag.removeprefix(SPACE) for child in element]
        allowed = CHILDREN.get(tag, [])
        found += [f"{name} in {tag}" for name in names if name not in allowed]
        known = [allowed.index(name) for name in names if name in allowed]
        if known != sorted(known):
            found.append(f"order in {tag}")
        found += [f"{name} twice in {tag}" for name in set(names) - MANY if names.count(name) > 1]
        if tag in ("wpt", "rtept"):
            latitude, longitude = float(element.get("lat", "nan")), float(element.get("lon", "nan"))
            # Types latitudeType and longitudeType: 180 itself is not in.
            if not (-90 <= latitude <= 90 and -180 <= longitude < 180):
                found.append(f"place of {tag}")
        if tag == "number" and int(element.text) < 0:
            found.append("number")
    return found


def test_the_published_rules_are_kept(written):
    path, _ = written()

    assert path.read_bytes().startswith(b'<?xml version="1.0" encoding="UTF-8"?>\n')
    root = ElementTree.parse(path).getroot()
    assert problems_of(root) == []
    assert [child.tag.removeprefix(SPACE) for child in root] == ["metadata"] + ["wpt"] * 6 + ["rte"] * 3


def test_the_rules_would_find_it(written):
    path, _ = written()
    root = ElementTree.parse(path).getroot()
    point = root.find(f"{SPACE}wpt")
    point.append(point[0])
    point.set("lat", "91")
    ElementTree.SubElement(root, f"{SPACE}metadata")

    assert problems_of(root) == ["order in gpx", "metadata twice in gpx", "order in wpt", "name twice in wpt"] + [
        "place of wpt"
    ]


def test_gdal_reads_the_places_of_the_sites(written):
    path, sites = written()
    ranked = sites.sort_values("rank")

    points = pyogrio.read_dataframe(path, layer="waypoints")

    assert points["name"].tolist() == ["S01T", "S01I", "S02T", "S02I", "S03T", "S03I"]
    assert points.crs == "EPSG:4326"
    tailraces, intakes = points[0::2].geometry, points[1::2].geometry
    # Half of the last digit that is written.
    for found, column in ((tailraces.x, "lon"), (tailraces.y, "lat")):
        assert np.abs(found.to_numpy() - ranked[column].to_numpy()).max() <= 0.5000001e-7
    for found, column in ((intakes.x, "intake_lon"), (intakes.y, "intake_lat")):
        assert np.abs(found.to_numpy() - ranked[column].to_numpy()).max() <= 0.5000001e-7


def test_gdal_reads_a_route_for_each_site_from_intake_to_tailrace(written):
    path, _ = written()

    routes = pyogrio.read_dataframe(path, layer="routes")
    points = pyogrio.read_dataframe(path, layer="waypoints")

    assert routes["name"].tolist() == ["S01", "S02", "S03"]
    assert routes["number"].tolist() == [1, 2, 3]
    for number, line in enumerate(routes.geometry):
        assert shapely.get_num_points(line) == 3
        assert shapely.get_point(line, 0).equals(points.geometry[2 * number + 1])
        assert shapely.get_point(line, -1).equals(points.geometry[2 * number])
        # Lengths on the ellipsoid; the map's scale at its middle is 0.9996.
        assert pyproj.Geod(ellps="WGS84").geometry_length(line) == pytest.approx(130.0 / 0.9996, rel=2e-4)


def test_names_are_short_and_unique_also_of_thousands(written):
    path, _ = written([None] * 1001)

    names = pyogrio.read_dataframe(path, layer="waypoints")["name"]

    assert names.is_unique
    assert names.str.len().max() <= 10
    assert names.tolist() == sorted(names, key=lambda name: (name[:-1], name[-1] == "I"))


def test_cautions_are_in_the_file_and_in_every_description(written):
    path, _ = written()
    root = ElementTree.parse(path).getroot()

    for text in [root.find(f"{SPACE}metadata/{SPACE}desc"), *root.iterfind(f"{SPACE}wpt/{SPACE}desc")]:
        assert "Screening, not design." in text.text
    assert "Moving water kills" in root.find(f"{SPACE}metadata/{SPACE}desc").text


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("<script>alert(1)</script>", "<script>alert(1)</script>"),
        ("=cmd()", "=cmd()"),
        ("a & b ]]> \"c\" 'd'", "a & b ]]> \"c\" 'd'"),
        ("bell\x07 and escape\x1b", "bell\ufffd and escape\ufffd"),
        ("Šumná 河 نهر", "Šumná 河 نهر"),
        ("n" * 300, "n" * 300),
    ],
)
def test_any_name_comes_out_as_text(written, name, expected):
    path, _ = written([name])

    root = ElementTree.parse(path).getroot()

    assert problems_of(root) == []
    assert f"A0, {expected}, at barrier" in root.find(f"{SPACE}wpt/{SPACE}desc").text
    assert expected in pyogrio.read_dataframe(path, layer="waypoints")["desc"][0]


def test_no_site_gives_a_file_that_can_be_read(written):
    path, _ = written([])

    assert problems_of(ElementTree.parse(path).getroot()) == []
