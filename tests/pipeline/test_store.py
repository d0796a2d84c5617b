"""What the store promises: nothing is made twice, nothing damaged is used, nothing half-written bears a name."""

import hashlib
import json
import os
import pickle
import struct
import subprocess
from pathlib import Path

import pytest

from sitefinder.errors import InputError
from sitefinder.io import containers
from sitefinder.pipeline import store as stores
from sitefinder.pipeline.store import open_store


def entry_of(sums, stage, item=""):
    """Folder of a kept result."""
    (recipe,) = [recipe for recipe in sums.recipes()[stage] if recipe.item == item]
    return sums.folder / "results" / recipe.key


def test_a_second_run_runs_nothing_and_gives_the_same(sums):
    first = sums.run()
    ran = list(sums.ran)
    second = sums.run()

    # 1² + 2, 10² + 2, together 105; and 3.
    assert first == second == (108, "2", [])
    assert ran == ["first", "squares 1", "squares 10", "total"]
    assert sums.ran == []


@pytest.mark.parametrize(
    ("change", "ran", "total"),
    [
        (lambda sums: sums.numbers.update(unseen=6), [], 108),
        (lambda sums: sums.numbers.update(b=4), ["total"], 109),
        (lambda sums: sums.numbers.update(a=3), ["first", "squares 1", "squares 10", "total"], 110),
        (lambda sums: sums.each.update(y=20), ["squares 20", "total"], 408),
        (lambda sums: sums.each.update(z=2), ["squares 2", "total"], 114),
        (lambda sums: sums.each.pop("x"), ["total"], 105),
        (lambda sums: sums.files.update(total="2"), ["total"], 108),
        (lambda sums: sums.files.update(squares="2"), ["squares 1", "squares 10", "total"], 108),
        (lambda sums: sums.software.update(python="4"), ["first", "squares 1", "squares 10", "total"], 108),
    ],
    ids=["unseen", "own", "upstream", "item", "new item", "item gone", "code", "items' code", "software"],
)
def test_a_change_redoes_what_depends_on_it_and_no_more(sums, change, ran, total):
    sums.run()
    change(sums)

    assert sums.run()[0] == total
    assert sums.ran == ran


def test_taking_a_change_back_runs_nothing(sums):
    before = sums.run()
    sums.each["z"] = 2
    sums.run()
    del sums.each["z"]

    assert sums.run() == before
    assert sums.ran == []


def test_items_in_another_order_are_not_done_again_but_what_joins_them_is(sums):
    sums.run()
    sums.each = dict(reversed(sums.each.items()))

    assert sums.run()[0] == 108
    assert sums.ran == ["total"]


@pytest.mark.parametrize(
    ("name", "spoil", "found"),
    [
        ("result.data", lambda data: data[:-1], "result.data has other bytes than were written"),
        ("result.data", lambda data: data[:-2] + b"\x00" + data[-1:], "result.data has other bytes"),
        ("first.txt", lambda data: b"7", "first.txt has other bytes than were written"),
        ("first.txt", lambda data: data + b"7", "first.txt has 2 bytes, 1 were written"),
        ("entry.json", lambda data: data[: len(data) // 2], "entry.json or a file that it names is incomplete"),
        ("entry.json", lambda data: b"[]", "entry.json or a file that it names is incomplete"),
        ("entry.json", lambda data: data.replace(b'"code": "', b'"code": "0'), "entry.json or a file that it"),
    ],
)
def test_a_damaged_result_is_reported_set_aside_and_made_again(sums, name, spoil, found):
    before = sums.run()
    place = entry_of(sums, "first")
    data = (place / name).read_bytes()
    assert spoil(data) != data
    (place / name).write_bytes(spoil(data))
    os.utime(place / name, ns=(1, 1))

    total, text, notes = sums.run()
    ran = list(sums.ran)
    again = sums.run()

    assert (total, text) == before[:2]
    assert ran == ["first"]
    (note,) = notes
    assert note.startswith(f"the stored result of first is damaged ({found}")
    (aside,) = (sums.folder / "damaged").iterdir()
    assert note.endswith(f"lies in {aside}")
    assert (aside / place.name / name).read_bytes() == spoil(data)
    assert (again, sums.ran) == (before, [])


def test_a_missing_file_is_damage(sums):
    before = sums.run()
    (entry_of(sums, "first") / "first.txt").unlink()

    total, text, notes = sums.run()

    assert (total, text) == before[:2]
    assert "damaged (No such file or directory)" in notes[0]


def test_bits_that_changed_in_a_file_of_old_size_and_time_are_noticed(sums):
    sums.run()
    file = entry_of(sums, "first") / "first.txt"
    state = file.stat()
    file.write_bytes(b"7")
    os.utime(file, ns=(state.st_atime_ns, state.st_mtime_ns))

    total, text, notes = sums.run()

    assert (total, text) == (108, "2")
    assert "first.txt has other bytes than were written" in notes[0]


def test_a_file_is_checked_once_in_a_run_and_only_where_its_result_is_used(sums, monkeypatch):
    sums.run()
    read = []
    digest = stores.digest_of_stream
    monkeypatch.setattr(stores, "digest_of_stream", lambda file: read.append(file.fileno()) or digest(file))

    with open_store(sums.folder, containers) as store:
        recipes = sums.recipes()
        store.load(recipes["total"][0])
        assert read == []
        for _ in range(2):
            store.load(recipes["first"][0])

    assert len(read) == 1


def test_what_a_killed_run_left_half_written_is_removed(sums):
    sums.run()
    draft = sums.folder / "drafts" / "draft-of-a-killed-run"
    draft.mkdir()
    (draft / "result.data").write_bytes(b"half")

    sums.run()

    assert list((sums.folder / "drafts").iterdir()) == []


def test_a_result_that_the_disk_refuses_is_reported_and_the_run_goes_on(sums, monkeypatch):
    def full(draft, final):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(stores, "move_whole", full)

    total, _, notes = sums.run()

    assert total == 108
    assert notes[0] == "the result of first could not be kept: No space left on device"
    assert len(notes) == 4


def test_a_run_that_keeps_nothing_leaves_nothing(sums, tmp_path):
    with open_store(sums.folder / "deep" / "store", containers):
        pass

    assert list(tmp_path.iterdir()) == []


def test_results_of_another_user_are_not_read(sums, monkeypatch):
    sums.run()
    monkeypatch.setattr(os, "getuid", lambda: 4321)

    with pytest.raises(InputError, match="belongs to another user"):
        sums.run()


def test_the_least_recently_used_results_go_first_and_those_of_the_run_never(sums):
    sums.run()
    old = {path.name for path in (sums.folder / "results").iterdir()}
    for name in old:
        os.utime(sums.folder / "results" / name / "entry.json", ns=(1, 1))
    sums.numbers["b"] = 4
    sums.run()
    kept = entry_of(sums, "total").name

    with open_store(sums.folder, containers) as store:
        store.mark_used([kept])
        size_gb = sum(path.stat().st_size for path in (sums.folder / "results").rglob("*") if path.is_file()) / 1e9
        assert store.clean(size_gb) == 0
        assert store.clean(size_gb * 0.99) == 1
        assert store.clean(0.0) == len(old) - 1

    assert [path.name for path in (sums.folder / "results").iterdir()] == [kept]
    assert list((sums.folder / "drafts").iterdir()) == []


def test_an_entry_holds_its_recipe_and_the_digest_of_each_file(sums):
    sums.run()

    entries = json.loads((entry_of(sums, "first") / "entry.json").read_text(encoding="utf-8"))

    assert entries["recipe"]["facts"] == {"setting a": "2"}
    assert set(entries["files"]) == {"result.data", "first.txt"}
    # SHA-256 of the one byte "2": sha256sum of coreutils.
    digest = entries["files"]["first.txt"]["digest"]
    assert digest == "d4735e3a265e16eee03f59718b9b5d03019c07d8b6c51f90da3a666eec13ab35"


class Trap:
    """What runs when a pickle of it is read."""

    def __init__(self, sprung):
        self.sprung = sprung

    def __reduce__(self):
        return Path.write_text, (self.sprung, "the pickle was read")


def planted(place, data):
    """Put other bytes into a kept result, with every digest as if the store had written them."""
    (place / "result.data").write_bytes(data)
    entry = json.loads((place / "entry.json").read_text(encoding="utf-8"))
    del entry["digest"]
    entry["files"]["result.data"] = {"bytes": len(data), "digest": hashlib.sha256(data).hexdigest()}
    entry["digest"] = hashlib.sha256(json.dumps(entry, sort_keys=True).encode()).hexdigest()
    (place / "entry.json").write_text(json.dumps(entry), encoding="utf-8")


def container(tree):
    """A result with this tree, as the store would hold it."""
    head = json.dumps({"value": tree, "buffers": []}).encode()
    return b"sitefinder result 1\n" + struct.pack("<Q", len(head)) + head


def test_a_result_with_right_digests_that_is_a_pickle_runs_nothing(sums, tmp_path):
    sums.run()
    planted(entry_of(sums, "total"), pickle.dumps(Trap(tmp_path / "sprung")))

    total, _, notes = sums.run()

    assert total == 108
    assert "it does not begin as a stored result does" in notes[0]
    assert not (tmp_path / "sprung").exists()


@pytest.mark.parametrize(
    "tree",
    [
        ["named", "os:system", ["true"]],
        ["named", "sitefinder.cli:main", []],
        ["named", "sitefinder.__main__:main", []],
        ["named", "sitefinder.pipeline.store:Store", [1, 2]],
        ["model", "sitefinder.pipeline.store:Store", [], []],
        ["model", "subprocess:Popen", [["args", "true"]], []],
        ["named", "sitefinder.preparation:Path", ["/"]],
        ["file", "../../../store.json"],
        ["again", 0],
        ["system", "true"],
        {"a": 1},
    ],
)
def test_a_result_with_right_digests_that_names_what_no_result_holds_is_damaged(sums, tree, monkeypatch):
    sums.run()
    planted(entry_of(sums, "total"), container(tree))
    called = []
    monkeypatch.setattr(os, "system", called.append)

    total, _, notes = sums.run()

    assert total == 108
    assert notes[0].startswith("the stored result of total is damaged (it cannot be read: ") or "names" in notes[0]
    assert called == []


def test_a_planted_result_that_is_sound_is_read(sums):
    """So that the cases above are refused for what they hold, not for how they are planted."""
    sums.run()
    planted(entry_of(sums, "total"), container(["tuple", [7]]))

    assert sums.run()[0] == (7,)


def own_files(folder):
    """A folder of a user in which names of a store happen to occur."""
    for name in ("drafts/letter.txt", "results/2019/table.csv", "lock"):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(f"{name} of the user", encoding="utf-8")


def test_a_folder_that_is_no_store_is_refused_and_left_alone(sums, tmp_path):
    own_files(sums.folder)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}

    with pytest.raises(InputError) as refused:
        sums.run()

    assert str(refused.value) == (
        "the folder for stored results holds something else\n"
        f"  folder:    {sums.folder}\n"
        "  expected:  an empty folder, one that does not exist, or a store of results (store.json)\n"
        "  found:     drafts, lock, results\n"
        "  fix:       set run.store_folder to a folder of its own, or run with --no-store"
    )
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before
    # Doing what the fix says.
    sums.folder = tmp_path / "other"
    assert sums.run()[0] == 108


def store_of_pickles(folder, sprung):
    """A store as versions before this one left it."""
    place = folder / "results" / ("0" * 64)
    place.mkdir(parents=True)
    (place / "result.pickle").write_bytes(pickle.dumps(Trap(sprung)))
    (place / "entry.json").write_text("{}", encoding="utf-8")
    for name in ("drafts", "damaged", "runs"):
        (folder / name).mkdir()
    (folder / "lock").touch()


def test_a_store_of_pickles_is_set_aside_unread_and_the_user_told_once(sums, tmp_path):
    store_of_pickles(sums.folder, tmp_path / "sprung")

    total, _, notes = sums.run()

    aside = tmp_path / "store-old-1"
    assert (total, notes) == (
        108,
        [
            "the stored results of an earlier version are not read, since they are Python pickles; "
            f"they lie in {aside} and may be deleted"
        ],
    )
    assert (aside / "results" / ("0" * 64) / "result.pickle").exists()
    assert not (tmp_path / "sprung").exists()
    assert sums.run()[2] == []


@pytest.mark.parametrize("part", ["", "results", "drafts", "damaged", "runs"])
@pytest.mark.skipif(os.name == "nt", reason="Windows has no such permissions")
def test_a_store_that_others_may_write_is_refused(sums, part):
    sums.run()
    (sums.folder / part).chmod(0o770)

    with pytest.raises(InputError, match="the store of results may be written by other users") as refused:
        sums.run()

    fix = str(refused.value).rpartition("fix:")[2].strip()
    assert fix == f"run chmod go-w {sums.folder / part}"
    subprocess.run(fix.removeprefix("run ").split(), check=True)
    assert sums.run() == (108, "2", [])


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such permissions")
def test_nobody_else_can_read_or_write_what_is_kept(sums):
    before = os.umask(0o002)
    try:
        sums.run()
    finally:
        os.umask(before)

    for path in (sums.folder, *sums.folder.rglob("*")):
        if path.name not in ("lock",):
            assert path.stat().st_mode & 0o777 == (0o700 if path.is_dir() else 0o600), path


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such permissions")
def test_a_file_of_a_result_that_others_may_write_is_damaged(sums):
    sums.run()
    (entry_of(sums, "total") / "result.data").chmod(0o620)

    assert "result.data may be written by other users" in sums.run()[2][0]


@pytest.mark.parametrize("name", ["entry.json", "result.data", "first.txt"])
def test_a_link_in_place_of_a_file_of_a_result_is_not_followed(sums, tmp_path, name):
    sums.run()
    place = entry_of(sums, "first")
    (place / name).rename(tmp_path / "elsewhere")
    (place / name).symlink_to(tmp_path / "elsewhere")
    before = (tmp_path / "elsewhere").read_bytes()

    total, text, notes = sums.run()

    assert (total, text) == (108, "2")
    assert "first is damaged" in notes[0]
    assert (tmp_path / "elsewhere").read_bytes() == before


def test_a_link_in_place_of_a_result_is_not_followed(sums, tmp_path):
    sums.run()
    place = entry_of(sums, "first")
    place.rename(tmp_path / "elsewhere")
    place.symlink_to(tmp_path / "elsewhere")

    assert "damaged (it is a symbolic link)" in sums.run()[2][0]
    assert (tmp_path / "elsewhere" / "first.txt").exists()


def test_a_link_in_place_of_a_part_of_the_store_is_refused(sums, tmp_path):
    sums.run()
    (sums.folder / "drafts").rmdir()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "letter.txt").write_text("of the user", encoding="utf-8")
    (sums.folder / "drafts").symlink_to(tmp_path / "elsewhere")

    with pytest.raises(InputError, match="a folder of the store of results is a symbolic link"):
        sums.run()

    assert (tmp_path / "elsewhere" / "letter.txt").exists()


def test_a_store_of_a_later_version_is_refused(sums):
    sums.run()
    (sums.folder / "store.json").write_text('{"kind": "sitefinder store of results", "version": 99}')

    with pytest.raises(InputError, match=r"found: +version 99\n"):
        sums.run()
