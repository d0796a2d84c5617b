"""What is the user's in an output folder stays: only what was delivered is replaced; what was edited is kept."""

import json
import sqlite3

import pytest

from sitefinder.delivery.atomic import deliver
from sitefinder.delivery.ownership import MARKER, delivered_digest, read_marker
from sitefinder.errors import InputError
from sitefinder.io.output_folder import OWN_FOLDER

KNOWN = ("sites.gpkg", "a.txt", "totals.csv")


def text(content):
    return lambda path: path.write_text(content)


def texts(folder):
    return {
        str(path.relative_to(folder)): path.read_text(errors="replace")
        for path in sorted(folder.rglob("*"))
        if path.is_file() and OWN_FOLDER not in path.parts
    }


def geopackage(program, mark):
    """A writer of a database with the table by which a delivery is recognised."""

    def write(path):
        path.unlink(missing_ok=True)
        database = sqlite3.connect(path)
        database.execute("CREATE TABLE provenance (kind, name, value)")
        database.execute("INSERT INTO provenance VALUES ('version', ?, ?)", (program, mark))
        database.commit()
        database.close()

    return write


def marked(path):
    database = sqlite3.connect(path)
    ((found,),) = database.execute("SELECT value FROM provenance").fetchall()
    database.close()
    return found


def test_a_folder_with_files_of_the_user_is_refused_and_left_alone(tmp_path):
    (tmp_path / "totals.csv").write_text("of the user")

    for _ in range(2):
        with pytest.raises(InputError) as refused:
            deliver(tmp_path, {"a.txt": text("1"), "totals.csv": text("1")}, KNOWN, is_own=True)

    assert str(refused.value) == (
        "the output folder holds files that sitefinder did not deliver\n"
        f"  folder:    {tmp_path}\n"
        "  expected:  an empty folder, one that does not exist, or one with a delivery "
        "(.sitefinder-delivery/delivery.json)\n"
        "  found:     totals.csv\n"
        "  fix:       set run.output_folder to a folder of its own, or move these files to another one"
    )
    assert [path.name for path in tmp_path.iterdir()] == ["totals.csv"]
    assert texts(tmp_path) == {"totals.csv": "of the user"}


def test_doing_what_the_fix_says_delivers(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "totals.csv").write_text("of the user")
    (tmp_path / "out" / "totals.csv").rename(tmp_path / "totals.csv")

    deliver(tmp_path / "out", {"totals.csv": text("1")}, KNOWN, is_own=True)

    assert texts(tmp_path) == {"out/totals.csv": "1", "totals.csv": "of the user"}


def test_what_systems_leave_in_a_folder_is_no_file_of_the_user(tmp_path):
    (tmp_path / ".DS_Store").write_bytes(b"\x00")

    deliver(tmp_path, {"a.txt": text("1")}, KNOWN, is_own=True)

    assert (tmp_path / "a.txt").read_text() == "1"


def test_a_file_that_was_not_delivered_is_refused_beside_those_that_were(tmp_path):
    deliver(tmp_path, {"a.txt": text("1")}, KNOWN, is_own=True)
    (tmp_path / "totals.csv").write_text("of the user")
    before = texts(tmp_path)

    with pytest.raises(InputError, match=r"has the name of one that would be delivered\n +file: +.*totals\.csv\n"):
        deliver(tmp_path, {"a.txt": text("2"), "totals.csv": text("2")}, KNOWN, is_own=True)

    assert texts(tmp_path) == before
    # A delivery without that file leaves it where it is, under any name that another delivery may have.
    deliver(tmp_path, {"a.txt": text("2")}, KNOWN, is_own=True)
    assert texts(tmp_path) == {"a.txt": "2", "previous/a.txt": "1", "totals.csv": "of the user"}


def test_all_files_in_the_way_are_reported_at_once(tmp_path):
    for name in ("a.txt", "totals.csv"):
        (tmp_path / name).write_text("of the user")

    with pytest.raises(InputError) as refused:
        deliver(tmp_path, {"a.txt": text("1"), "totals.csv": text("1")})

    assert len(refused.value.problems) == 2


def test_a_delivered_file_that_the_user_changed_is_never_deleted(tmp_path):
    deliver(tmp_path, {"a.txt": text("1"), "totals.csv": text("1")}, KNOWN, is_own=True)
    (tmp_path / "totals.csv").write_text("work of the user")

    for content in "2345":
        deliver(tmp_path, {"a.txt": text(content), "totals.csv": text(content)}, KNOWN, is_own=True)
        assert "work of the user" in texts(tmp_path).values()

    assert texts(tmp_path) == {
        "a.txt": "5",
        "totals.csv": "5",
        "previous/a.txt": "4",
        "previous/totals.csv": "4",
        "previous/edited/1-totals.csv": "work of the user",
    }


def test_files_that_the_user_put_into_previous_are_never_deleted(tmp_path):
    deliver(tmp_path, {"a.txt": text("1")}, KNOWN, is_own=True)
    (tmp_path / "previous").mkdir()
    for name in ("a.txt", "totals.csv", "notes.txt"):
        (tmp_path / "previous" / name).write_text(f"{name} of the user")

    deliver(tmp_path, {"a.txt": text("2")}, KNOWN, is_own=True)

    found = texts(tmp_path)
    assert (found["previous/a.txt"], found["previous/notes.txt"]) == ("1", "notes.txt of the user")
    for name in ("a.txt", "totals.csv"):
        assert found[f"previous/edited/1-{name}"] == f"{name} of the user"


def test_a_link_or_a_folder_is_never_replaced(tmp_path):
    deliver(tmp_path / "out", {"a.txt": text("1")}, is_own=True)
    (tmp_path / "out" / "a.txt").unlink()
    (tmp_path / "elsewhere").write_text("of the user")
    (tmp_path / "out" / "a.txt").symlink_to(tmp_path / "elsewhere")

    with pytest.raises(InputError, match=r"found: +a symbolic link"):
        deliver(tmp_path / "out", {"a.txt": text("2")}, is_own=True)

    assert (tmp_path / "elsewhere").read_text() == "of the user"
    (tmp_path / "out" / "a.txt").unlink()
    (tmp_path / "out" / "a.txt").mkdir()
    with pytest.raises(InputError, match=r"found: +a folder"):
        deliver(tmp_path / "out", {"a.txt": text("2")}, is_own=True)


def test_a_file_named_previous_is_reported(tmp_path):
    deliver(tmp_path, {"a.txt": text("1")}, is_own=True)
    (tmp_path / "previous").write_text("of the user")

    with pytest.raises(InputError, match="has no room for the delivery before"):
        deliver(tmp_path, {"a.txt": text("2")}, is_own=True)

    assert texts(tmp_path) == {"a.txt": "1", "previous": "of the user"}


def test_a_delivery_of_a_version_without_markers_is_recognised_and_none_of_it_is_deleted(tmp_path):
    geopackage("sitefinder", "old")(tmp_path / "sites.gpkg")
    (tmp_path / "totals.csv").write_text("old")
    (tmp_path / "previous").mkdir()
    (tmp_path / "previous" / "totals.csv").write_text("older")

    for mark in ("new", "newer"):
        writers = {"sites.gpkg": geopackage("sitefinder", mark), "totals.csv": text(mark)}
        deliver(tmp_path, writers, KNOWN, is_own=True)

    assert marked(tmp_path / "sites.gpkg") == "newer"
    assert marked(tmp_path / "previous" / "sites.gpkg") == "new"
    assert marked(tmp_path / "previous" / "edited" / "1-sites.gpkg") == "old"
    kept = {name: content for name, content in texts(tmp_path).items() if name.endswith(".csv")}
    assert kept == {
        "totals.csv": "newer",
        "previous/totals.csv": "new",
        "previous/edited/1-totals.csv": "older",
        "previous/edited/2-totals.csv": "old",
    }


def test_a_database_of_another_program_is_no_delivery(tmp_path):
    geopackage("another program", "theirs")(tmp_path / "sites.gpkg")

    with pytest.raises(InputError, match="holds files that sitefinder did not deliver"):
        deliver(tmp_path, {"sites.gpkg": geopackage("sitefinder", "new")}, KNOWN, is_own=True)

    assert marked(tmp_path / "sites.gpkg") == "theirs"


def test_a_database_that_was_only_opened_is_as_delivered(tmp_path):
    writers = {"sites.gpkg": geopackage("sitefinder", "same")}
    deliver(tmp_path, {"sites.gpkg": geopackage("sitefinder", "before")}, KNOWN, is_own=True)
    deliver(tmp_path, writers, KNOWN, is_own=True)
    path = tmp_path / "sites.gpkg"
    before, digest = path.read_bytes(), delivered_digest(path)
    # As desktop viewers do.
    viewer = sqlite3.connect(path)
    viewer.execute("PRAGMA journal_mode=WAL")
    viewer.execute("SELECT * FROM provenance").fetchall()
    viewer.close()
    assert path.read_bytes() != before

    assert delivered_digest(path) == digest
    deliver(tmp_path, writers, KNOWN, is_own=True)
    assert path.read_bytes() == before
    assert marked(tmp_path / "previous" / "sites.gpkg") == "before"
    # A change of a row is one of the user's.
    editor = sqlite3.connect(path)
    editor.execute("UPDATE provenance SET value = 'edited'")
    editor.commit()
    editor.close()
    assert delivered_digest(path) != digest


def test_a_delivered_file_that_was_deleted_is_delivered_again_and_previous_stays(tmp_path):
    for content in ("1", "2"):
        deliver(tmp_path, {"a.txt": text(content), "b.txt": text(content)})
    (tmp_path / "b.txt").unlink()

    deliver(tmp_path, {"a.txt": text("2"), "b.txt": text("2")})

    assert texts(tmp_path) == {"a.txt": "2", "b.txt": "2", "previous/a.txt": "1", "previous/b.txt": "1"}


def test_a_marker_of_a_later_version_is_refused(tmp_path):
    deliver(tmp_path, {"a.txt": text("1")}, is_own=True)
    path = tmp_path / OWN_FOLDER / MARKER
    path.write_text(json.dumps(json.loads(path.read_text()) | {"version": 99}))

    with pytest.raises(InputError, match=r"found: +version 99\n"):
        deliver(tmp_path, {"a.txt": text("2")}, is_own=True)

    assert texts(tmp_path) == {"a.txt": "1"}


def test_the_marker_lists_what_was_delivered_and_its_digests(tmp_path):
    deliver(tmp_path, {"a.txt": text("2")}, is_own=True)

    said = json.loads((tmp_path / OWN_FOLDER / MARKER).read_text())

    assert (said["kind"], said["version"]) == ("sitefinder delivery", 1)
    # SHA-256 of the one byte "2": sha256sum of coreutils.
    assert said["files"] == {"a.txt": "d4735e3a265e16eee03f59718b9b5d03019c07d8b6c51f90da3a666eec13ab35"}
    assert read_marker(tmp_path).previous == {}


def test_files_named_one_by_one_may_lie_beside_others(tmp_path):
    (tmp_path / "letter.txt").write_text("of the user")

    for content in ("1", "2"):
        deliver(tmp_path, {"changes.csv": text(content)})

    assert texts(tmp_path) == {"letter.txt": "of the user", "changes.csv": "2", "previous/changes.csv": "1"}
    with pytest.raises(InputError, match=r"letter\.txt"):
        deliver(tmp_path, {"letter.txt": text("3")})
