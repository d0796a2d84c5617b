"""A stage whose numbers moved must have another version, or results that are kept would be taken for new ones.

``stage_numbers.json`` holds, for each stage, its version and a digest of its results on a small valley. When a
test here fails: raise the version of the stage that you changed, in sitefinder/stages/stage_graph.py, then

    REFRESH_STAGE_NUMBERS=1 .venv/bin/python -m pytest tests/stages/test_stage_versions.py

which writes the table anew, and still refuses numbers that moved without a version. Where only a library moved
them (its version is part of every key), say ``REFRESH_STAGE_NUMBERS=libraries``.
"""

import hashlib
import json
import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from pydantic import BaseModel

from sitefinder.io.rasters import read_labels
from sitefinder.pipeline.graph import Stage, run_stages
from sitefinder.stages.run import STAGES, check

TABLE = Path(__file__).parent / "stage_numbers.json"
# What two platforms may make of one sum is far below the fifth digit; nothing below a billionth is told from 0.
DIGITS, LEAST = 5, 1e-9
REFRESH = os.environ.get("REFRESH_STAGE_NUMBERS", "")


def plain(value):
    """A result as JSON holds it, its numbers rounded."""
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float | np.floating):
        number = float(value)
        return (
            repr(number)
            if not np.isfinite(number)
            else 0.0
            if abs(number) < LEAST
            else float(f"{number:.{DIGITS - 1}e}")
        )
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, shapely.Geometry):
        return [value.geom_type, plain(shapely.get_coordinates(value))]
    if isinstance(value, pd.DataFrame):
        return [list(map(str, value.columns)), *(plain(value.iloc[:, at]) for at in range(value.shape[1]))]
    if isinstance(value, pd.Series):
        return [
            None if missing else plain(item)
            for item, missing in zip(value.astype(object), value.isna(), strict=True)
        ]
    if isinstance(value, Path) and value.suffix == ".npz":
        return plain(read_labels(value))
    if isinstance(value, Path):
        with rasterio.open(value) as raster:
            return plain(raster.read(1))
    if isinstance(value, BaseModel):
        return plain(dict(value))
    if isinstance(value, dict):
        return [[str(key), plain(item)] for key, item in value.items()]
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    raise TypeError(f"a result holds a {type(value).__name__}: say here how its numbers are told")


def digest(value):
    """A short text that moves when a rounded number does."""
    return hashlib.sha256(json.dumps(plain(value)).encode()).hexdigest()[:16]


def unseen_moves(table, now, stages):
    """Stages whose numbers moved, though neither they nor those before them tell a new version."""
    moved, told_anew = [], set()
    for stage in stages:
        before = table.get(stage.name)
        if before is None or before["version"] != stage.version or told_anew & set(stage.reads):
            told_anew.add(stage.name)
        elif before["digest"] != now[stage.name]["digest"]:
            moved.append(stage.name)
    return moved


@pytest.fixture(scope="module")
def now(write_valley, tmp_path_factory):
    """Version and digest of each stage, of a run on the valley."""
    folder = tmp_path_factory.mktemp("numbers")
    settings, inputs = check(write_valley(folder))
    given = {"settings": settings, "inputs": inputs, "scratch": folder, "progress": None}
    results = run_stages(STAGES, given)
    return {stage.name: {"version": stage.version, "digest": digest(results[stage.name])} for stage in STAGES}


@pytest.fixture(scope="module")
def table(now):
    """The table as committed; written anew first, where that is asked for and right."""
    kept = json.loads(TABLE.read_text(encoding="utf-8")) if TABLE.exists() else {}
    if REFRESH == "libraries" or (REFRESH and not unseen_moves(kept, now, STAGES)):
        TABLE.write_text(json.dumps(now, indent=1) + "\n", encoding="utf-8")
        return now
    return kept


def test_no_stage_has_other_numbers_under_an_old_version(table, now):
    assert unseen_moves(table, now, STAGES) == [], "raise the version of the stage that changed, see above"


def test_the_table_tells_the_versions_and_numbers_of_today(table, now):
    assert table == now, "write the table anew, see above"


A, B = Stage("a", lambda: 1, (), 1), Stage("b", lambda a: 1, ("a",), 1)
KEPT = {"a": {"version": 1, "digest": "one"}, "b": {"version": 1, "digest": "two"}}


@pytest.mark.parametrize(
    ("stages", "digests", "unseen"),
    [
        ((A, B), ("one", "two"), []),
        ((A, B), ("1", "two"), ["a"]),
        ((A, B), ("one", "2"), ["b"]),
        ((A._replace(version=2), B), ("1", "2"), []),
        ((A, B._replace(version=2)), ("one", "2"), []),
        ((A, B._replace(version=2)), ("1", "2"), ["a"]),
        ((A, B, Stage("c", lambda: 1, (), 1)), ("one", "two", "new"), []),
    ],
)
def test_moves_are_found_and_what_follows_a_new_version_is_none(stages, digests, unseen):
    names = [stage.name for stage in stages]
    found = {name: {"version": 1, "digest": told} for name, told in zip(names, digests, strict=True)}

    assert unseen_moves(KEPT, found, stages) == unseen


@pytest.mark.parametrize(
    "other",
    [
        {"x": np.array([1.0, 2.0002])},
        {"x": np.array([1.0, 2.0]), "y": 1},
        {"x": [1.0]},
        {"x": pd.DataFrame({"a": [1.0, 2.0]})},
        {"x": shapely.Point(1.0, 2.0)},
    ],
)
def test_a_digest_moves_with_its_numbers_and_not_with_the_noise_of_a_platform(other):
    numbers = {"x": np.array([1.0, 2.0])}

    assert digest(numbers) == digest({"x": np.array([1.0 + 1e-12, 2.0 - 1e-12])})
    assert digest(numbers) != digest(other)
    assert digest([0.0, np.nan]) == digest([-1e-15, np.nan]) != digest([0.0, None])


def test_the_valley_gives_every_stage_something_to_tell(now):
    digests = [told["digest"] for name, told in now.items() if name not in ("resolved", "dem_seams", "heads")]

    assert len(set(digests)) == len(digests)
