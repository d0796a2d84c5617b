"""An edition is put in place as a whole, also where the program is killed on the way."""

import os

import pytest

from sitefinder.errors import InputError
from sitefinder.publication import edition_folder
from sitefinder.publication.edition_folder import problem_of_folder, put_in_place


def writer(**files):
    def write(folder):
        (folder / "part").mkdir()
        for name, text in files.items():
            (folder / "part" / f"{name}.txt").write_text(text, encoding="utf-8")

    return write


def texts(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_text(encoding="utf-8")
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != "edition.json"
    }


def test_a_new_folder_gets_all_files_and_nothing_stays_beside_it(tmp_path):
    files = put_in_place(tmp_path / "new" / "public", writer(a="1"))

    assert texts(tmp_path) == {"new/public/part/a.txt": "1"}
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["public"]
    assert [path.name for path in files] == ["edition.json", "a.txt"]
    assert problem_of_folder(tmp_path / "new" / "public") is None


def test_an_edition_replaces_the_last_one_whole(tmp_path):
    put_in_place(tmp_path / "public", writer(a="1", b="1"))
    put_in_place(tmp_path / "public", writer(a="2"))

    assert texts(tmp_path) == {"public/part/a.txt": "2"}


def test_a_write_that_fails_leaves_the_last_edition(tmp_path):
    put_in_place(tmp_path / "public", writer(a="1"))

    def full(folder):
        (folder / "half.txt").write_text("half", encoding="utf-8")
        raise OSError(28, "No space left on device")

    with pytest.raises(InputError, match="No space left on device"):
        put_in_place(tmp_path / "public", full)

    assert texts(tmp_path) == {"public/part/a.txt": "1"}
    assert [path.name for path in tmp_path.iterdir()] == ["public"]


class Killed(BaseException):
    """Stands for the end of the process: nothing after it runs but what an error runs too."""


@pytest.mark.parametrize(("moves", "left"), [(0, "1"), (1, "2"), (2, "2")])
def test_after_a_kill_between_the_moves_the_next_edition_finds_one_that_is_whole(
    tmp_path, monkeypatch, moves, left
):
    """Of the moves to the last edition's place and to the new one's, ``moves`` are done before the kill."""
    folder = tmp_path / "public"
    put_in_place(folder, writer(a="1"))
    real, done = os.replace, []

    def replace(source, target):
        if len(done) == moves:
            raise Killed
        done.append(target)
        real(source, target)

    monkeypatch.setattr(edition_folder.os, "replace", replace)
    monkeypatch.setattr(edition_folder.shutil, "rmtree", lambda *_, **__: None)
    if moves < 2:
        with pytest.raises(Killed):
            put_in_place(folder, writer(a="2"))
    else:
        put_in_place(folder, writer(a="2"))
    monkeypatch.undo()
    seen = []

    def look(new):
        seen.append(texts(folder) if folder.exists() else None)
        writer(a="3")(new)

    put_in_place(folder, look)

    assert seen == [{"part/a.txt": left}]
    assert texts(tmp_path) == {"public/part/a.txt": "3"}


def test_a_link_and_a_file_are_no_folders(tmp_path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    (tmp_path / "link").symlink_to(tmp_path, target_is_directory=True)

    for name, found in (("file", "a file"), ("link", "a symbolic link")):
        assert found in str(problem_of_folder(tmp_path / name))


def test_what_systems_leave_in_folders_is_nobodys(tmp_path):
    put_in_place(tmp_path / "public", writer(a="1"))
    (tmp_path / "public" / "Thumbs.db").write_text("", encoding="utf-8")
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty" / ".DS_Store").write_text("", encoding="utf-8")

    assert problem_of_folder(tmp_path / "public") is None
    assert problem_of_folder(tmp_path / "empty") is None
    put_in_place(tmp_path / "empty", writer(a="2"))
    assert texts(tmp_path / "empty") == {"part/a.txt": "2"}


def test_markers_of_other_programs_and_versions_are_not_taken_for_ones_own(tmp_path):
    (tmp_path / "edition.json").write_text('{"kind": "sitefinder public edition", "version": 2, "files": {}}')

    assert "holds no public edition" in str(problem_of_folder(tmp_path))
