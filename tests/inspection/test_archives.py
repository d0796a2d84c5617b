"""Archives that would fill a disk: refused by what their list of files states, before anything is unpacked."""

import copy
import random
import shutil
import zipfile
from collections import namedtuple

import pytest

from sitefinder.errors import InputError
from sitefinder.inspection import archives
from sitefinder.inspection.archives import unpack
from sitefinder.inspection.inspecting import inspect_files


@pytest.fixture
def packed(tmp_path):
    """Writes an archive of one small file, whose list of files is changed before it is closed."""

    def write(change=lambda files: None, text="id\n1\n"):
        path = tmp_path / "data.zip"
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("data.csv", text)
            change(archive.filelist)
        return path

    return write


@pytest.fixture
def untouched(monkeypatch):
    """Nothing in an archive may be opened."""

    opened = zipfile.ZipFile.open

    def writes_alone(archive, name, mode="r", **options):
        assert mode == "w", f"{name} of the archive was opened"
        return opened(archive, name, mode, **options)

    monkeypatch.setattr(zipfile.ZipFile, "open", writes_alone)


def stating(file_size):
    """A change of the list of files: how large the first one is said to be."""
    return lambda files: setattr(files[0], "file_size", file_size)


def lying_on_one_another(files):
    for number in range(9):
        files.append(copy.copy(files[0]))
        files[-1].filename = f"data-{number}.csv"


@pytest.mark.parametrize(
    ("change", "found"),
    [
        (stating(600_000_000), r"1 file of 600,000,000 bytes, packed into [\d,]+: [\d,]+ times as much"),
        (stating(20_000_000_001), "1 file of 20,000,000,001 bytes"),
        (lying_on_one_another, r"parts of [\d,]+ bytes in a file of [\d,]+"),
    ],
    ids=["much of little", "too much", "parts that share their bytes"],
)
def test_an_archive_is_refused_by_its_list_before_anything_is_unpacked(packed, tmp_path, untouched, change, found):
    path = packed(change, random.Random(1).randbytes(3000))

    with pytest.raises(
        InputError, match=f"the archive cannot be unpacked(.|\n)*found: +{found}\n  fix: +unpack it"
    ):
        unpack(path, tmp_path)

    assert list(tmp_path.iterdir()) == [path]
    inspected = inspect_files([str(path)])
    assert inspected.found == []
    assert len(inspected.problems) == 1


def test_an_archive_of_too_many_files_is_refused(packed, tmp_path, untouched, monkeypatch):
    monkeypatch.setattr(archives, "MAX_FILES", 9)

    with pytest.raises(InputError, match=r"found: +10 files of 50 bytes"):
        unpack(packed(lying_on_one_another), tmp_path)


def test_an_archive_that_the_disk_has_no_room_for_is_refused_with_what_to_do(
    packed, tmp_path, untouched, monkeypatch
):
    room = namedtuple("Room", ["total", "used", "free"])
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: room(0, 0, archives.SPARE_BYTES + 4))

    with pytest.raises(
        InputError, match=r"room on the disk .* for 5 bytes\n +found: +100,000,004 bytes free\n.*TMPDIR"
    ):
        unpack(packed(), tmp_path)


def test_a_file_that_is_larger_than_its_list_states_ends_at_that_size(packed, tmp_path):
    path = packed(stating(10), 1_000_000 * "0")
    out = tmp_path / "out"
    out.mkdir()

    with pytest.raises(InputError, match="an archive that cannot be unpacked"):
        unpack(path, out)

    assert sum(file.stat().st_size for file in out.rglob("*")) <= 10


def test_a_small_archive_may_be_packed_as_tight_as_it_likes(packed, tmp_path):
    text = 1_000_000 * "0"
    path, out = packed(text=text), tmp_path / "new" / "out"
    assert len(text) > archives.MAX_RATIO * path.stat().st_size

    unpack(path, out)

    assert (out / "data.csv").read_text() == text
