"""Made and spoilt inputs by the ten thousand: nothing but the program's own refusal may come of them.

    python tests/tools/fuzz.py --seconds 120
    python tests/tools/fuzz.py --seconds 600 --targets tables --guided-only

Each target reads what users write: settings, filters in CQL2 text, equation, turbine, screen and cost files,
tables (CSV) and vector layers. Two kinds of case are tried, for half of the time each. Hypothesis makes them: by
the grammar of the input with any values in it, and sound files with edits. Then atheris (Apache-2.0, the extra
``fuzz``; it has wheels for Linux alone) changes sound files so that they reach branches of the program that no
case reached before; where it is not installed, that is said and left out. A case that ends in another exception or
in a warning is printed with what raised it, and the exit status is 1.
"""

import argparse
import contextlib
import json
import math
import os
import re
import subprocess
import sys
import tempfile
import time
import tomllib
import warnings
from pathlib import Path
from typing import NamedTuple

REPOSITORY = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(REPOSITORY)]
GUIDED = "--one-guided"
if GUIDED in sys.argv:
    import atheris

    watched = atheris.instrument_imports(include=["sitefinder", "tomllib"])
else:
    watched = contextlib.nullcontext()

with watched:
    import geopandas
    import numpy as np
    import pandas as pd
    import shapely
    from hypothesis import HealthCheck, Phase, given, seed
    from hypothesis import settings as profile
    from hypothesis import strategies as st

    from sitefinder.errors import SitefinderError
    from sitefinder.hydrology.equations import apply_equation, zero_probability
    from sitefinder.io.catalogue_files import read_costs, read_screen, read_turbine_files
    from sitefinder.io.gauges import read_daily_flows, read_equations, read_gauges
    from sitefinder.io.settings_files import read_settings
    from sitefinder.io.survey import (
        read_drop_flows,
        read_field_levels,
        read_ratings,
        read_sections,
        read_spot_gaugings,
    )
    from sitefinder.io.vector import read_layer
    from sitefinder.rules.filters import matching
    from sitefinder.settings import GaugeTable, LayerSource, RuleSettings, checked
    from sitefinder.settings.flows import DailyRecords
    from sitefinder.settings.inputs import Source

CRS = "EPSG:32633"


class Target(NamedTuple):
    """What reads one kind of input.

    Attributes
    ----------
    name : str
    read : callable
        Takes the bytes of a case, and a folder of its own.
    seeds : callable
        Gives sound cases, a list of bytes.
    made : callable
        Gives a strategy of hypothesis of bytes.
    words : tuple of str
        What the input may well hold, put into cases by edits.
    """

    name: str
    read: object
    seeds: object
    made: object
    words: tuple


# Values of any kind that TOML has, and some that tempt.
NUMBERS = st.one_of(
    st.integers(-(2**70), 2**70),
    st.integers(-3, 100),
    st.floats(),
    st.sampled_from([0.0, -0.0, 1e308, -1e308, 5e-324, math.inf, math.nan]),
)
TEXTS = st.one_of(
    st.text(max_size=30),
    st.sampled_from(
        ["", " ", "TODO", "nan", "inf", "0", "-1", "true", "..", "a/b", "x" * 300, "EPSG:4326", "\u0301"]
    ),
)
PLAIN = st.one_of(NUMBERS, TEXTS, st.booleans(), st.dates(), st.datetimes())
VALUES = st.recursive(
    PLAIN,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=4),
    max_leaves=8,
)


def toml(mapping):
    """TOML of a mapping, each of its keys on a line."""
    return "".join(f"{_key(key)} = {_value(value)}\n" for key, value in mapping.items())


def _key(text):
    return _text(text)


def _text(text):
    return json.dumps(text, ensure_ascii=True).encode("utf-16", "surrogatepass").decode("utf-16")


def _value(value):
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(key)} = {_value(each)}" for key, each in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_value(each) for each in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, float):
        return repr(value) if math.isfinite(value) else str(value)
    return value.isoformat() if hasattr(value, "isoformat") else repr(value)


@st.composite
def changed_tables(draw, tables):
    """TOML of sound tables with a few values changed, left out or added, as bytes."""
    mapping = json.loads(json.dumps(draw(st.sampled_from(tables)), default=str))
    for _ in range(draw(st.integers(1, 3))):
        place = mapping
        while place:
            keys = list(place) if isinstance(place, dict) else range(len(place))
            key = draw(st.sampled_from(list(keys)))
            inner = place[key]
            if isinstance(inner, dict | list) and inner and draw(st.integers(0, 5)):
                place = inner
                continue
            kind = draw(st.sampled_from(["value", "value", "value", "gone", "new", "number"]))
            if kind == "gone":
                del place[key]
            elif kind == "new" and isinstance(place, dict):
                place[draw(st.one_of(TEXTS, st.sampled_from(list(place))))] = draw(VALUES)
            else:
                place[key] = draw(NUMBERS if kind == "number" else VALUES)
            break
    return toml(mapping).encode("utf-8", "replace")


@st.composite
def edited(draw, seeds, words):
    """A sound case with some bytes replaced, repeated or left out."""
    data = bytearray(draw(st.sampled_from(seeds)))
    piece = st.one_of(
        st.sampled_from([word.encode() for word in words]),
        st.binary(max_size=4),
        st.sampled_from([b"\0", b"\xff", b"\xef\xbb\xbf", b"\r", b"\n", b'"', b"-", b"9" * 400, b"1e999", b"nan"]),
    )
    for _ in range(draw(st.integers(0, 5))):
        start = draw(st.integers(0, len(data)))
        end = min(start + draw(st.one_of(st.integers(0, 8), st.integers(0, 400))), len(data))
        data[start:end] = data[start:end] * 2 if draw(st.integers(0, 9)) == 0 else draw(piece)
    return bytes(data)


# ---- settings and data files ----


# What sound files extend lies beside each case.
def _put_beside(folder, *names):
    for name in names:
        path = folder / Path(name).name
        if not path.exists():
            path.write_bytes((REPOSITORY / "config" / name).read_bytes())


def _read_settings(data, folder):
    _put_beside(folder, "sample.toml")
    (folder / "case.toml").write_bytes(data)
    read_settings(folder / "case.toml")


def _files(*patterns):
    return [path.read_bytes() for pattern in patterns for path in sorted((REPOSITORY / "config").glob(pattern))]


def _settings_files():
    return _files("sample.toml", "new/settings.toml", "stricter.toml")


def _made_settings():
    tables = [tomllib.loads((REPOSITORY / "config" / "sample.toml").read_text(encoding="utf-8"))]
    return changed_tables(tables)


PREDICTORS = pd.DataFrame({"area_km2": [0.0, 1.0, 1e3, np.nan], "precipitation_mm": [0.0, 900.0, 3e3, 1.0]})
DATA_FILES = (
    ("equations/*.toml", lambda path: [_applied(equation) for equation in read_equations(path)]),
    ("turbines/*.toml", lambda path: read_turbine_files([path])),
    ("screens/*.toml", lambda path: read_screen([path])),
    ("costs/*.toml", read_costs),
)


# What an equation that was read gives, for any predictors.
def _applied(equation):
    apply = zero_probability if equation.form == "logistic" else apply_equation
    with np.errstate(all="ignore"):
        return apply(equation, PREDICTORS)


# The first byte says which kind of file the others are.
def _read_data_file(data, folder):
    kind, text = (data[0] if data else 0) % len(DATA_FILES), data[1:]
    _put_beside(folder, "costs/generic.toml")
    (folder / "case.toml").write_bytes(text)
    DATA_FILES[kind][1](folder / "case.toml")


def _data_files():
    return [bytes([kind]) + text for kind, (pattern, _) in enumerate(DATA_FILES) for text in _files(pattern)]


def _made_data_files():
    kinds = []
    for kind, (pattern, _) in enumerate(DATA_FILES):
        tables = [tomllib.loads(text.decode()) for text in _files(pattern)]
        kinds.append(changed_tables(tables).map(lambda text, kind=kind: bytes([kind]) + text))
    return st.one_of(kinds)


# ---- filters ----

PARKS = geopandas.GeoDataFrame(
    {
        "feature_id": list("abcde"),
        "category": ["reserve", "landscape", "Réserve", None, ""],
        "zone": [1, 2, 3, 4, 5],
        "area_ha": [0.5, 12.0, 40.0, np.nan, 3.0],
        "listed": pd.array([True, False, None, True, False], dtype="boolean"),
        "since": pd.to_datetime(["1990-05-31", None, "2024-02-29", "1700-01-01", "2200-12-31"]),
        "nothing": [None] * 5,
        "like": ["%", "_", "\\", "a'b", '"'],
    },
    geometry=[shapely.Point(0, 0)] * 5,
    crs=CRS,
)
FILTER_WORDS = (
    *("and", "or", "not", "in", "like", "between", "is", "null", "true", "false", "div", "(", ")", ",", "'", '"'),
    *("=", "<>", "<", "<=", ">", ">=", "%", "_", "\\", "casei(", "accenti(", "date('", "timestamp('", "interval("),
    *("s_intersects(", "POINT(0 0)", "upper(", "zone", "category", "area_ha", "listed", "since", "nothing"),
)


def _read_filter(data, folder):
    rule = {"name": "r", "action": "exclude", "path": "x.gpkg", "where": data.decode("utf-8", "replace")}
    matching(PARKS, checked(RuleSettings, rule, "case.toml"))


@st.composite
def _conditions(draw, depth=3):
    kind = draw(st.sampled_from(["compare", "in", "like", "between", "null", "not", "and", "or"]))
    if depth and kind in ("not", "and", "or"):
        first, second = draw(_conditions(depth=depth - 1)), draw(_conditions(depth=depth - 1))
        return f"NOT ({first})" if kind == "not" else f"({first}) {kind} {second}"
    column = draw(
        st.sampled_from([*PARKS.columns, '"zone"', "casei(category)", "accenti(casei(category))", "zon"])
    )
    value = st.one_of(
        NUMBERS.map(repr),
        st.sampled_from(["true", "DATE('2024-02-29')", "TIMESTAMP('2024-02-29T12:00:00Z')", "DATE('0000-13-01')"]),
        st.text(max_size=8).map(lambda text: "'" + text.replace("'", "''") + "'"),
        st.sampled_from(["'reserve'", "casei('RESERVE')", "'%'", "''", "zone", "DATE('9999-12-31')", "1e5"]),
    )
    # Most often of the column's own kind, so that the filter is evaluated.
    own = {
        "category": st.text(max_size=8).map(lambda text: "'" + text.replace("'", "''") + "'"),
        "zone": NUMBERS.map(repr),
        "area_ha": NUMBERS.map(repr),
        "listed": st.sampled_from(["true", "false"]),
        "since": st.datetimes().map(lambda day: f"DATE('{day:%Y-%m-%d}')"),
        "like": st.text("%_\\a'", max_size=6).map(lambda text: "'" + text.replace("'", "''") + "'"),
    }.get(column, value)
    values = [draw(own if draw(st.integers(0, 3)) else value) for _ in range(3)]
    return {
        "in": f"{column} in ({', '.join(values)})",
        "like": f"{column} like {values[0]}",
        "between": f"{column} between {values[0]} and {values[1]}",
        "null": f"{column} is null",
    }.get(kind, f"{column} {draw(st.sampled_from(['=', '<>', '<', '<=', '>', '>=', '!=']))} {values[0]}")


def _made_filters():
    return _conditions().map(lambda text: text.encode("utf-8", "replace"))


def _filters():
    texts = [
        "category = 'reserve' AND (zone IN (3, 4) OR zone IS NULL)",
        "casei(category) LIKE casei('R%') AND NOT area_ha BETWEEN 1 AND 20.5",
        "since >= DATE('2000-01-01') OR since < TIMESTAMP('1999-12-31T23:00:00Z')",
        "accenti(category) = accenti('réserve') AND listed = true",
    ]
    return [text.encode() for text in texts]


# ---- tables ----

GAUGES = GaugeTable(path="case.csv", predictors=["area_km2"], source="made", record_years_column="record_years")
MADE_GAUGES = GAUGES.model_copy(
    update={"x_column": "x", "y_column": "y", "crs": CRS, "columns": {"area_km2": "A"}}
)
DAILY = DailyRecords(
    file_column="file",
    flow_column="flow",
    unit="m3s",
    flag_column="flag",
    estimated_flags=["e"],
    ice_flags=["ice"],
)
TABLE = Source(path="case.csv", crs=CRS)
TABLES = (
    (
        "gauge_id,area_km2,record_years,flow_mean_m3s,flow_q05_m3s,flow_q95_m3s\n007,12.5,30,0.3,1.2,0.02\nb,8,,0.2,,0\n",
        lambda folder: read_gauges(folder / "case.csv", GAUGES),
    ),
    (
        "gauge_id,A,x,y,record_years,flow_mean_m3s,flow_q95_m3s,precipitation_mm\na,12.5,500000,5e6,3,0.3,0.1,900\n",
        lambda folder: read_gauges(folder / "case.csv", MADE_GAUGES),
    ),
    (
        "date,flow,flag\n2020-02-29,1.5,A:e\n2020-03-01,,ice\n2020-03-02,0,\n",
        lambda folder: read_daily_flows(folder / "case.csv", "g", DAILY),
    ),
    (
        "level_id,kind,upper_x,upper_y,lower_x,lower_y,upper_m,lower_m,drop_m,error_m,date\n"
        "1,level_pair,500000,5000000,500100,5000000,12.5,11,,0.02,2024-05-31\n2,drop,5e5,5e6,5e5,5e6,,,1.5,0.1,May\n",
        lambda folder: read_field_levels(TABLE, folder, CRS),
    ),
    (
        "rating_id,x,y,flow_m3s,level_m\na,500000,5000000,0.1,12\na,500000,5000000,2.5,12.4\n",
        lambda folder: read_ratings(TABLE, folder, CRS),
    ),
    (
        "section_id,x,y,flow_m3s,width_m,depth_m\na,500000,5000000,0.1,12,0.3\n",
        lambda folder: read_sections(TABLE, folder, CRS),
    ),
    (
        "gauging_id,date,gauge_id,x,y,flow_m3s,error_percent,gauge_flow_m3s\na,May,7,500000,5000000,0.1,5,2\n",
        lambda folder: read_spot_gaugings(TABLE, folder, CRS),
    ),
    ("drop_id,date,flow_m3s\na,2020-05-31,0.1\na,2020-06-01,0\n", lambda folder: read_drop_flows(TABLE, folder)),
)
CELLS = (
    "nan",
    "-1",
    "1e999",
    "1_000",
    "0x10",
    "2020-02-30",
    '"',
    ",",
    ";",
    "\r\n",
    "+5",
    "١٢",
    "1,5",
    "-0",
    "1e-320",
)


def _read_table(data, folder):
    kind, text = (data[0] if data else 0) % len(TABLES), data[1:]
    (folder / "case.csv").write_bytes(text)
    TABLES[kind][1](folder)


@st.composite
def _made_tables(draw):
    kind = draw(st.integers(0, len(TABLES) - 1))
    rows = [line.split(",") for line in TABLES[kind][0].splitlines()]
    rows = [rows[0], *draw(st.lists(st.sampled_from(rows[1:]).map(list), min_size=0, max_size=6))]
    # Copies, since the same row may be drawn twice.
    rows = [list(row) for row in rows]
    for _ in range(draw(st.integers(0, 4))):
        row = draw(st.integers(0, len(rows) - 1))
        column = draw(st.integers(0, len(rows[0]) - 1))
        rows[row][column] = draw(st.one_of(NUMBERS.map(str), TEXTS, st.sampled_from(CELLS)))
    text = "\n".join(",".join(row) for row in rows) + "\n"
    return bytes([kind]) + text.encode("utf-8", "replace")


def _tables():
    return [bytes([kind]) + text.encode() for kind, (text, _) in enumerate(TABLES)]


# ---- layers ----

KINDS = ("line", "polygon", "point", "any")
LAYER = LayerSource(path="case.geojson", id_column="id", crs=CRS)
COORDINATES = st.one_of(
    st.floats(499_000, 501_000),
    st.sampled_from([0.0, 1e9, -1e300, 500_000.0, 500_000.0000001, 5_000_000.0]),
    st.floats(allow_nan=False, allow_infinity=False),
)


def _read_layer(data, folder):
    kind, text = KINDS[(data[0] if data else 0) % len(KINDS)], data[1:]
    (folder / "case.geojson").write_bytes(text)
    read_layer(LAYER, folder, CRS, what="parks", geometry=kind)


@st.composite
def _made_layers(draw):
    features = [
        {"type": "Feature", "properties": draw(_properties()), "geometry": draw(_geometries(2))}
        for _ in range(draw(st.integers(0, 4)))
    ]
    collection = {"type": "FeatureCollection", "features": features}
    # Most often that of the settings, since a layer in another than is stated is refused at once.
    crs = draw(st.sampled_from([CRS] * 8 + ["EPSG:4326", "x", ""]))
    if crs:
        collection["crs"] = {"type": "name", "properties": {"name": crs}}
    return bytes([draw(st.integers(0, 3))]) + json.dumps(collection).encode("utf-8", "replace")


def _properties():
    values = st.one_of(st.none(), NUMBERS, TEXTS, st.booleans(), st.just({"a": [1]}))
    return st.fixed_dictionaries(
        {"id": st.one_of(st.integers(0, 3), TEXTS, st.none())},
        optional={"name": values, "feature_id": values, "geometry": values, "ID": values},
    )


@st.composite
def _geometries(draw, depth):
    point = st.lists(COORDINATES, min_size=2, max_size=draw(st.sampled_from([2, 2, 2, 3])))
    line = st.lists(point, max_size=5)
    ring = st.lists(point, min_size=1, max_size=5).map(lambda points: [*points, points[0]])
    made = {
        "Point": point,
        "LineString": line,
        "Polygon": st.lists(ring, max_size=2),
        "MultiPoint": line,
        "MultiLineString": st.lists(line, max_size=3),
        "MultiPolygon": st.lists(st.lists(ring, max_size=2), max_size=2),
    }
    kind = draw(st.sampled_from([*made, "GeometryCollection", "None", "CircularString"]))
    if kind == "None":
        return None
    if kind == "GeometryCollection":
        return {"type": kind, "geometries": [draw(_geometries(depth - 1)) for _ in range(2)] if depth else []}
    return {"type": kind, "coordinates": draw(made.get(kind, line))}


def _layers():
    square = [
        [500_000.0, 5_000_000.0],
        [500_100.0, 5_000_000.0],
        [500_100.0, 5_000_100.0],
        [500_000.0, 5_000_000.0],
    ]
    shapes = {
        0: {"type": "LineString", "coordinates": square[:3]},
        1: {"type": "Polygon", "coordinates": [square]},
        2: {"type": "MultiPoint", "coordinates": square},
        3: {"type": "GeometryCollection", "geometries": [{"type": "Point", "coordinates": [5e5, 5e6, 7.0]}]},
    }
    crs = {"type": "name", "properties": {"name": CRS}}
    made = []
    for kind, geometry in shapes.items():
        feature = {"type": "Feature", "properties": {"id": kind, "name": "Ardelm"}, "geometry": geometry}
        made.append((kind, {"type": "FeatureCollection", "crs": crs, "features": [feature]}))
    return [bytes([kind]) + json.dumps(collection).encode() for kind, collection in made]


SETTINGS_WORDS = (
    "[[rules]]",
    "[inputs.dem]",
    "extends = 'case.toml'",
    "left_out = ['run']",
    "=",
    "[",
    "]",
    "{",
    "}",
    "'",
)
TARGETS = (
    Target("settings", _read_settings, _settings_files, _made_settings, SETTINGS_WORDS),
    Target("filters", _read_filter, _filters, _made_filters, FILTER_WORDS),
    Target(
        "data-files", _read_data_file, _data_files, _made_data_files, ("[[", "]]", "=", "source", "[", "]", "{")
    ),
    Target("tables", _read_table, _tables, _made_tables, CELLS),
    Target("layers", _read_layer, _layers, _made_layers, ('"type"', "null", "[]", "{}", '"Point"', "[[", "1e400")),
)


# ---- trying ----


def tried(target, data, folder):
    """Read one case; gives whether it was refused.

    Raises
    ------
    Exception
        If anything else comes of it, a warning included.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            target.read(data, folder)
        except SitefinderError:
            return True
    return False


def make(target, folder, examples, number, heard=lambda refused: None):
    """Try a number of cases that hypothesis makes.

    Parameters
    ----------
    target : Target
    folder : Path
    examples : int
    number : int
        The seed.
    heard : callable
        Called with whether a case was refused.

    Raises
    ------
    Exception
        Of the least case that fails, which is printed.
    """

    @seed(number)
    @profile(
        max_examples=examples,
        database=None,
        deadline=None,
        phases=[Phase.generate, Phase.shrink],
        suppress_health_check=list(HealthCheck),
    )
    @given(st.one_of(target.made(), edited(target.seeds(), target.words)))
    def case(data):
        heard(tried(target, data, folder))

    case()


# Many cases at a time, until the seconds are over; gives their number, that of refused ones, and failures.
def _make_for(target, folder, seconds):
    count = [0, 0]
    ends, number, failures = time.monotonic() + seconds, 0, []

    def heard(refused):
        count[0] += 1
        count[1] += refused

    while time.monotonic() < ends and len(failures) < 5:
        number += 1
        try:
            make(target, folder, 200, number, heard)
        except Exception as error:
            for own in error.exceptions if isinstance(error, ExceptionGroup) else [error]:
                notes = "\n".join(getattr(own, "__notes__", []))
                failures.append(f"{type(own).__name__}: {own}\n{notes}\n{_raised_at(own)}")
    return (*count, failures)


def _raised_at(error):
    trace, place = error.__traceback__, ""
    while trace is not None:
        code = trace.tb_frame.f_code
        if "sitefinder" in Path(code.co_filename).parts:
            place = f"{Path(code.co_filename).name}:{trace.tb_lineno} in {code.co_name}"
        trace = trace.tb_next
    return place


# The same by coverage, in a process of its own, which libFuzzer ends.
def _guide_for(target, seconds, folder):
    corpus = folder / f"corpus-{target.name}"
    corpus.mkdir()
    for number, data in enumerate(target.seeds()):
        (corpus / f"seed-{number}").write_bytes(data)
    words = "\n".join(f'"{_for_dictionary(word)}"' for word in target.words)
    (folder / "words").write_text(words + "\n", encoding="ascii")
    options = [
        f"-max_total_time={math.ceil(seconds)}",
        f"-dict={folder / 'words'}",
        "-print_final_stats=1",
        "-close_fd_mask=1",
    ]
    options += [f"-artifact_prefix={folder}/", "-max_len=20000", "-rss_limit_mb=4096", "-timeout=20", "-seed=1"]
    command = [sys.executable, str(Path(__file__).resolve()), GUIDED, target.name, *options, str(corpus)]
    done = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
    counted = re.search(r"number_of_executed_units: (\d+)", done.stderr)
    reached = re.findall(r"cov: (\d+)", done.stderr)
    failures = []
    if done.returncode:
        found = [path for path in folder.glob("*-*") if path.name.startswith(("crash", "timeout", "oom", "leak"))]
        case = repr(found[0].read_bytes()[:2000]) if found else ""
        raised = re.search(r"=== Uncaught Python exception: ===\n(.*?)\n\n", done.stderr + "\n\n", flags=re.DOTALL)
        failures.append(f"{raised.group(1)[-3000:] if raised else done.stderr[-2000:]}\n{case}")
    return int(counted.group(1)) if counted else 0, int(reached[-1]) if reached else 0, failures


def _for_dictionary(word):
    return "".join(
        chr(byte) if 32 <= byte < 127 and byte not in b'"\\' else f"\\x{byte:02x}" for byte in word.encode()
    )


# What the process of `_guide_for` does.
def _be_guided(name, arguments):
    target = next(target for target in TARGETS if target.name == name)
    folder = _quick_folder()

    def case(data):
        tried(target, data, Path(folder.name))

    atheris.Setup([sys.argv[0], *arguments], case)
    atheris.Fuzz()


# In memory where the system has such.
def _quick_folder():
    memory = Path("/dev/shm")
    return tempfile.TemporaryDirectory(prefix="fuzz-", dir=memory if os.access(memory, os.W_OK) else None)


def main():
    """Try, count and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60.0, help="for all targets together")
    names = [target.name for target in TARGETS]
    parser.add_argument(
        "--targets", nargs="+", choices=names, default=names, metavar="NAME", help=", ".join(names)
    )
    parser.add_argument("--guided-only", action="store_true", help="only what is guided by coverage")
    given = parser.parse_args()
    has_atheris = _has_atheris()
    if given.guided_only and not has_atheris:
        parser.error("atheris is not installed: pip install -e '.[fuzz]' (Linux)")
    row = "{:<12} {:>8} {:>8} {:>8} {:>9} {:>8}"
    print(row.format("input", "made", "refused", "guided", "branches", "failures"))
    share = given.seconds / len(given.targets) / (2 if has_atheris and not given.guided_only else 1)
    everything, total = [], 0
    for target in TARGETS:
        if target.name not in given.targets:
            continue
        made = refused = guided = reached = 0
        failures = []
        with _quick_folder() as scratch:
            if not given.guided_only:
                made, refused, failures = _make_for(target, Path(scratch), share)
            if has_atheris:
                guided, reached, more = _guide_for(target, share, Path(scratch))
                failures += more
        print(row.format(target.name, made, refused, guided, reached, len(failures)), flush=True)
        everything += [f"{target.name}: {failure}" for failure in failures]
        total += made + guided
    print(f"{total} cases" + ("" if has_atheris else "; none guided by coverage: atheris is not installed"))
    for failure in everything:
        print(f"\n{failure}")
    raise SystemExit(bool(everything))


def _has_atheris():
    import importlib.util  # noqa: PLC0415

    return importlib.util.find_spec("atheris") is not None


if __name__ == "__main__":
    if GUIDED in sys.argv:
        at = sys.argv.index(GUIDED)
        _be_guided(sys.argv[at + 1], sys.argv[at + 2 :])
    else:
        main()
