"""Lineage of the data files of a run: each file once, and a digest that changes with the content alone."""

import hashlib

from sitefinder.io.catalogue_files import data_file_lineage
from sitefinder.settings import check_settings

SETTINGS = {
    "run": {"name": "North", "crs": "EPSG:32633", "output_folder": "out"},
    "inputs": {
        "dem": {"path": "dem.tif", "vertical_unit": "metre", "vertical_datum": "invented", "error_rmse_m": 0.5}
    },
    "flows": {
        "gauges": {
            "path": "gauges.csv",
            "predictors": ["area_km2"],
            "source": "somebody",
            "daily": {"unit": "m3s"},
        },
        "environmental": [{"preset": "low.toml"}, {"preset": "low.toml"}, {"kind": "share_of_mean", "share": 0.1}],
    },
    "energy": {"turbines": ["own.toml", "generic.toml"]},
    "costs": {"file": "costs.toml", "price_per_kwh": 0.2},
}


def test_each_file_has_a_row_with_the_digest_of_its_bytes(tmp_path):
    for name in ("own.toml", "generic.toml", "costs.toml", "low.toml", "one.csv", "two.csv"):
        (tmp_path / name).write_text(f'name = "{name}"\n')
    table = tmp_path / "gauges.csv"
    table.write_text("gauge_id,daily_file\nG1,two.csv\nG2,one.csv\nG3,\n")
    settings = check_settings(SETTINGS, "run.toml")

    lineage = {row["name"]: row for row in data_file_lineage(settings, tmp_path)}

    assert {name: row["path"] for name, row in lineage.items()} == {
        "turbine file 1": "own.toml",
        "turbine file 2": "generic.toml",
        "cost file": "costs.toml",
        "environmental flow preset 1": "low.toml",
        "gauges": "gauges.csv",
    }
    assert lineage["cost file"]["digest"] == hashlib.sha256(b'name = "costs.toml"\n').hexdigest()
    # Name and content of each file of several, as `io.digests` makes it.
    days = [b'name = "one.csv"\n', b'name = "two.csv"\n']
    parts = [b"gauges.csv", table.read_bytes(), b"one.csv", days[0], b"two.csv", days[1]]
    assert lineage["gauges"]["digest"] == hashlib.sha256(b"".join(parts)).hexdigest()
    assert lineage["gauges"]["source"] == "somebody"

    (tmp_path / "two.csv").write_text("another day")
    changed = {row["name"]: row["digest"] for row in data_file_lineage(settings, tmp_path)}

    assert [name for name in changed if changed[name] != lineage[name]["digest"]] == ["gauges"]
