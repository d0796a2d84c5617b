"""Settings and other TOML files from disk: found, read, and refused with the place of the fault."""

import pytest

from sitefinder.errors import ConfigError
from sitefinder.io.settings_files import read_settings, read_toml
from sitefinder.settings import Settings


def test_tables_and_lists_come_as_they_are(tmp_path):
    path = tmp_path / "rules.toml"
    path.write_text('name = "Größe"\n[[rules]]\nbuffer_m = 5.5\nvalues = ["a", 2]\n', encoding="utf-8")

    assert read_toml(path) == {"name": "Größe", "rules": [{"buffer_m": 5.5, "values": ["a", 2]}]}


def test_a_file_that_is_not_there_is_an_error(tmp_path):
    with pytest.raises(ConfigError, match="no such settings file") as caught:
        read_settings(tmp_path / "run.toml")

    assert str(caught.value) == (
        f"there is no such settings file\n  file:  {tmp_path / 'run.toml'}\n  fix:   check the path"
    )


def test_a_folder_is_no_settings_file(tmp_path):
    with pytest.raises(ConfigError, match="the turbine file cannot be read"):
        read_toml(tmp_path, "turbine")


def test_a_file_that_is_not_toml_is_an_error_with_its_line(tmp_path):
    path = tmp_path / "run.toml"
    path.write_text('[run]\nname = "north\n')

    with pytest.raises(ConfigError, match="the settings file is not TOML") as caught:
        read_toml(path)

    assert str(path) in str(caught.value)
    assert "line 2" in str(caught.value)


def test_a_file_of_other_bytes_is_an_error(tmp_path):
    path = tmp_path / "run.toml"
    path.write_bytes(b'name = "\xff\xfe"\n')

    with pytest.raises(ConfigError, match="not UTF-8 text"):
        read_toml(path)


def test_problems_are_headed_by_the_file(tmp_path):
    path = tmp_path / "run.toml"
    path.write_text('[run]\nname = "north"\n')

    with pytest.raises(ConfigError, match=r"run\.crs: missing") as caught:
        read_settings(path)

    assert str(caught.value).startswith(f"{path}: ")


@pytest.mark.parametrize(
    "name", ["config/sample.toml", "config/stricter.toml", "config/public.toml", "tests/real/logan.toml"]
)
def test_settings_that_come_with_the_project_are_read(repository, name):
    assert isinstance(read_settings(repository / name), Settings)
