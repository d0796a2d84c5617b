"""Early cut-off: where all that a result is made of came to the same, that of the run before is kept on."""

import os

import pytest
from small_sums import Numbers, One

from sitefinder.io import containers
from sitefinder.pipeline.graph import PerItem, Stage, bound, run_stages
from sitefinder.pipeline.keys import recipes_of
from sitefinder.pipeline.store import open_store, size_of


class Roundings:
    """``rounded`` → ``doubled``, and ``added`` for each number → ``total``; with what was run, and kept keys."""

    def __init__(self, folder):
        self.folder, self.ran, self.keys = folder, [], {}
        self.numbers, self.each = {"a": 2.1, "b": 3}, {"x": 1, "y": 10}
        self.files = {name: "1" for name in ("rounded", "doubled", "added", "total")}

    def stages(self):
        def rounded(numbers, scratch):
            self.ran.append("rounded")
            (scratch / "rounded.txt").write_text(str(round(numbers["a"])), encoding="utf-8")
            return scratch / "rounded.txt"

        def doubled(numbers, rounded):
            self.ran.append("doubled")
            return 2 * int(rounded.read_text(encoding="utf-8")) + numbers["b"]

        def added(rounded, number):
            self.ran.append(f"added {number}")
            return number + int(rounded.read_text(encoding="utf-8"))

        def total(doubled, added):
            self.ran.append("total")
            return [doubled, *added]

        each = PerItem("number", lambda given: self.items(), lambda found: list(found.values()))
        return bound(
            [
                Stage("rounded", rounded, ("numbers", "scratch"), {"numbers": ("a",)}),
                Stage("doubled", doubled, ("numbers", "rounded"), {"numbers": ("b",)}),
                Stage("added", added, ("rounded",), each=each),
                Stage("total", total, ("doubled", "added"), content=repr),
            ],
            ("numbers", "scratch"),
        )

    def items(self):
        return {name: One(name, number) for name, number in self.each.items()}

    def files_of(self, functions):
        names = [function.__name__ for function in functions if function.__name__ in self.files]
        return {f"roundings/{name}.py": self.files[name] for name in names}

    def recipes(self):
        return recipes_of(self.stages(), {"numbers": self.numbers}, self.parts(), {}, self)

    def parts(self):
        return {"numbers": Numbers(self.numbers)}

    def place_of(self, stage):
        return self.folder / "results" / self.recipes()[stage][0].key

    def run(self):
        """Run with what is known of the run before; gives the total, and what the store reports."""
        self.ran.clear()
        recipes, log = self.recipes(), {}
        with open_store(self.folder, containers) as store:
            given = {"numbers": self.numbers, "scratch": store.scratch}
            results = run_stages(
                self.stages(),
                given,
                parts=self.parts(),
                store=store,
                recipes=recipes,
                log=log,
                before=dict(self.keys),
            )
            self.keys = {recipe.place: recipe.key for own in recipes.values() for recipe in own}
            assert set(log) == set(self.keys)
            return results["total"], store.content_of(recipes["total"][0].key), list(store.notes)


@pytest.fixture
def roundings(tmp_path):
    """The graph with a store in a folder that is not there yet."""
    return Roundings(tmp_path / "store")


WHOLE = ["rounded", "doubled", "added 1", "added 10", "total"]


@pytest.mark.parametrize(
    ("change", "ran", "total"),
    [
        (lambda own: own.numbers.update(a=2.2), ["rounded"], [7, 3, 12]),
        (lambda own: own.numbers.update(a=2.9), WHOLE, [9, 4, 13]),
        (lambda own: own.numbers.update(a=2.2, b=4), ["rounded", "doubled", "total"], [8, 3, 12]),
        (
            lambda own: (own.numbers.update(a=2.2), own.each.update(y=20)),
            ["rounded", "added 20", "total"],
            [7, 3, 22],
        ),
        (lambda own: (own.numbers.update(a=2.2), own.each.pop("x")), ["rounded", "total"], [7, 12]),
        (lambda own: own.files.update(rounded="2"), ["rounded"], [7, 3, 12]),
        (lambda own: own.files.update(rounded="2", doubled="2"), ["rounded", "doubled"], [7, 3, 12]),
        (
            lambda own: (own.numbers.update(a=2.2), setattr(own, "each", {"y": 10, "x": 1})),
            ["rounded", "total"],
            [7, 12, 3],
        ),
    ],
    ids=["same", "other", "own setting", "item", "item gone", "code before", "own code", "other order"],
)
def test_only_what_is_made_of_something_else_is_run(roundings, change, ran, total):
    first = roundings.run()
    assert first == ([7, 3, 12], "[7, 3, 12]", [])
    assert roundings.ran == WHOLE
    change(roundings)

    assert roundings.run() == (total, repr(total), [])
    assert roundings.ran == ran
    # What was kept on lies under its own key.
    assert roundings.run() == (total, repr(total), [])
    assert roundings.ran == []


def test_without_a_run_before_all_that_comes_after_is_run(roundings):
    roundings.run()
    roundings.numbers["a"], roundings.keys = 2.2, {}

    assert roundings.run()[0] == [7, 3, 12]
    assert roundings.ran == WHOLE


@pytest.mark.parametrize("name", ["entry.json", "result.data"])
def test_what_is_damaged_is_not_kept_on(roundings, name):
    roundings.run()
    (roundings.place_of("doubled") / name).unlink()
    roundings.numbers["a"] = 2.2

    assert roundings.run() == ([7, 3, 12], "[7, 3, 12]", [])
    assert roundings.ran == ["rounded", "doubled"]


def test_damage_in_what_was_kept_on_is_noticed_where_it_is_read(roundings):
    roundings.run()
    data = (roundings.place_of("total") / "result.data").read_bytes()
    (roundings.place_of("total") / "result.data").write_bytes(data[:-1] + bytes([data[-1] ^ 1]))
    roundings.numbers["a"] = 2.2

    total, _, notes = roundings.run()

    assert total == [7, 3, 12]
    assert roundings.ran == ["rounded", "total"]
    assert "the stored result of total is damaged (result.data has other bytes than were written)" in notes[0]


@pytest.mark.skipif(not hasattr(os, "link"), reason="needs links")
def test_what_is_kept_on_takes_room_once_and_outlives_the_first(roundings):
    roundings.run()
    roundings.numbers["a"] = 2.2
    roundings.run()
    files = [path for path in (roundings.folder / "results").rglob("*") if path.is_file()]
    once = sum({path.stat().st_ino: path.stat().st_size for path in files}.values())
    assert once < sum(path.stat().st_size for path in files)
    assert size_of(roundings.folder) == (once / 1e9, 10)

    with open_store(roundings.folder, containers) as store:
        assert store.clean(once / 1e9) == 0
        # The bytes that two results share are still there when one of them is gone.
        store.mark_used(roundings.keys.values())
        assert store.clean(0.0) == 5

    assert roundings.run() == ([7, 3, 12], "[7, 3, 12]", [])
    assert roundings.ran == []
