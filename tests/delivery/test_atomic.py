"""The output folder: refused early where it cannot be written; a delivery goes in whole or not at all."""

import os
import sqlite3
import subprocess
import sys

import pytest

from sitefinder.delivery import atomic as outputs
from sitefinder.delivery.atomic import deliver
from sitefinder.errors import InputError
from sitefinder.io.output_folder import OWN_FOLDER, writable_folder


def text(content):
    return lambda path: path.write_text(content)


def tree(folder):
    """Texts of all files, without those of the marker's folder."""
    return {
        str(path.relative_to(folder)): path.read_text()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and OWN_FOLDER not in path.parts
    }


def test_asking_leaves_nothing_behind(tmp_path):
    assert writable_folder(tmp_path / "a" / "b") == tmp_path / "a" / "b"

    assert list(tmp_path.iterdir()) == []


def test_a_file_in_place_of_the_folder_is_reported(tmp_path):
    (tmp_path / "out").write_text("a file")

    with pytest.raises(InputError, match="the output folder cannot be made") as raised:
        writable_folder(tmp_path / "out" / "deeper")

    assert str(raised.value) == (
        "the output folder cannot be made\n"
        f"  folder:    {tmp_path}/out/deeper\n"
        "  expected:  a folder, or a name that is still free\n"
        f"  found:     {tmp_path}/out is not a folder\n"
        "  fix:       change run.output_folder, or move that file"
    )


@pytest.mark.skipif(
    not os.path.isdir("/proc"), reason="needs a folder that refuses files even to an administrator"
)
def test_a_folder_that_takes_no_files_is_reported():
    with pytest.raises(
        InputError, match=r"cannot be written\n.*\n +expected: +permission to make files in /proc\n"
    ):
        writable_folder("/proc/out")


def test_a_first_delivery_makes_the_folder_and_nothing_else(tmp_path):
    files = deliver(tmp_path / "out", {"a.txt": text("1"), "b.txt": text("2")})

    assert files == [tmp_path / "out" / "a.txt", tmp_path / "out" / "b.txt"]
    assert tree(tmp_path) == {"out/a.txt": "1", "out/b.txt": "2"}


def test_the_delivery_before_is_kept(tmp_path):
    for content in ("first", "second", "third"):
        deliver(tmp_path, {"a.txt": text(content)})

    assert tree(tmp_path) == {"a.txt": "third", "previous/a.txt": "second"}


def test_an_equal_delivery_replaces_nothing(tmp_path):
    for content in ("first", "second", "second"):
        deliver(tmp_path, {"a.txt": text(content)})

    assert tree(tmp_path) == {"a.txt": "second", "previous/a.txt": "first"}


def test_files_of_one_delivery_are_kept_together(tmp_path):
    deliver(tmp_path, {"a.txt": text("same"), "b.txt": text("old")})
    deliver(tmp_path, {"a.txt": text("same"), "b.txt": text("new")})

    assert tree(tmp_path / "previous") == {"a.txt": "same", "b.txt": "old"}


KNOWN = ("a.txt", "b.txt", "c.txt")


def test_what_this_delivery_does_not_have_leaves_with_the_last_one(tmp_path):
    (tmp_path / "notes.txt").write_text("of the user")
    deliver(tmp_path, {"a.txt": text("1"), "b.txt": text("1")}, KNOWN)
    deliver(tmp_path, {"a.txt": text("2")}, KNOWN)

    assert tree(tmp_path) == {
        "a.txt": "2",
        "notes.txt": "of the user",
        "previous/a.txt": "1",
        "previous/b.txt": "1",
    }


def test_previous_is_the_last_delivery_and_no_other(tmp_path):
    deliver(tmp_path, {"a.txt": text("1"), "b.txt": text("1")}, KNOWN)
    deliver(tmp_path, {"a.txt": text("2"), "c.txt": text("2")}, KNOWN)
    deliver(tmp_path, {"a.txt": text("3"), "b.txt": text("3")}, KNOWN)

    expected = {"a.txt": "3", "b.txt": "3", "previous/a.txt": "2", "previous/c.txt": "2"}
    assert tree(tmp_path) == expected


def test_fewer_files_make_another_delivery_also_where_the_rest_is_equal(tmp_path):
    deliver(tmp_path, {"a.txt": text("same"), "b.txt": text("old")}, KNOWN)
    for _ in range(2):
        deliver(tmp_path, {"a.txt": text("same")}, KNOWN)

    assert tree(tmp_path) == {"a.txt": "same", "previous/a.txt": "same", "previous/b.txt": "old"}


def test_a_writer_that_fails_leaves_also_what_would_have_left(tmp_path):
    def fail(path):
        raise RuntimeError("broken off")

    deliver(tmp_path, {"a.txt": text("1"), "b.txt": text("1")}, KNOWN)

    with pytest.raises(RuntimeError, match="broken off"):
        deliver(tmp_path, {"a.txt": fail}, KNOWN)

    assert tree(tmp_path) == {"a.txt": "1", "b.txt": "1"}


# Broken off at each step that changes the folder: a killed run stops between two of them.
@pytest.mark.parametrize("steps", range(14))
def test_wherever_it_is_broken_off_no_old_file_lies_beside_a_new_one_and_none_is_lost(
    tmp_path, monkeypatch, steps
):
    deliver(tmp_path, {"a.txt": text("1"), "b.txt": text("1")}, KNOWN)
    left = [steps]

    def counted(change):
        def changing(*arguments, **options):
            if left[0] == 0:
                raise KeyboardInterrupt
            left[0] -= 1
            return change(*arguments, **options)

        return changing

    with monkeypatch.context() as patch:
        patch.setattr(outputs.os, "replace", counted(outputs.os.replace))
        patch.setattr(outputs.Path, "unlink", counted(outputs.Path.unlink))
        with pytest.raises(KeyboardInterrupt):
            deliver(tmp_path, {"a.txt": text("2")}, KNOWN)

    found = tree(tmp_path)
    assert found["a.txt"] in ("1", "2")
    assert not (found["a.txt"] == "2" and "b.txt" in found)
    assert "1" in (found.get("b.txt"), found.get("previous/b.txt"))
    deliver(tmp_path, {"a.txt": text("2")}, KNOWN)
    after = tree(tmp_path)
    assert (after["a.txt"], after["previous/a.txt"], "b.txt" in after) == ("2", "1", False)


def test_a_failing_writer_leaves_all_as_it_was(tmp_path):
    def fail(path):
        path.write_text("half")
        raise RuntimeError("broken off")

    deliver(tmp_path, {"a.txt": text("good"), "b.txt": text("good")})

    with pytest.raises(RuntimeError, match="broken off"):
        deliver(tmp_path, {"a.txt": text("bad"), "b.txt": fail})

    assert tree(tmp_path) == {"a.txt": "good", "b.txt": "good"}


def test_a_full_disk_is_the_users_to_mend(tmp_path):
    def full(path):
        raise OSError(28, "No space left on device")

    with pytest.raises(InputError, match="No space left on device"):
        deliver(tmp_path, {"a.txt": full})

    assert tree(tmp_path) == {}


def test_disks_without_links_are_served_by_copies(tmp_path, monkeypatch):
    def no_link(source, target):
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(outputs.os, "link", no_link)
    for content in ("first", "second"):
        deliver(tmp_path, {"a.txt": text(content)})

    assert tree(tmp_path) == {"a.txt": "second", "previous/a.txt": "first"}


# A database with one row, whose log is still beside it because a reader holds it open.
def database(path, value):
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("CREATE TABLE t (value)")
    connection.execute("INSERT INTO t VALUES (?)", (value,))
    connection.commit()
    return connection


def test_a_log_that_a_viewer_left_goes_with_its_own_database(tmp_path):
    def plain(path):
        database(path, "new").close()

    deliver(tmp_path, {"a.db": lambda path: database(path, "first").close()})
    viewer = sqlite3.connect(tmp_path / "a.db")
    viewer.execute("UPDATE t SET value = 'old'")
    viewer.commit()
    assert (tmp_path / "a.db-wal").stat().st_size > 0

    deliver(tmp_path, {"a.db": plain})

    assert not (tmp_path / "a.db-wal").exists()
    for place, expected in ((tmp_path, "new"), (tmp_path / "previous", "old")):
        reader = sqlite3.connect(place / "a.db")
        assert reader.execute("SELECT value FROM t").fetchall() == [(expected,)]
        assert reader.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        reader.close()
    viewer.close()


@pytest.mark.skipif(os.name == "nt", reason="on Windows nobody can ask whether a process lives")
def test_what_a_killed_run_left_half_written_is_removed_and_what_others_write_stays(tmp_path):
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    own = outputs._own_drafts()
    names = [f"{own}{ended.pid}-x", f"{own}{os.getpid()}-x", f".writing-elsewhere-{ended.pid}-x", f"{own}-x"]
    for name in names:
        (tmp_path / name).mkdir()
        (tmp_path / name / "sites.gpkg").write_text("half")

    deliver(tmp_path, {"a.txt": text("new")})

    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([*names[1:], OWN_FOLDER, "a.txt"])
