"""Bad inputs, made by code: how each spoils the sound region, and what doing as its message says comes to."""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import rasterio
import shapely
from rasterio.shutil import copy
from region import (
    COLUMNS,
    CRS,
    DECISIONS,
    GAUGINGS,
    LEVELS,
    MIDDLE_M,
    NORTH_M,
    RATINGS,
    REPOSITORY,
    ROWS,
    SECTIONS,
    SPOT_GAUGINGS,
    VISITS,
    WEST_M,
    Region,
    observations,
)


class Case(NamedTuple):
    """A bad input.

    Attributes
    ----------
    name : str
        Also the name of its message in `messages/`.
    spoil : callable
        Takes the sound `Region`, and spoils it.
    mend : callable
        Takes the spoilt region, and does what the message says.
    """

    name: str
    spoil: Callable[[Region], object]
    mend: Callable[[Region], object]


def _rasters():
    ground = Region.elevation_m
    whole = lambda region: region.write_dem()  # noqa: E731

    def with_holes(value):
        def spoil(region):
            cells = ground(region)
            cells[10:20, 5:12] = cells[40:48, 28:36] = value
            region.write_dem(cells)

        return spoil

    def state_nodata(value):
        return lambda region: region.replace(
            "settings.toml", ('path = "dem.tif"', f'path = "dem.tif"\nnodata = {value}')
        )

    for value in (0, -1, 255, -999, 9999):
        yield Case(f"dem gaps of {value}", with_holes(value), state_nodata(value))
    for value in (-9999, -32768, -32767):
        spoil = with_holes(value)
        yield Case(
            f"dem gaps of {value} unmarked",
            lambda region, spoil=spoil: (spoil(region), _without_nodata(region, "dem.tif")),
            state_nodata(value),
        )
    yield Case("dem infinite", with_holes(-np.inf), whole)
    yield Case("dem all nodata", lambda region: region.write_dem(np.full((ROWS, COLUMNS), -9999.0)), whole)
    yield Case("dem all nan", lambda region: region.write_dem(np.full((ROWS, COLUMNS), np.nan)), whole)
    yield Case("dem in centimetres", lambda region: region.write_dem(100.0 * ground(region)), whole)
    yield Case("dem in millimetres", lambda region: region.write_dem(1000.0 * ground(region)), whole)
    yield Case(
        "dem of noise",
        lambda region: region.write_dem(
            np.random.default_rng(3).permutation(ground(region).ravel()).reshape(ROWS, COLUMNS)
        ),
        whole,
    )
    yield Case(
        "dem a picture",
        lambda region: region.write_dem(np.zeros((3, ROWS, COLUMNS)), dtype="uint8", nodata=None),
        whole,
    )
    yield Case(
        "dem complex",
        lambda region: region.write_dem(ground(region).astype("complex64"), dtype="complex64", nodata=None),
        whole,
    )
    yield Case("dem one row", lambda region: region.write_dem(ground(region)[:1]), whole)
    yield Case(
        "dem no crs",
        lambda region: region.write_dem(crs=None),
        lambda region: region.replace(
            "settings.toml", ('path = "dem.tif"', 'path = "dem.tif"\ncrs = "EPSG:32633"')
        ),
    )
    yield Case(
        "dem rotated",
        lambda region: region.write_dem(transform=rasterio.Affine(20.0, 5.0, WEST_M, 0.0, -20.0, NORTH_M)),
        whole,
    )
    yield Case(
        "dem upside down in its file",
        lambda region: region.write_dem(transform=rasterio.Affine(20.0, 0.0, WEST_M, 0.0, 20.0, NORTH_M)),
        whole,
    )
    yield Case("dem missing", lambda region: (region.folder / "dem.tif").unlink(), whole)
    yield Case("dem a text", lambda region: region.write("dem.tif", "no raster"), whole)
    yield Case("dem empty file", lambda region: region.write("dem.tif", b""), whole)
    yield Case(
        "dem cut off",
        lambda region: region.write("dem.tif", (region.folder / "dem.tif").read_bytes()[:2500]),
        whole,
    )
    yield Case(
        "dem in another place",
        lambda region: region.write_dem(transform=rasterio.Affine(20.0, 0.0, WEST_M + 1e5, 0.0, -20.0, NORTH_M)),
        whole,
    )
    yield Case(
        "dem a folder",
        lambda region: ((region.folder / "dem.tif").unlink(), (region.folder / "dem.tif").mkdir()),
        lambda region: ((region.folder / "dem.tif").rmdir(), region.write_dem()),
    )
    yield Case(
        "dem mosaic with a missing part",
        _mosaic,
        lambda region: region.replace("settings.toml", ("mosaic.vrt", "dem.tif")),
    )
    yield Case(
        "nodata that cells cannot hold",
        lambda region: (
            region.write_dem(dtype="uint8", nodata=None),
            region.replace("settings.toml", ('path = "dem.tif"', 'path = "dem.tif"\nnodata = -9999')),
        ),
        lambda region: region.replace("settings.toml", ("\nnodata = -9999", "")),
    )

    rain = lambda region: region.write_rain()  # noqa: E731
    plain = 1000.0 + np.zeros((8, 6))
    for value in (-9999, -32768, -32767):
        cells = plain.copy()
        cells[2, 3] = value
        yield Case(
            f"rain of {value} unmarked",
            lambda region, cells=cells: region.write_rain(cells, nodata=None),
            lambda region, value=value: region.replace(
                "settings.toml", ('path = "rain.tif"', f'path = "rain.tif"\nnodata = {value}')
            ),
        )
    for name, cells in {
        "rain zero": 0.0 * plain,
        "rain negative": plain - 1200.0,
        "rain infinite": np.where(np.eye(8, 6) > 0, np.inf, plain),
        "rain in tenths of a millimetre of a wet place": 20.0 * plain,
        "rain all nodata": 0.0 * plain - 9999.0,
    }.items():
        yield Case(name, lambda region, cells=cells: region.write_rain(cells), rain)
    yield Case(
        "rain elsewhere",
        lambda region: region.write_rain(
            transform=rasterio.Affine(200.0, 0.0, WEST_M + 1e6, 0.0, -200.0, NORTH_M)
        ),
        rain,
    )
    yield Case(
        "rain no crs",
        lambda region: region.write_rain(crs=None),
        lambda region: region.replace(
            "settings.toml", ('path = "rain.tif"', 'path = "rain.tif"\ncrs = "EPSG:32633"')
        ),
    )
    yield Case("rain missing", lambda region: (region.folder / "rain.tif").unlink(), rain)
    yield Case("rain of two bands", lambda region: region.write_rain(np.zeros((2, 8, 6))), rain)


def _without_nodata(region, name):
    with rasterio.open(region.folder / name, "r+") as raster:
        raster.nodata = None


def _mosaic(region):
    region.write_dem()
    copy(region.folder / "dem.tif", region.folder / "mosaic.vrt", driver="VRT")
    text = (region.folder / "mosaic.vrt").read_text(encoding="utf-8").replace("dem.tif", "gone.tif")
    region.write("mosaic.vrt", text)
    region.replace("settings.toml", ("dem.tif", "mosaic.vrt"))


def _layers():
    line = shapely.LineString([(MIDDLE_M, NORTH_M - 50.0), (MIDDLE_M, NORTH_M - 1150.0)])
    streams = lambda region: region.write_streams()  # noqa: E731
    layers = lambda region: region.write_layers()  # noqa: E731
    for name, spoilt in {
        "streams empty": {"geometry": []},
        "streams points": {"geometry": [shapely.Point(MIDDLE_M, NORTH_M - 100.0)]},
        "streams polygons": {"geometry": [line.buffer(5.0)]},
        "streams elsewhere": {"geometry": [shapely.affinity.translate(line, 1e5)]},
        "streams without crs": {"crs": None},
        "streams in degrees called metres": {"geometry": [shapely.LineString([(15.0, 45.0), (15.0, 45.1)])]},
        "streams with a coordinate that is no number": {"geometry": [_broken_line(np.nan)]},
        "streams with an infinite coordinate": {"geometry": [_broken_line(np.inf)]},
    }.items():
        yield Case(name, lambda region, spoilt=spoilt: region.write_streams(**spoilt), streams)
    yield Case("streams missing", lambda region: (region.folder / "streams.gpkg").unlink(), streams)
    yield Case("streams a text", lambda region: region.write("streams.gpkg", "no layer"), streams)
    yield Case(
        "streams cut off",
        lambda region: region.write("streams.gpkg", (region.folder / "streams.gpkg").read_bytes()[:9000]),
        streams,
    )
    yield Case("streams empty file", lambda region: region.write("streams.gpkg", b""), streams)
    reserve = [shapely.box(MIDDLE_M - 200.0, NORTH_M - 300.0, MIDDLE_M + 200.0, NORTH_M - 150.0)]
    away = [shapely.affinity.translate(reserve[0], 1e6)]
    knot = [shapely.Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])]
    for name, spoilt in {
        "structures as lines": {"structures": ([line], {"structure_id": ["W1"], "drop_m": [1.5]}, CRS)},
        "structures with a negative drop": {
            "structures": (
                [shapely.Point(MIDDLE_M, NORTH_M - 500.0)],
                {"structure_id": ["W1"], "drop_m": [-1.5]},
                CRS,
            )
        },
        "structures with a drop that is a text": {
            "structures": (
                [shapely.Point(MIDDLE_M, NORTH_M - 500.0)],
                {"structure_id": ["W1"], "drop_m": ["two"]},
                CRS,
            )
        },
        "structures with an id twice": {
            "structures": (
                [shapely.Point(MIDDLE_M, NORTH_M - 500.0), shapely.Point(MIDDLE_M, NORTH_M - 700.0)],
                {"structure_id": ["W1", "W1"], "drop_m": [1.5, 1.0]},
                CRS,
            )
        },
        "structures elsewhere": {
            "structures": (
                [shapely.Point(MIDDLE_M + 1e6, NORTH_M)],
                {"structure_id": ["W1"], "drop_m": [1.5]},
                CRS,
            )
        },
        "lakes as points": {"lakes": ([shapely.Point(MIDDLE_M, NORTH_M - 500.0)], {"name": ["Pond"]}, CRS)},
        "lakes empty": {"lakes": ([], {"name": []}, CRS)},
        "reserves elsewhere": {"reserves": (away, {"status": ["in force"]}, CRS)},
        "reserves empty": {"reserves": ([], {"status": []}, CRS)},
        "reserves without the column": {"reserves": (reserve, {"state": ["in force"]}, CRS)},
        "reserves without crs": {"reserves": (reserve, {"status": ["in force"]}, None)},
        "reserves of an unknown category": {"reserves": (reserve, {"status": ["proposed"]}, CRS)},
        "reserves with a number for a text": {"reserves": (reserve, {"status": [3]}, CRS)},
        "reserves as a knot elsewhere": {"reserves": (knot, {"status": ["in force"]}, CRS)},
    }.items():
        yield Case(name, lambda region, spoilt=spoilt: region.write_layers(**spoilt), layers)
    yield from _water_bodies(line)
    yield from _parcels()
    yield from _water_rights()
    yield from _grid()
    yield Case(
        "layer missing in its file",
        lambda region: region.replace("settings.toml", ('layer = "lakes"', 'layer = "ponds"')),
        lambda region: region.write_settings(),
    )


# Water bodies are no input of the sound region: each case names the layer and spoils it.
def _water_bodies(line):
    near = line.buffer(10.0)
    sound = ([near], {"id": ["B1"], "class": ["good"], "plants": [2]}, CRS)
    columns = 'id_column = "id"\nstatus_column = "class"\nmust_not_fall_values = ["good"]\n'
    table = (
        f'[inputs.water_bodies]\npath = "layers.gpkg"\nlayer = "waters"\n{columns}max_plants_column = "plants"\n'
    )
    yield from _optional_layer(
        "water bodies",
        table,
        "waters",
        sound,
        {
            "without crs": (*sound[:2], None),
            "elsewhere": ([shapely.affinity.translate(near, 1e6)], *sound[1:]),
            "without their columns": ([near], {"id": ["B1"]}, CRS),
            "of two statuses": (
                [near, near.buffer(5.0)],
                {"id": ["B1", "B1"], "class": ["good", "poor"], "plants": [2, 2]},
                CRS,
            ),
            "with negative caps": ([near], {"id": ["B1"], "class": ["good"], "plants": [-2]}, CRS),
            "none of which must not fall": ([near], {"id": ["B1"], "class": ["poor"], "plants": [2]}, CRS),
        },
    )


def _parcels():
    field = shapely.box(MIDDLE_M - 300.0, NORTH_M - 900.0, MIDDLE_M + 300.0, NORTH_M - 300.0)
    sound = ([field], {"id": ["P1"], "owner": ["State"]}, CRS)
    table = '[inputs.parcels]\npath = "layers.gpkg"\nlayer = "parcels"\nowner_column = "owner"\n'
    ways = {
        "without crs": (*sound[:2], None),
        "elsewhere": ([shapely.affinity.translate(field, 1e6)], *sound[1:]),
        "as points": ([field.centroid], *sound[1:]),
        "without the column": ([field], {"id": ["P1"]}, CRS),
        "of unlisted owners": ([field], {"id": ["P1"], "owner": ["Anna Beispiel"]}, CRS),
    }
    yield from _optional_layer(
        "parcels", f'{table}owner_classes = {{ STATE = "public" }}\n', "parcels", sound, ways
    )


def _water_rights():
    place = shapely.Point(MIDDLE_M + 3.0, NORTH_M - 600.0)
    sound = ([place], {"id": ["R1"], "kind": ["abstraction"], "litres": [3.0]}, CRS)
    table = '[inputs.abstractions]\npath = "layers.gpkg"\nlayer = "rights"\nid_column = "id"\n'
    table += 'flow_column = "litres"\nflow_unit = "l_per_s"\n'
    ways = {
        "without crs": (*sound[:2], None),
        "elsewhere": ([shapely.affinity.translate(place, 1e6)], *sound[1:]),
        "without their columns": ([place], {"id": ["R1"]}, CRS),
        "of negative flow": ([place], sound[1] | {"litres": [-3.0]}, CRS),
        "of an unknown kind": ([place], sound[1] | {"kind": ["mill"]}, CRS),
        "in the wrong unit": ([place], sound[1] | {"litres": [3.0e6]}, CRS),
        "of two points": ([shapely.MultiPoint([place, (MIDDLE_M, NORTH_M - 700.0)])], *sound[1:]),
    }
    yield from _optional_layer("water rights", table, "rights", sound, ways)
    table = '[inputs.abstractions]\npath = "rights.csv"\ncrs = "EPSG:32633"\nid_column = "id"\n'
    rows = f"id,kind,flow_m3s,x,y\nR1,abstraction,0.003,{place.x},{place.y}\n"
    for name, own, text in (
        ("without places", table, rows.replace(",x,y", ",east,north")),
        ("with a decimal comma", table, rows.replace(f"{place.x}", f'"{place.x}"'.replace(".", ","))),
        ("without crs", table.replace('crs = "EPSG:32633"\n', ""), rows),
        ("without rows", table, "id,kind,flow_m3s,x,y\n"),
    ):
        yield Case(
            f"water rights of a table {name}",
            lambda region, own=own, text=text: (region.add_settings(own), region.write("rights.csv", text)),
            lambda region, own=own: (
                region.write("rights.csv", rows),
                region.write_settings(),
                region.add_settings(table),
            ),
        )


def _grid():
    place = shapely.Point(MIDDLE_M + 90.0, NORTH_M - 600.0)
    line = shapely.LineString([(MIDDLE_M + 90.0, NORTH_M), (MIDDLE_M + 90.0, NORTH_M - 900.0)])
    own = {"id": ["U1"], "free": [2.5], "kv": ["110/20"]}
    table = '[inputs.substations]\npath = "layers.gpkg"\nlayer = "grid"\nid_column = "id"\n'
    table += 'capacity_column = "free"\ncapacity_unit = "MW"\nvoltage_column = "kv"\n'
    ways = {
        "without crs": ([place], own, None),
        "elsewhere": ([shapely.affinity.translate(place, 1e6)], own, CRS),
        "as lines": ([line], own, CRS),
        "without their columns": ([place], {"id": ["U1"]}, CRS),
        "of negative capacity": ([place], own | {"free": [-2.5]}, CRS),
        "in the wrong unit": ([place], own | {"free": [2.5e6]}, CRS),
        "of impossible voltage": ([place], own | {"kv": ["110000"]}, CRS),
        "of two capacities": (
            [place, shapely.affinity.translate(place, 5.0)],
            {"id": ["U1", "U1"], "free": [2.5, 3.0], "kv": ["20", "20"]},
            CRS,
        ),
    }
    yield from _optional_layer("substations", table, "grid", ([place], own, CRS), ways)
    table = '[inputs.power_lines]\npath = "layers.gpkg"\nlayer = "grid"\nvoltage_column = "kv"\n'
    sound = ([line], {"kv": [20.0]}, CRS)
    ways = {"without voltages": ([line], {"id": ["L1"]}, CRS), "in volts": ([line], {"kv": [20_000.0]}, CRS)}
    yield from _optional_layer("power lines", table, "grid", sound, ways)


# A layer that the sound region has not, spoilt in each way, and the same one sound.
def _optional_layer(name, table, layer, sound, ways):
    for way, spoilt in ways.items():
        yield Case(
            f"{name} {way}",
            lambda region, spoilt=spoilt: (region.add_settings(table), region.write_layers(**{layer: spoilt})),
            lambda region: region.write_layers(**{layer: sound}),
        )


# A line with one coordinate that is none.
def _broken_line(x_m):
    with np.errstate(invalid="ignore"):
        return shapely.LineString([(MIDDLE_M, NORTH_M), (x_m, NORTH_M - 500.0)])


def _tables():
    def text_of(table, *changes):
        for old, new in changes:
            assert old in table, old
            table = table.replace(old, new, 1)
        return table

    def gauges(name, spoil):
        return Case(
            f"gauges {name}",
            lambda region: region.write("gauges.csv", spoil(region.gauges())),
            lambda region: region.write("gauges.csv", region.gauges()),
        )

    def factors(name, **given):
        return Case(
            f"gauges {name}",
            lambda region: region.write("gauges.csv", region.gauges(**given)),
            lambda region: region.write("gauges.csv", region.gauges()),
        )

    yield factors("all in l per s", flow_factor=1000.0)
    yield factors("all in cubic feet", flow_factor=35.3147)
    yield factors("areas a hundred times too small", area_factor=1e-2)
    yield factors("mean a thousand times the quantiles", mean_factor=1000.0)
    header = "gauge_id,area_km2"
    changed = lambda *changes: lambda text: text_of(text, *changes)  # noqa: E731
    yield gauges("row one cell short", lambda text: _cells(text, 3, lambda cells: cells[:-1]))
    yield gauges("row one cell long", lambda text: _cells(text, 3, lambda cells: [*cells, "1"]))
    yield gauges("several rows short", lambda text: _cells(_cells(text, 3, lambda c: c[:-1]), 5, lambda c: c[:2]))
    yield gauges("column twice", changed((header, "gauge_id,area_km2,area_km2")))
    yield gauges(
        "column twice and cells for it",
        lambda text: "\n".join(f"{line},{line.split(',')[1]}" for line in text.splitlines()) + "\n",
    )
    yield gauges("semicolons", lambda text: text.replace(",", ";"))
    yield gauges("tabs", lambda text: text.replace(",", "\t"))
    yield gauges("no header", lambda text: text.partition("\n")[2])
    yield gauges("header alone", lambda text: text.partition("\n")[0] + "\n")
    yield gauges("empty file", lambda text: "")
    yield gauges("not utf-8", lambda text: text.replace("G01", "Gö1").encode("latin-1"))
    yield gauges("nul bytes", lambda text: text.replace("G01", "G\0001"))
    yield gauges("id twice", changed(("G02", "G01")))
    yield gauges("id empty", changed(("G02", "")))
    for column, place in (("area_km2", 1), ("precipitation_mm", 2), ("flow_mean_m3s", 3), ("flow_q95_m3s", 6)):
        for what, cell in (("a text", "many"), ("negative", "-3"), ("infinite", "inf")):
            yield gauges(
                f"{column} {what}",
                lambda text, place=place, cell=cell: _cells(
                    text, 4, lambda cells: [*cells[:place], cell, *cells[place + 1 :]]
                ),
            )
        if column != "flow_q95_m3s":
            yield gauges(f"{column} missing", changed((column, f"other_{place}")))
    yield gauges("area zero", lambda text: _cells(text, 4, lambda cells: [cells[0], "0", *cells[2:]]))
    yield gauges("decimal commas", lambda text: _cells(text, 4, lambda cells: [cells[0], '"3,5"', *cells[2:]]))
    yield gauges(
        "low flow above high flow",
        lambda text: _cells(text, 4, lambda cells: [*cells[:4], cells[6], cells[5], cells[4]]),
    )
    yield gauges("too few", lambda text: "\n".join(text.splitlines()[:3]) + "\n")
    yield Case(
        "gauges missing",
        lambda region: (region.folder / "gauges.csv").unlink(),
        lambda region: region.write("gauges.csv", region.gauges()),
    )

    for file, table, number in (
        ("levels.csv", LEVELS, "2.1"),
        ("ratings.csv", RATINGS, "190.2"),
        ("sections.csv", SECTIONS, "4.0"),
    ):
        restore = lambda region, file=file, table=table: region.write(file, table)  # noqa: E731
        spoilt = {
            "a text for a number": table.replace(number, "much", 1),
            "infinite": table.replace(number, "inf", 1),
            "a row short": table.rstrip("\n").rpartition(",")[0] + "\n",
            "a row long": table.rstrip("\n") + ",7\n",
            "a column missing": table.replace("x", "east", 1),
            "a column twice": table.replace("y", "x", 1)
            if file != "levels.csv"
            else table.replace("kind", "upper_x"),
            "an id empty": table.replace(f"\n{table.splitlines()[1].split(',')[0]}", "\n", 1),
            "semicolons": table.replace(",", ";"),
            "empty file": "",
            "not utf-8": b"\xff\xfe" + table.encode("utf-16-le"),
        }
        for name, text in spoilt.items():
            if text == table:
                continue
            yield Case(
                f"{file.removesuffix('.csv')} {name}",
                lambda region, file=file, text=text: region.write(file, text),
                restore,
            )
        yield Case(
            f"{file.removesuffix('.csv')} missing",
            lambda region, file=file: (region.folder / file).unlink(),
            restore,
        )
    for (file, table), spoilt in {
        ("levels.csv", LEVELS): {
            "of another kind": [("drop,", "leap,")],
            "with an error of zero": [("0.05", "0")],
            "with a negative drop": [("2.1", "-2.1")],
            "with a pair that rises": [("drop,", "level_pair,"), (",,2.1", "12.0,14.1,")],
            "without a date and an id": [("2025-06-01", ""), ("L1", "")],
        },
        ("ratings.csv", RATINGS): {
            "at two places": [("R1,500400", "R1,500500")],
            "with a flow twice": [("1.0,190.2", "0.5,190.2")],
            "with levels that fall": [("190.4", "189.4")],
            "with a negative flow": [("0.5,190.0", "-0.5,190.0")],
        },
        ("sections.csv", SECTIONS): {"of no width": [("4.0", "0")]},
    }.items():
        restore = lambda region, file=file, table=table: region.write(file, table)  # noqa: E731
        for name, changes in spoilt.items():
            yield Case(
                f"{file.removesuffix('.csv')} {name}",
                lambda region, file=file, table=table, changes=changes: region.write(
                    file, text_of(table, *changes)
                ),
                restore,
            )


def _gaugings():
    def spoilt(region, *changes):
        region.add_settings(SPOT_GAUGINGS)
        region.write("gaugings.csv", GAUGINGS)
        region.replace("gaugings.csv", *changes)

    for name, changes in {
        "with an id twice": [("Q2", "Q1")],
        "with a negative flow": [("0.05", "-0.05")],
        "with an error of zero": [(",8,", ",0,")],
        "with a word for the reading of the gauge": [("0.06", "low")],
        "of no gauge on no day": [("G02", ""), ("2025-06-02", "")],
        "of an unknown gauge": [("G02", "G99")],
        "without a column": [("error_percent", "error")],
    }.items():
        yield Case(
            f"gaugings {name}",
            lambda region, changes=changes: spoilt(region, *changes),
            lambda region: region.write("gaugings.csv", GAUGINGS),
        )


def _decisions():
    sound = lambda region: region.write("decisions.csv", DECISIONS)  # noqa: E731
    first, second = DECISIONS.splitlines()[1:]
    for name, (old, new) in {
        "of an unknown word": ("keep", "kep"),
        "that pins nothing": ("keep,,", "pin,,"),
        "that keeps a scheme type": ("keep,,", "keep,diversion,"),
        "that pins an unknown scheme type": ("keep,,", "pin,weir,"),
        "without an author": ("A. Author", ""),
        "without a reason": ("Letter 12", ""),
        "on no day": ("2026-01-10", "10.1.2026"),
        "with an end on no day": ("2027-12-31", "2027-02-30"),
        "that ends before it begins": ("2027-12-31", "2025-12-31"),
        "with a head that is a word": ("4.8", "high"),
        "with a negative head": ("4.8", "-4.8"),
        "with an unknown verdict": ("4.8,open", "4.8,free"),
        "with half a place": ("500400,4999800", "500400,"),
        "with an infinite place": ("500400,4999800", "inf,4999800"),
        "about nothing": ("500400,4999800", ","),
        "about a reach that may have changed": ("4.8,open", ","),
        "with an id twice": ("K2", "K1"),
        "with an empty id": ("K2", ""),
        "with a semicolon in its id": ("K2", "K;2"),
        "with a control character": ("Letter 12", "Letter\a12"),
        "with a reason as long as a book": ("Letter 12", 2000 * "words "),
        "with much at once": (first, "K2,kep,weir,,500400,,,soon,later,,deep,free"),
        "a row short": (second, second.rpartition(",")[0]),
        "without a column": ("justification", "why"),
        "twice a column": ("reach_id", "author"),
        "with semicolons": (DECISIONS, DECISIONS.replace(",", ";")),
        "empty": (DECISIONS, ""),
    }.items():
        assert old in DECISIONS, old
        yield Case(
            f"decisions {name}",
            lambda region, old=old, new=new: region.write("decisions.csv", DECISIONS.replace(old, new, 1)),
            sound,
        )
    yield Case("decisions missing", lambda region: (region.folder / "decisions.csv").unlink(), sound)
    yield Case(
        "decisions with an end and no day of the run",
        lambda region: region.replace("settings.toml", ('on_date = "2026-06-30"\n', "")),
        lambda region: region.write_settings(),
    )
    yield Case(
        "decisions for no day",
        lambda region: region.replace("settings.toml", ('on_date = "2026-06-30"', 'on_date = "2026-06-31"')),
        lambda region: region.write_settings(),
    )
    yield Case(
        "decisions without a coordinate system",
        lambda region: region.replace("settings.toml", (f'crs = "{CRS}"\non_date', "on_date")),
        lambda region: region.write_settings(),
    )


def _observations():
    sound = lambda region: region.write("observations.csv", observations())  # noqa: E731
    levels, gauging = VISITS
    for name, visits in {
        "on no day": [levels | {"date": "2.4.2026"}],
        "on a day that is none": [levels | {"date": "2026-02-30"}],
        "by nobody": [levels | {"observer": ""}],
        "of no site": [levels | {"site_id": ""}],
        "twice of one day": [levels, levels],
        "of one level": [levels | {"level_tailrace_m": ""}],
        "of water that rises": [levels | {"level_tailrace_m": "13.10"}],
        "of a negative drop": [levels | {"level_intake_m": "", "level_tailrace_m": "", "drop_m": "-2"}],
        "of two levels and a drop": [levels | {"drop_m": "2.0"}],
        "with a level that is a word": [levels | {"level_intake_m": "high"}],
        "with an infinite level": [levels | {"level_intake_m": "inf"}],
        "with a decimal comma": [levels | {"level_intake_m": '"12,50"'}],
        "of a drop without an error": [levels | {"drop_error_m": ""}],
        "of a drop without any error": [levels | {"drop_error_m": "0"}],
        "of a flow without an error": [gauging | {"flow_error_percent": ""}],
        "of a negative flow": [gauging | {"flow_m3s": "-0.05"}],
        "of a negative flow at a gauge": [gauging | {"gauge_id": "G02", "gauge_flow_m3s": "-1"}],
        "of a gauge without its flow": [gauging | {"gauge_id": "G02"}],
        "of a flow without its gauge": [gauging | {"gauge_flow_m3s": "0.06"}],
        "of a structure that is perhaps": [gauging | {"structure_seen": "perhaps"}],
        "at no place": [levels | {"intake_x": ""}],
        "at an infinite place": [levels | {"tailrace_y": "inf"}],
        "in no coordinate system": [levels | {"crs": ""}, gauging | {"crs": ""}],
        "in two coordinate systems": [levels, gauging | {"crs": "EPSG:32632"}],
        "in a coordinate system that does not exist": [visit | {"crs": "EPSG:99999999"} for visit in VISITS],
        "with a control character": [levels | {"remarks": "quiet\apool"}],
        "with much at once": [
            levels | {"date": "spring", "observer": "", "level_tailrace_m": "low"},
            gauging | {"flow_m3s": "-1", "gauge_id": "G02", "structure_seen": "maybe", "intake_x": "east"},
        ],
    }.items():
        text = observations(*visits)
        yield Case(f"observations {name}", lambda region, text=text: region.write("observations.csv", text), sound)
    whole = observations()
    for name, text in {
        "a row short": whole.rstrip("\n").rpartition(",")[0] + "\n",
        "without columns": whole.replace("observer", "who").replace("flow_m3s", "flow"),
        "twice a column": whole.replace("remarks", "access"),
        "with semicolons": whole.replace(",", ";"),
        "empty": "",
        "not utf-8": b"\xff\xfe" + whole.encode("utf-16-le"),
    }.items():
        yield Case(f"observations {name}", lambda region, text=text: region.write("observations.csv", text), sound)
    yield Case("observations missing", lambda region: (region.folder / "observations.csv").unlink(), sound)


# The table with the cells of one row, counted from the header as row 1, changed.
def _cells(text, row, change):
    lines = text.splitlines()
    lines[row - 1] = ",".join(change(lines[row - 1].split(",")))
    return "\n".join(lines) + "\n"


def _settings():
    sound = lambda region: region.write_settings()  # noqa: E731

    def case(name, *changes):
        return Case(f"settings {name}", lambda region: region.write_settings(*changes), sound)

    def whole(name, text):
        return Case(f"settings {name}", lambda region: region.write("settings.toml", text), sound)

    price = "price_per_kwh = 0.3"
    yield case("price true", (price, "price_per_kwh = true"))
    yield case("price a text", (price, 'price_per_kwh = "0.28"'))
    yield case("price infinite", (price, "price_per_kwh = inf"))
    yield case("price not a number", (price, "price_per_kwh = nan"))
    yield case("price huge", (price, "price_per_kwh = 1e308"))
    yield case("price of an exponent of a million", (price, "price_per_kwh = 1e1000000"))
    yield case("price of 6000 digits", (price, f"price_per_kwh = {'9' * 6000}"))
    yield case("price a list", (price, "price_per_kwh = [0.3]"))
    yield case("price a table", (price, "price_per_kwh = {value = 0.3}"))
    yield case("price zero", (price, "price_per_kwh = 0"))
    yield case("price missing", (price, ""))
    yield case("error huge", ("error_rmse_m = 0.2", "error_rmse_m = 1e6"))
    yield case("error infinite", ("error_rmse_m = 0.2", "error_rmse_m = inf"))
    yield case("error zero", ("error_rmse_m = 0.2", "error_rmse_m = 0"))
    yield case("error missing", ("error_rmse_m = 0.2", ""))
    yield case("two errors", ("error_rmse_m = 0.2", "error_rmse_m = 0.2\nerror_le90_m = 0.3"))
    yield case("buffer huge", ("buffer_m = 10.0", "buffer_m = 1e9"))
    yield case("buffer infinite", ("buffer_m = 10.0", "buffer_m = inf"))
    yield case("buffer negative", ("buffer_m = 10.0", "buffer_m = -10.0"))
    yield case("seed of 2 to the power of 64", ("seed = 1", f"seed = {2**64}"))
    yield case("seed of 2 to the power of 63", ("seed = 1", f"seed = {2**63}"))
    yield case("seed of 6000 digits", ("seed = 1", f"seed = {'7' * 6000}"))
    yield case("seed negative", ("seed = 1", "seed = -1"))
    yield case("seed a fraction", ("seed = 1", "seed = 1.5"))
    yield case("workers by the million", ("workers = 1", "workers = 1000000"))
    yield case("workers zero", ("workers = 1", "workers = 0"))
    yield case("name empty", ('name = "Small valley"', 'name = ""'))
    yield case("name of 10000 letters", ('name = "Small valley"', f'name = "{"a" * 10_000}"'))
    yield case("name with a control character", ('name = "Small valley"', 'name = "Small\\u0000valley"'))
    yield case("name a number", ('name = "Small valley"', "name = 3"))
    yield case("rule name of 1000 letters", ('name = "reserves"', f'name = "{"r" * 1000}"'))
    yield case("crs unknown", ('crs = "EPSG:32633"', 'crs = "EPSG:1"'))
    yield case("crs in degrees", ('crs = "EPSG:32633"', 'crs = "EPSG:4326"'))
    yield case(
        "crs with a grid file",
        ('crs = "EPSG:32633"', 'crs = "+proj=utm +zone=33 +nadgrids=/etc/passwd +type=crs"'),
    )
    yield case("crs a word", ('crs = "EPSG:32633"', 'crs = "here"'))
    yield case("crs empty", ('crs = "EPSG:32633"', 'crs = ""'))
    yield case("unit unknown", ('vertical_unit = "metre"', 'vertical_unit = "ell"'))
    yield case("unit missing", ('vertical_unit = "metre"', ""))
    yield case("datum missing", ('vertical_datum = "invented"', ""))
    yield case("spacing zero", ("station_spacing_m = 100.0", "station_spacing_m = 0"))
    yield case("spacing a text", ("station_spacing_m = 100.0", 'station_spacing_m = "100"'))
    yield case("key unknown", ("station_spacing_m = 100.0", "station_spacign_m = 100.0"))
    yield case("section unknown", ("[network]", "[networks]"))
    yield case("section twice", ("[network]", "[network]\n[network]"))
    yield case("key twice", ("seed = 1", "seed = 1\nseed = 2"))
    yield case("action unknown", ('action = "exclude"', 'action = "forbid"'))
    yield case("condition broken", ("where = \"status = 'in force'\"", 'where = "status = "'))
    yield case("condition of an unknown column", ('where = "status', 'where = "statos'))
    yield case(
        "condition of 20000 letters",
        ("where = \"status = 'in force'\"", f'where = "{" OR ".join(["a = 1"] * 3000)}"'),
    )
    yield case(
        "condition nested a thousand times",
        ("where = \"status = 'in force'\"", f"where = \"{'(' * 1000}status = 'a'{')' * 1000}\""),
    )
    yield case("rule without a path", ('path = "layers.gpkg"\nlayer = "reserves"', 'layer = "reserves"'))
    yield case(
        "two rules of one name",
        (
            "[[rules]]",
            '[[rules]]\nname = "reserves"\npath = "layers.gpkg"\nlayer = '
            '"reserves"\naction = "exclude"\n\n[[rules]]',
        ),
    )
    weirs = 'id_column = "structure_id"\n'
    further = '\n[inputs.more_structures.region]\npath = "layers.gpkg"\nlayer = "structures"\n'
    yield case("two inventories of one priority", (weirs, f"{weirs}priority = 1\n{further}priority = 1\n"))
    yield case(
        "further inventories without the first",
        (f'[inputs.structures]\npath = "layers.gpkg"\nlayer = "structures"\n{weirs}', further),
    )
    yield case("removed values without a status column", (weirs, f'{weirs}removed_values = ["gone"]\n'))
    yield case(
        "a status both removed and planned",
        (
            weirs,
            f'{weirs}status_column = "kind"\nremoved_values = ["gone"]\nremoval_planned_values = ["Gone"]\n',
        ),
    )
    yield case("a column for what no structure has", (weirs, f'{weirs}columns = {{ height_m = "HEIGHT" }}\n'))
    yield case(
        "columns that the structures lack",
        (weirs, f'{weirs}columns = {{ drop_m = "HEIGHT" }}\nstatus_column = "state"\nremoved_values = ["gone"]\n'),
    )
    yield case("turbines missing", ('["turbines.toml"]', '["none.toml"]'))
    yield case("turbines a text", ('["turbines.toml"]', '"turbines.toml"'))
    yield case("costs missing", ('file = "costs.toml"', 'file = "none.toml"'))
    yield case("flows of both kinds", ("[flows.gauges]", '[flows]\nequations = ["e.toml"]\n[flows.gauges]'))
    yield case("predictor unknown", ('"precipitation_mm"]', '"elevation_m"]'))
    yield case("predictor without a raster", ('[inputs.covariates.precipitation_mm]\npath = "rain.tif"', ""))
    yield case("share above one", ("share = 0.1", "share = 1.1"))
    yield case("share a percentage", ("share = 0.1", "share = 10"))
    yield case(
        "heads the wrong way round", ("[network]", "[stretches]\nmin_head_m = 5\nmax_head_m = 2\n\n[network]")
    )
    yield case("path with a nul", ('"dem.tif"', '"dem\\u0000.tif"'))
    yield case("output in a file", ('output_folder = "out"', 'output_folder = "dem.tif"'))
    yield whole("empty", "")
    yield whole("not toml", "this is no TOML")
    yield whole("not utf-8", 'name = "Gö"'.encode("latin-1"))
    yield whole("utf-16", "[run]".encode("utf-16"))
    yield whole("nested brackets", "a = " + "[" * 5000 + "]" * 5000)
    yield whole("20000 dotted keys", ".".join(["a"] * 20_000) + " = 1")
    yield whole("tables 100 deep", ".".join(["a"] * 100) + " = 1")
    yield whole("too large", "# comment\n" * 1_100_000)
    yield whole("a list at the top", "[[run]]\nname = 1\n")
    yield Case("settings missing", lambda region: (region.folder / "settings.toml").unlink(), sound)
    yield Case(
        "settings a folder",
        lambda region: ((region.folder / "settings.toml").unlink(), (region.folder / "settings.toml").mkdir()),
        lambda region: ((region.folder / "settings.toml").rmdir(), region.write_settings()),
    )
    yield Case(
        "settings extend themselves",
        lambda region: region.write("settings.toml", 'extends = "settings.toml"\n'),
        sound,
    )
    yield Case(
        "settings extend nothing", lambda region: region.write("settings.toml", 'extends = "base.toml"\n'), sound
    )
    yield Case(
        "settings leave out nothing",
        lambda region: (
            region.write("base.toml", (region.folder / "settings.toml").read_text(encoding="utf-8")),
            region.write(
                "settings.toml",
                'extends = "base.toml"\nleft_out = ["inputs.lake"]\n[run]\noutput_folder = "out"\n',
            ),
        ),
        sound,
    )


def _catalogues():
    for kind in ("turbines", "costs", "screens"):
        sound = (REPOSITORY / "config" / kind / "generic.toml").read_text(encoding="utf-8")
        restore = lambda region, kind=kind, sound=sound: region.write(f"{kind}.toml", sound)  # noqa: E731
        number = {"turbines": "lowest_relative_flow", "costs": "year", "screens": "bar_spacing_mm"}[kind]
        line = next(line for line in sound.splitlines() if line.strip().startswith(number))
        for what, value in {
            "a text": '"2"',
            "true": "true",
            "infinite": "inf",
            "huge": "1e300",
            "missing": None,
        }.items():
            text = sound.replace(line, "" if value is None else f"{number} = {value}", 1)
            yield Case(
                f"{kind} {number} {what}",
                lambda region, kind=kind, text=text: region.write(f"{kind}.toml", text),
                restore,
            )
        for what, text in {"empty": "", "not toml": "= 3", "with an unknown key": "colour = 3\n" + sound}.items():
            yield Case(
                f"{kind} {what}", lambda region, kind=kind, text=text: region.write(f"{kind}.toml", text), restore
            )


EQUATIONS = """\
source = "invented for this test"
table = "none"
flow_unit = "m3s"
gauges = 20

[[equations]]
statistic = "mean"
form = "log10"
factor = 0.02
standard_error_log10 = 0.1

[[equations.predictors]]
name = "area"
unit = "km2"
coefficient = 1.0
minimum = 0.01
maximum = 1000.0

[[equations]]
statistic = "exceedance_50"
form = "log10"
factor = 0.012
standard_error_log10 = 0.1

[[equations.predictors]]
name = "area"
unit = "km2"
coefficient = 1.0
minimum = 0.01
maximum = 1000.0

[[equations]]
statistic = "exceedance_95"
form = "log10"
factor = 0.003
standard_error_log10 = 0.2

[[equations.predictors]]
name = "area"
unit = "km2"
coefficient = 1.0
minimum = 0.01
maximum = 1000.0
"""


def _equations():
    by_equations = (
        '[flows.gauges]\npath = "gauges.csv"\npredictors = ["area_km2", "precipitation_mm"]\nsource = "invented"',
        '[flows]\nequations = ["equations.toml"]',
    )

    def case(name, *changes, whole=None):
        def spoil(region):
            region.write_settings(by_equations)
            region.write("equations.toml", EQUATIONS if whole is None else whole)
            region.replace("equations.toml", *changes)

        return Case(f"equations {name}", spoil, lambda region: region.write("equations.toml", EQUATIONS))

    for key, value in {
        "factor": "0.02",
        "standard_error_log10": "0.1",
        "coefficient": "1.0",
        "minimum": "0.01",
        "maximum": "1000.0",
        "gauges": "20",
    }.items():
        for what, bad in {
            "a text": '"1"',
            "true": "true",
            "infinite": "inf",
            "not a number": "nan",
            "huge": "1e300",
            "with an exponent of a million": "1e1000000",
        }.items():
            yield case(f"{key} {what}", (f"{key} = {value}", f"{key} = {bad}"))
        yield case(f"{key} missing", (f"{key} = {value}", ""))
    for key, value in {
        "source": '"invented for this test"',
        "flow_unit": '"m3s"',
        "statistic": '"mean"',
        "form": '"log10"',
        "name": '"area"',
        "unit": '"km2"',
    }.items():
        yield case(f"{key} a number", (f"{key} = {value}", f"{key} = 7"))
        yield case(f"{key} empty", (f"{key} = {value}", f'{key} = ""'))
        yield case(f"{key} unknown", (f"{key} = {value}", f'{key} = "elsewhere\\u0007"'))
        yield case(f"{key} missing", (f"{key} = {value}", ""))
    yield case("minimum above maximum", ("minimum = 0.01", "minimum = 2000.0"))
    yield case("factor negative", ("factor = 0.02", "factor = -0.02"))
    yield case("factor zero", ("factor = 0.02", "factor = 0"))
    yield case("one statistic twice", ('"exceedance_50"', '"mean"'))
    yield case(
        "predictor that the run lacks", ('name = "area"\nunit = "km2"', 'name = "forest"\nunit = "percent"')
    )
    yield case("no mean flow", ('statistic = "mean"', 'statistic = "exceedance_40"'))
    yield case("empty", whole="")
    yield case("not toml", whole="[[")
    yield case("no equation", whole=EQUATIONS.partition("[[equations]]")[0])
    yield case("unknown key", ("gauges = 20", "gauges = 20\ncolour = 1"))
    yield case(
        "of 5000 predictors",
        (
            "[[equations.predictors]]",
            "\n".join(
                '[[equations.predictors]]\nname = "area"\nunit = "km2"\nminimum = 1.0\nmaximum = 2.0'
                for _ in range(5000)
            )
            + "\n[[equations.predictors]]",
        ),
    )
    yield Case(
        "equations missing",
        lambda region: region.write_settings(by_equations),
        lambda region: region.write("equations.toml", EQUATIONS),
    )


# What leads to other files, to programs or to a network.
def _elsewhere():
    sound = lambda region: region.write_settings()  # noqa: E731

    def path(name, value, mend=sound):
        spoil = lambda region: region.replace("settings.toml", ('"dem.tif"', f'"{value}"'))  # noqa: E731
        return Case(f"dem path {name}", spoil, mend)

    yield path("on a network", "https://example.invalid/dem.tif")
    yield path("on a network by GDAL's name", "/vsicurl/https://example.invalid/dem.tif")
    yield path("in a store of a cloud", "s3://bucket/dem.tif")
    yield path("of a service", "WMS:https://example.invalid/")
    yield path("of a service in words", "<GDAL_WMS></GDAL_WMS>")
    yield path("of an archive on a network", "/vsizip//vsicurl/https://example.invalid/a.zip/dem.tif")
    yield path("of standard input", "/vsistdin/")
    yield path("of a device", "/dev/zero")
    yield Case(
        "dem a service",
        lambda region: region.write("dem.tif", "<GDAL_WMS><Service name='TMS'></Service></GDAL_WMS>"),
        lambda region: region.write_dem(),
    )
    yield Case(
        "dem a mosaic of another place",
        lambda region: (
            _mosaic(region),
            region.replace(
                "mosaic.vrt", ('relativeToVRT="1"', 'relativeToVRT="0"'), ("gone.tif", "/dev/shm/a.tif")
            ),
        ),
        lambda region: region.replace("settings.toml", ("mosaic.vrt", "dem.tif")),
    )
    yield Case(
        "dem a mosaic of a network",
        lambda region: (
            _mosaic(region),
            region.replace(
                "mosaic.vrt",
                ('relativeToVRT="1"', 'relativeToVRT="0"'),
                ("gone.tif", "/vsicurl/https://example.invalid/a.tif"),
            ),
        ),
        lambda region: region.replace("settings.toml", ("mosaic.vrt", "dem.tif")),
    )
    yield Case(
        "dem a mosaic with a program",
        lambda region: (
            _mosaic(region),
            region.replace("mosaic.vrt", ("<VRTRasterBand", '<VRTRasterBand subClass="VRTDerivedRasterBand"')),
        ),
        lambda region: region.replace("settings.toml", ("mosaic.vrt", "dem.tif")),
    )
    streams = lambda region: region.write_streams()  # noqa: E731
    yield Case(
        "streams a virtual layer",
        lambda region: region.write("streams.gpkg", "<OGRVRTDataSource></OGRVRTDataSource>"),
        streams,
    )
    yield Case(
        "streams a service",
        lambda region: region.write("streams.gpkg", "<OGRWFSDataSource><URL>https://example.invalid/</URL>"),
        streams,
    )
    yield Case(
        "streams a device",
        lambda region: region.replace("settings.toml", ('"streams.gpkg"', '"/dev/zero"')),
        sound,
    )
    yield Case(
        "gauges a device", lambda region: region.replace("settings.toml", ("gauges.csv", "/dev/zero")), sound
    )
    yield Case(
        "costs a device", lambda region: region.replace("settings.toml", ("costs.toml", "/dev/zero")), sound
    )
    yield Case(
        "costs extend a file of another place",
        lambda region: region.write("costs.toml", 'extends = "/dev/shm/costs.toml"\n'),
        lambda region: region.write(
            "costs.toml", (REPOSITORY / "config" / "costs" / "generic.toml").read_text(encoding="utf-8")
        ),
    )
    yield Case(
        "settings extend a file of another place",
        lambda region: region.write("settings.toml", 'extends = "../base.toml"\n'),
        sound,
    )


CASES = [
    *_rasters(),
    *_layers(),
    *_tables(),
    *_gaugings(),
    *_decisions(),
    *_observations(),
    *_settings(),
    *_catalogues(),
    *_equations(),
    *_elsewhere(),
]
assert len({case.name for case in CASES}) == len(CASES)
