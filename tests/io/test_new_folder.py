"""The folder to begin with: from a checkout and from a built wheel, and that nothing is ever overwritten."""

import os
import subprocess
import sys
import tomllib
import zipfile

import pytest

from sitefinder.errors import InputError
from sitefinder.io.new_folder import write_new_folder


def held(folder):
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_the_folder_holds_settings_data_files_and_a_place_for_data(tmp_path, repository):
    settings = write_new_folder(tmp_path / 'Upper "valley" Ærø')

    assert settings == tmp_path / 'Upper "valley" Ærø' / "settings.toml"
    assert tomllib.loads(settings.read_text(encoding="utf-8"))["run"]["name"] == 'Upper "valley" Ærø'
    assert (settings.parent / "data").is_dir()
    files = held(settings.parent)
    for name in ("turbines/generic.toml", "costs/generic.toml", "environmental-flow/presumptive_standard.toml"):
        assert files[name] == (repository / "config" / name).read_bytes()


def test_every_file_that_the_settings_name_is_there_and_each_is_a_file_of_ours(tmp_path):
    settings = write_new_folder(tmp_path / "here")
    text = settings.read_text(encoding="utf-8")

    named = {word.strip('",;[]') for word in text.split() if word.strip('",;[]').endswith(".toml")}
    theirs = {name for name in named if not name.startswith("data/")} - {"settings.toml"}
    assert theirs
    assert sorted(name for name in theirs if not (settings.parent / name).is_file()) == []


def test_an_empty_folder_is_used_and_one_that_holds_something_is_left_as_it_is(tmp_path):
    (tmp_path / "empty").mkdir()
    write_new_folder(tmp_path / "empty")
    before = held(tmp_path)

    for taken in (tmp_path / "empty", tmp_path / "empty" / "settings.toml"):
        with pytest.raises(InputError, match="the folder is not empty"):
            write_new_folder(taken)

    assert held(tmp_path) == before


def test_a_wheel_brings_the_same_files(tmp_path, repository):
    pytest.importorskip("setuptools", minversion="77", reason="an older one cannot build this wheel")
    source = tmp_path / "source"
    source.mkdir()
    for name in ("pyproject.toml", "README.md", "LICENSE", "sitefinder", "config"):
        (source / name).symlink_to(repository / name)
    build = [
        sys.executable,
        "-c",
        "import setuptools.build_meta as b, sys; b.build_wheel(sys.argv[1])",
        str(tmp_path),
    ]
    subprocess.run(build, cwd=source, check=True, capture_output=True, text=True)
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as opened:
        opened.extractall(tmp_path / "site")

    command = [sys.executable, "-c", "from sitefinder.cli import main; main()", "new", str(tmp_path / "made")]
    environment = {**os.environ, "PYTHONPATH": str(tmp_path / "site")}
    subprocess.run(command, cwd=tmp_path, env=environment, check=True, capture_output=True, text=True)

    write_new_folder(tmp_path / "made-here" / "made")
    assert held(tmp_path / "made") == held(tmp_path / "made-here" / "made")
