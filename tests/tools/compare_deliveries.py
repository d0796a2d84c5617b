"""Compare two deliveries layer by layer and column by column, exactly, through a table of renames.

    python tests/tools/compare_deliveries.py OLD.gpkg NEW.gpkg [RENAMES.toml] [--key LAYER=COLUMN,...]

RENAMES.toml (optional):

    [layers]                      # old layer = "new layer"
    fish_safe_gain = "fish_safe_gain"
    [columns]                     # for every layer: old column = "new column"
    machine = "turbine"
    [columns_of.sites]            # for one layer, by its OLD name; wins over [columns]
    prob_top = "prob_in_top_n"
    [values]                      # texts that were renamed, wherever a whole value equals the left one
    "too dear" = "above the cost limit"
    [values_of.reaches.verdict]   # or for one OLD column alone

Numbers, booleans and geometry must be equal to the last bit; texts as renamed. Rows are compared in their order;
where the numbers of rows differ, rows are matched by the layer's key columns if given.
Exit 1 where anything differs.
"""

import sys
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pyogrio
import shapely

SHOWN = 5
BOOKKEEPING = {"fid", "row_id", "ogc_fid"}


def main(arguments):
    """Print what differs; gives the exit status."""
    keys = {}
    paths = []
    waiting = iter(arguments)
    for argument in waiting:
        if argument == "--key":
            layer, _, columns = next(waiting).partition("=")
            keys[layer] = columns.split(",")
        else:
            paths.append(argument)
    old_path, new_path, *rest = paths
    renames = tomllib.loads(Path(rest[0]).read_text(encoding="utf-8")) if rest else {}
    found = {path: [str(name) for name, _ in pyogrio.list_layers(path)] for path in (old_path, new_path)}
    layer_names = renames.get("layers", {})
    problems, same, new_names = [], 0, set()
    for layer in found[old_path]:
        new_layer = layer_names.get(layer, layer)
        if new_layer not in found[new_path]:
            problems.append(f"{layer}: no layer {new_layer} in the new file")
            continue
        new_names.add(new_layer)
        equal, found_here = compare_layer(old_path, new_path, layer, new_layer, renames, keys.get(layer))
        same += equal
        problems += found_here
    for layer in found[new_path]:
        if layer not in new_names:
            problems.append(f"{layer}: layer is new")
    print(f"{same} columns are equal to the last digit; {len(problems)} exceptions")
    for problem in problems:
        print(f"  {problem}")
    return 1 if problems else 0


def compare_layer(old_path, new_path, layer, new_layer, renames, key):
    """Number of equal columns of a layer, and what differs in it."""
    old, new = read(old_path, layer), read(new_path, new_layer)
    columns = renames.get("columns", {}) | renames.get("columns_of", {}).get(layer, {})
    problems, same = [], 0
    if key and all(name in old for name in key):
        old = old.sort_values(key, kind="stable", ignore_index=True)
        new = new.sort_values([columns.get(name, name) for name in key], kind="stable", ignore_index=True)
    if len(old) != len(new):
        return 0, [f"{layer}: {len(old)} rows → {len(new)} rows" + missing_rows(old, new, columns)]
    used = set()
    for name in old.columns:
        new_name = columns.get(name, name)
        if new_name not in new:
            problems.append(f"{layer}.{name}: no column {new_name} in the new file")
            continue
        used.add(new_name)
        values = renames.get("values", {}) | renames.get("values_of", {}).get(layer, {}).get(name, {})
        rows = differing(old[name], new[new_name], values)
        if len(rows):
            shown = ", ".join(
                f"row {row + 1}: {old[name].iloc[row]!r} → {new[new_name].iloc[row]!r}" for row in rows[:SHOWN]
            )
            problems.append(f"{layer}.{name}: {len(rows)} of {len(old)} rows differ; {shown[:600]}")
        else:
            same += 1
    problems += [f"{layer}.{name}: column is new" for name in new.columns if name not in used]
    order = [columns.get(name, name) for name in old.columns if columns.get(name, name) in new.columns]
    if not problems and order != [name for name in new.columns if name in order]:
        problems.append(f"{layer}: order of columns differs")
    return same, problems


def read(path, layer):
    """A layer as a table, without the numbers that writers give to rows."""
    table = pyogrio.read_dataframe(path, layer=layer)
    return pd.DataFrame(table.drop(columns=[name for name in table.columns if name in BOOKKEEPING]))


def missing_rows(old, new, columns):
    """Rows by name that only one of two tables has, as text."""
    name = old.columns[1] if old.columns[0] == "kind" else old.columns[0]
    new_name = columns.get(name, name)
    if new_name not in new:
        return ""
    gone = [str(value) for value in old[name] if value not in set(new[new_name])][:8]
    came = [str(value) for value in new[new_name] if value not in set(old[name])][:8]
    return f" (by {name}: gone {gone}, new {came})"


def differing(old, new, values):
    """Numbers of the rows that differ."""
    a, b = old.to_numpy(dtype=object), new.to_numpy(dtype=object)
    return np.flatnonzero([not equal(one, other, values) for one, other in zip(a, b, strict=True)])


def equal(one, other, values):
    """Whether two values are the same, renamed texts included."""
    if isinstance(one, shapely.Geometry) or isinstance(other, shapely.Geometry):
        return (
            isinstance(one, shapely.Geometry)
            and isinstance(other, shapely.Geometry)
            and shapely.to_wkb(one) == shapely.to_wkb(other)
        )
    if is_nothing(one) or is_nothing(other):
        return is_nothing(one) and is_nothing(other)
    if isinstance(one, str):
        return values.get(one, one) == other
    return type(one) is type(other) and one == other


def is_nothing(value):
    """Whether a cell is empty."""
    return value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
