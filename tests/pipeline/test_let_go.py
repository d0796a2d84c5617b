"""Large results are held no longer than stages to come read them, and read from the store again when asked for."""

import numpy as np
import pytest

from sitefinder.io import containers
from sitefinder.pipeline import graph
from sitefinder.pipeline.graph import Stage, bound, run_stages
from sitefinder.pipeline.keys import recipes_of
from sitefinder.pipeline.store import open_store


class Sums:
    """``long`` → ``total`` → ``end``, and ``short`` → ``end``; with what was run, and held after each stage."""

    def __init__(self, folder, count):
        self.folder, self.count, self.ran, self.held = folder, count, [], {}

    def stages(self):
        def long():
            self.ran.append("long")
            return np.arange(self.count)

        def short(long):
            self.ran.append("short")
            return int(long[-1])

        def total(long):
            self.ran.append("total")
            return int(long.sum())

        def end(total, short):
            self.ran.append("end")
            return total + short

        return bound(
            [
                Stage("long", long, ()),
                Stage("short", short, ("long",)),
                Stage("total", total, ("long",)),
                Stage("end", end, ("total", "short")),
            ],
            (),
        )

    def files_of(self, functions):
        return {}

    def run(self, ask, monkeypatch):
        """Run, and ask something of the results while the store is open; with it the log."""
        own = graph.Results.let_go_after

        def let_go_after(results, stage):
            own(results, stage)
            self.held[stage.name] = sorted(results._held)

        monkeypatch.setattr(graph.Results, "let_go_after", let_go_after)
        recipes, log = recipes_of(self.stages(), {}, {}, {}, self), {}
        with open_store(self.folder, containers) as store:
            return ask(run_stages(self.stages(), {}, store=store, recipes=recipes, log=log)), log


@pytest.fixture
def sums(tmp_path):
    """A graph whose first result is as large as is let go."""
    return Sums(tmp_path / "store", int(graph.LARGE_B // 8))


def test_a_large_result_goes_after_its_last_reader_and_a_small_one_stays(sums, monkeypatch):
    end, log = sums.run(lambda results: results["end"], monkeypatch)

    assert end == sum(range(sums.count)) + sums.count - 1
    assert sums.held["short"] == ["long", "short"]
    assert sums.held["total"] == ["short", "total"]
    assert sums.ran == ["long", "short", "total", "end"]
    assert not any(made.was_kept for made in log.values())


def test_what_was_let_go_is_read_again_and_counts_as_made_by_this_run(sums, monkeypatch):
    again, log = sums.run(lambda results: results["long"], monkeypatch)

    np.testing.assert_array_equal(again, np.arange(sums.count))
    assert sums.ran == ["long", "short", "total", "end"]
    assert not log["long"].was_kept


def test_results_of_a_small_region_all_stay(tmp_path, monkeypatch):
    small = Sums(tmp_path / "store", int(graph.LARGE_B // 8) - 100)

    small.run(dict, monkeypatch)

    assert small.held["end"] == ["end", "long", "short", "total"]


def test_what_is_not_read_next_goes_where_all_that_is_held_takes_too_much(sums, monkeypatch):
    monkeypatch.setattr(graph, "HELD_B", sums.count * 4)
    stages = sums.stages()
    # One stage between that does not read the long one.
    sums.stages = lambda: bound(
        [stages[0], Stage("apart", lambda: sums.ran.append("apart") or 1, ()), *stages[1:]], ()
    )

    end, log = sums.run(lambda results: results["end"], monkeypatch)

    assert end == sum(range(sums.count)) + sums.count - 1
    assert sums.held["long"] == []
    assert sums.held["short"] == ["apart", "long", "short"]
    assert sums.ran == ["long", "apart", "short", "total", "end"]
    assert not any(made.was_kept for made in log.values())


def test_what_the_disk_refused_to_keep_is_held(sums, monkeypatch):
    def refused(*_, **__):
        raise OSError("no room")

    monkeypatch.setattr(containers, "write_container", refused)

    end, _ = sums.run(lambda results: results["end"], monkeypatch)

    assert end == sum(range(sums.count)) + sums.count - 1
    assert sums.held["end"] == ["end", "long", "short", "total"]
    assert sums.ran == ["long", "short", "total", "end"]
