"""Presets of DEM errors: the shipped ones load, one without error or source does not, and settings go first."""

import pytest

from sitefinder.errors import ConfigError
from sitefinder.io.catalogue_files import read_dem_error
from sitefinder.settings import DemSource

PRESET = """\
name = "invented"
kind = "surface"
error_le95_m = 1.96
error_correlation_length_m = 30.0

[sources]
error = "invented, table 1"
error_correlation_length_m = "invented"
kind = "invented"
"""


def dem(**values):
    return DemSource(path="dem.tif", vertical_unit="metre", vertical_datum="invented", **values)


def test_every_shipped_preset_loads_with_its_source(repository):
    paths = sorted((repository / "config" / "dem-errors").glob("*.toml"))

    assert len(paths) == 7
    for path in paths:
        error, lineage = read_dem_error(dem(error_preset=path.name), path.parent)
        assert 0.05 < error.rmse_m < 10
        assert error.correlation_length_m > 0
        assert lineage["path"] == path.name
        assert len(lineage["source"]) > 20
        assert error.is_surface == ('kind = "surface"' in path.read_text(encoding="utf-8"))


def test_a_preset_gives_what_the_settings_do_not_state(tmp_path):
    (tmp_path / "own.toml").write_text(PRESET, encoding="utf-8")

    whole, _ = read_dem_error(dem(error_preset="own.toml"), tmp_path)
    partly, _ = read_dem_error(
        dem(error_preset="own.toml", error_correlation_length_m=7.0, kind="terrain"), tmp_path
    )

    assert whole.rmse_m == pytest.approx(1.0, abs=0.0001)
    assert (whole.correlation_length_m, whole.is_surface) == (30.0, True)
    assert (partly.rmse_m, partly.correlation_length_m, partly.is_surface) == (whole.rmse_m, 7.0, False)


@pytest.mark.parametrize(
    ("stated", "rmse_m"),
    [({"error_rmse_m": 2.44}, 2.44), ({"error_le90_m": 1.6448536}, 1.0), ({"error_le95_m": 1.959964}, 1.0)],
)
def test_without_a_preset_the_stated_error_is_converted(stated, rmse_m, tmp_path):
    # Standard deviations that hold 90 % and 95 % of the normal distribution, from a table of it.
    error, lineage = read_dem_error(dem(**stated), tmp_path)

    assert error.rmse_m == pytest.approx(rmse_m, rel=1e-7)
    assert (error.correlation_length_m, error.is_surface) == (100.0, False)
    assert lineage is None


def test_a_preset_without_error_or_source_says_all_that_it_lacks(tmp_path):
    text = PRESET.replace("error_le95_m = 1.96\n", "eror_le90_m = 2\n").replace("surface", "trees")
    text = text.replace('error = "invented, table 1"\n', "")
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")

    with pytest.raises(ConfigError, match="4 problems") as caught:
        read_dem_error(dem(error_preset="own.toml"), tmp_path)

    assert str(caught.value) == (
        f"{tmp_path / 'own.toml'}: 4 problems\n"
        "  eror_le90_m: no such setting; did you mean error_le90_m?\n"
        "  error_rmse_m: state exactly one of error_le90_m, error_le95_m and error_rmse_m (found none)\n"
        "  kind: input should be 'terrain' or 'surface' (found 'trees')\n"
        "  sources.error: missing\n"
        "  fix:  correct these keys in the file"
    )


def test_a_preset_that_is_not_there_is_reported(tmp_path):
    with pytest.raises(ConfigError, match="there is no such DEM error file"):
        read_dem_error(dem(error_preset="lidr.toml"), tmp_path)
