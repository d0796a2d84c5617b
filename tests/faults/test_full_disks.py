"""A disk that is full at any operation, or writes no more: reported with what to do, and nothing is lost."""

import os
import shutil

import faults
import pytest
from small_sums import Sums
from small_valley import write_valley

from sitefinder import running
from sitefinder.delivery.atomic import deliver
from sitefinder.io.output_folder import OWN_FOLDER, PREVIOUS

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="what fails are forks of one process")
RIGHT = (108, "2", [])
FULL, TOO_LARGE = "No space left on device", "File too large"


def texts(folder):
    return {path.name: path.read_text() for path in sorted(folder.iterdir()) if path.is_file()}


def delivered(folder, content):
    writers = {f"{name}.txt": lambda path: path.write_text(content) for name in "abc"}
    return deliver(folder, writers, [*writers], is_own=True)


def fresh(template, folder):
    shutil.rmtree(folder, ignore_errors=True)
    if template.exists():
        shutil.copytree(template, folder)


def test_a_delivery_onto_a_disk_that_is_full_at_any_operation_leaves_the_last_one(quick_folder):
    template, out = quick_folder / "template", quick_folder / "out"
    delivered(template, "1")
    delivered(template, "2")
    refused = done = 0
    for at in range(1, 100):
        fresh(template, out)
        found = faults.outcome(lambda: delivered(out, "3"), lambda at=at: faults.full_from(out, at))
        if not found:
            done += 1
            assert set(texts(out).values()) == {"3"}
            break
        refused += 1
        assert "InputError" in found
        assert found[-1].startswith(
            f"the results cannot be written\n  folder:  {out}\n  found:   {FULL}\n  fix:     "
        )
        # Either of the two is whole; the next delivery, with room, is as if nothing had been.
        assert set(texts(out).values()) in ({"2"}, {"3"})
        delivered(out, "4")
        assert set(texts(out).values()) == {"4"}
        assert set(texts(out / PREVIOUS).values()) in ({"2"}, {"3"})
        assert not [path for path in (out / OWN_FOLDER).iterdir() if path.name.startswith(".writing")]
    assert done == 1
    assert refused > 5


class EverythingIsKept(Exception):
    """Nothing was refused any more."""


def test_a_store_on_a_disk_that_is_full_at_any_operation_tells_it_or_does_without(quick_folder):
    store = quick_folder / "store"
    refused = noted = 0
    for at in range(1, 100):
        shutil.rmtree(store, ignore_errors=True)
        sums = Sums(store)

        def right(sums=sums):
            total, text, notes = sums.run()
            assert (total, text) == RIGHT[:2]
            if not notes:
                raise EverythingIsKept

        found = faults.outcome(right, lambda at=at: faults.full_from(store, at))
        if found[-2:-1] == ["EverythingIsKept"]:
            break
        if found:
            refused += 1
            assert "SitefinderError" in found
            assert FULL in found[-1]
            assert "\n  fix: " in found[-1]
        else:
            noted += 1
        # With room again, all is as it should be.
        assert Sums(store).run() == RIGHT
    else:
        pytest.fail("the disk was never found to have room")
    assert refused > 2
    assert noted > 5


@pytest.fixture(scope="module")
def valley(tmp_path_factory):
    """A small valley, whose libraries are loaded and kernels compiled by a run of it."""
    settings = write_valley(tmp_path_factory.mktemp("region"))
    running.run(settings)
    return settings


# The first file of a run, its tables, and its GeoPackage are larger than these.
@pytest.mark.parametrize("size_bytes", [1_000, 20_000, 400_000])
@pytest.mark.parametrize("keeps", [True, False], ids=["with a store", "without"])
def test_a_run_whose_files_may_not_grow_says_so_and_delivers_nothing(valley, quick_folder, size_bytes, keeps):
    out = quick_folder / "out"
    store = out / ".sitefinder-store" if keeps else None

    found = faults.outcome(
        lambda: running.run(valley, out, store=store), lambda: faults.no_file_larger_than(size_bytes)
    )

    assert "StageError" in found, found[-2:]
    assert f"\n  found:     {TOO_LARGE}\n  fix:       make room there" in found[-1]
    assert [path.name for path in out.glob("*") if path.name != ".sitefinder-store"] == []


@pytest.mark.parametrize("size_bytes", [0, 1, 40, 400])
def test_files_that_may_not_grow_are_reported_and_leave_the_last_delivery(quick_folder, size_bytes):
    out = quick_folder / "out"
    delivered(out, "1" * 20)

    found = faults.outcome(lambda: delivered(out, "2" * 2000), lambda: faults.no_file_larger_than(size_bytes))

    assert "InputError" in found
    assert f"  found:   {TOO_LARGE}\n  fix:     make room on the disk" in found[-1]
    assert set(texts(out).values()) == {"1" * 20}
    delivered(out, "3")
    assert set(texts(out).values()) == {"3"}
