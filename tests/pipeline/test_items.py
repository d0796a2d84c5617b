"""Stages that are cut from earlier results: each item is kept under what its own shares hold."""

import pytest

from sitefinder.io import containers
from sitefinder.pipeline.graph import Parts, PerItem, Stage, Together, bound, run_stages
from sitefinder.pipeline.keys import plan_of, recipes_of
from sitefinder.pipeline.store import open_store

CONTENT = repr


class Numbers(Parts):
    """Numbers by name, of which a stage sees those it declares."""

    def __init__(self, numbers):
        self.numbers = numbers

    def scoped(self, parts):
        return {name: self.numbers[name] for name in parts}

    def facts(self, parts):
        return {f"setting {name}": repr(self.numbers[name]) for name in parts}


class Rivers:
    """The graph ``gauged`` → ``doubled`` (cut by river) → ``total``, with a list of what was really run."""

    def __init__(self, folder):
        self.folder, self.ran, self.cut, self.together = folder, [], [], None
        self.flows, self.numbers = {"Aller": [1, 2], "Bode": [3]}, {"factor": 2, "remark": 0}

    def stages(self):
        def gauged(numbers):
            self.ran.append("gauged")
            return {name: list(flows) for name, flows in self.flows.items()}

        def names(gauged):
            return sorted(gauged)

        def doubled(numbers, gauged):
            self.ran.append(f"doubled {gauged}")
            return [numbers["factor"] * flow for flow in gauged]

        def total(doubled):
            self.ran.append("total")
            return sum(sum(flows) for flows in doubled)

        def cut(names, gauged):
            return {name: lambda wanted, name=name: shares(wanted, name, gauged) for name in names}

        def shares(wanted, name, gauged):
            self.cut += [f"{each} of {name}" for each in wanted]
            return {each: {"gauged": gauged}[each][name] for each in wanted}

        def tripled(gauged):
            return [3 * flow for flow in gauged]

        def joined(found, names, gauged):
            return [found[name] for name in names]

        each = PerItem("river", cut, joined, ("gauged",), ("names",), CONTENT)
        by_two = each._replace(together=self.together)
        return bound(
            [
                Stage("gauged", gauged, ("numbers",), {"numbers": ("remark",)}),
                Stage("names", names, ("gauged",)),
                Stage("doubled", doubled, ("numbers", "names", "gauged"), {"numbers": ("factor",)}, by_two),
                Stage("total", total, ("doubled",)),
                Stage("tripled", tripled, ("names", "gauged"), {}, each),
            ],
            ("numbers",),
        )

    def parts(self):
        return {"numbers": Numbers(self.numbers)}

    def files_of(self, functions):
        return {}

    def recipes(self):
        return recipes_of(self.stages(), {"numbers": self.numbers}, self.parts(), {}, self)

    def run(self):
        self.ran.clear()
        self.cut.clear()
        recipes, log = self.recipes(), {}
        with open_store(self.folder, containers) as store:
            given = {"numbers": self.numbers}
            results = run_stages(self.stages(), given, parts=self.parts(), store=store, recipes=recipes, log=log)
            self.items, self.log = results.item_recipes, log
            self.joined_from = store.items_of(results.key_of("doubled"))
            return results["total"]

    def plan(self, last):
        with open_store(self.folder, containers) as store:
            planned = plan_of(self.recipes(), last, store.has, cut={"doubled": "river"})
        return {stage.stage: stage.reasons for stage in planned if not stage.kept}


@pytest.fixture
def rivers(tmp_path):
    """The graph of rivers with a store in a folder that is not there yet."""
    return Rivers(tmp_path / "store")


def test_items_cut_from_a_result_join_to_what_a_run_without_a_store_gives(rivers):
    assert rivers.run() == 12
    assert rivers.ran == ["gauged", "doubled [1, 2]", "doubled [3]", "total"]

    rivers.ran.clear()
    whole = run_stages(rivers.stages(), {"numbers": rivers.numbers}, parts=rivers.parts())

    assert whole["total"] == 12
    assert rivers.ran == ["gauged", "doubled [1, 2]", "doubled [3]", "total"]


def test_a_change_in_one_item_leaves_the_kept_results_of_the_others(rivers):
    rivers.run()
    rivers.flows["Bode"] = [4]
    rivers.numbers["remark"] = 1

    assert rivers.run() == 14
    assert rivers.ran == ["gauged", "doubled [4]", "total"]
    assert {place: made.was_kept for place, made in rivers.log.items()} == {
        "gauged": False,
        "names": False,
        "doubled": False,
        "doubled: Aller": True,
        "doubled: Bode": False,
        "total": False,
        "tripled": False,
        "tripled: Aller": True,
        "tripled: Bode": False,
    }


def test_an_item_does_not_depend_on_its_neighbours_or_on_the_order_of_items(rivers):
    rivers.run()
    rivers.flows = {"Zorge": [7], "Bode": [3], "Aa": [5]}
    rivers.numbers["remark"] = 1

    assert rivers.run() == 2 * (7 + 3 + 5)
    assert rivers.ran == ["gauged", "doubled [5]", "doubled [7]", "total"]


def test_a_share_is_cut_again_only_for_work_that_is_to_be_done(rivers):
    rivers.run()
    first = list(rivers.cut)
    rivers.numbers["remark"] = 1
    rivers.run()

    # For its content and the first stage at once, then for the second stage.
    assert first == 2 * ["gauged of Aller", "gauged of Bode"]
    assert rivers.cut == ["gauged of Aller", "gauged of Bode"]


def test_items_that_come_to_the_same_are_not_done_again_and_a_setting_redoes_all(rivers):
    rivers.run()
    rivers.numbers["remark"] = 1
    rivers.run()
    same = list(rivers.ran)
    rivers.numbers["factor"] = 3

    assert rivers.run() == 18
    assert same == ["gauged", "total"]
    assert rivers.ran == ["doubled [1, 2]", "doubled [3]", "total"]


def test_a_plan_says_that_only_items_that_differ_are_done_again(rivers):
    rivers.run()
    last = {recipe.place: recipe for own in rivers.recipes().values() for recipe in own}
    rivers.numbers["remark"] = 1
    after = rivers.plan(last)
    rivers.numbers = {"factor": 3, "remark": 0}

    assert after["doubled"] == ["after names, gauged, for each river that then differs"]
    assert after["total"] == ["after doubled"]
    assert rivers.plan(last) == {"doubled": ["setting factor: 2 → 3"], "total": ["after doubled"]}


def test_a_joined_result_names_the_items_that_are_kept_with_it(rivers):
    rivers.run()

    assert [recipe.item for recipe in rivers.items["doubled"]] == ["Aller", "Bode"]
    assert rivers.joined_from == [recipe.key for recipe in rivers.items["doubled"]]
    assert all(not recipe.reads for recipe in rivers.items["doubled"])


def test_a_run_with_nothing_changed_looks_at_no_item(rivers):
    rivers.run()

    assert rivers.run() == 12
    assert (rivers.ran, rivers.items) == ([], {})
    assert len(rivers.joined_from) == 2


@pytest.mark.parametrize("name", ["numbers", "nowhere"])
def test_a_stage_is_cut_only_from_results_that_it_reads(name):
    each = PerItem("river", len, sum, (name,))
    stage = Stage("doubled", lambda numbers: numbers, ("numbers",), {}, each)

    with pytest.raises(TypeError, match=f"stage 'doubled' is cut from '{name}', which is no result that it reads"):
        bound([stage], ("numbers",))


def test_an_error_in_an_item_names_it(rivers):
    rivers.flows["Bode"] = ["no number", None]

    with pytest.raises(TypeError) as raised:
        rivers.run()

    assert raised.value.__notes__ == ["in stage 'doubled: Bode'"]


# Two rivers in one call: their flows one after the other, with a bar between them.
def _of_both(makes):
    def made(wanted):
        shares = [make(wanted) for make in makes]
        return {name: [flow for share in shares for flow in (*share[name], None)][:-1] for name in wanted}

    return made


def _of_each(result, count):
    parts = [[]]
    for flow in result:
        if flow is None:
            parts.append([])
        else:
            parts[-1].append(flow)
    assert len(parts) == count
    return parts


class Doubling(Rivers):
    """`Rivers`, of which two are doubled in one call."""

    def __init__(self, folder):
        super().__init__(folder)
        self.together = Together(_of_both, _of_each, 2)
        self.flows["Zorge"] = [7]

    def stages(self):
        def doubled(numbers, gauged):
            self.ran.append(f"doubled {gauged}")
            return [None if flow is None else numbers["factor"] * flow for flow in gauged]

        return [stage._replace(run=doubled) if stage.name == "doubled" else stage for stage in super().stages()]


@pytest.mark.parametrize("kind", [Rivers, Doubling])
def test_each_item_is_logged_as_it_starts_and_ends_or_is_kept(tmp_path, caplog, kind):
    rivers = kind(tmp_path / "store")
    caplog.set_level("INFO", "sitefinder")

    def logged():
        found = [(row.event, row.part) for row in caplog.records if row.stage == "doubled" and row.part]
        caplog.clear()
        return sorted(found)

    rivers.run()
    first = logged()
    rivers.flows["Bode"] = [9]
    rivers.numbers["remark"] = 1
    rivers.run()

    names = sorted(rivers.flows)
    assert first == sorted((event, name) for name in names for event in ("started", "finished"))
    kept = [("kept", name) for name in names if name != "Bode"]
    assert logged() == sorted([("started", "Bode"), ("finished", "Bode"), *kept])


def test_items_done_in_one_call_are_kept_one_by_one(tmp_path):
    rivers = Doubling(tmp_path / "store")

    assert rivers.run() == 2 * (1 + 2 + 3 + 7)
    assert rivers.ran == ["gauged", "doubled [1, 2, None, 3]", "doubled [7]", "total"]
    kept = {place for place in rivers.log if place.startswith("doubled: ")}
    assert kept == {"doubled: Aller", "doubled: Bode", "doubled: Zorge"}

    rivers.flows |= {"Aller": [4], "Zorge": [5]}
    rivers.numbers["remark"] = 1

    assert rivers.run() == 2 * (4 + 3 + 5)
    # The one between them stays, and those that are missing are done together.
    assert rivers.ran == ["gauged", "doubled [4, None, 5]", "total"]
    assert rivers.log["doubled: Bode"].was_kept
    assert not rivers.log["doubled: Zorge"].was_kept

    # Alone or together an item is kept under the same.
    rivers.together = None
    rivers.flows["Bode"] = [9]
    rivers.numbers["remark"] = 2

    assert rivers.run() == 2 * (4 + 9 + 5)
    assert rivers.ran == ["gauged", "doubled [9]", "total"]


def test_without_a_store_items_done_in_one_call_join_to_the_same(tmp_path):
    rivers = Doubling(tmp_path / "store")
    made = run_stages(rivers.stages(), {"numbers": rivers.numbers}, parts=rivers.parts())

    assert made["doubled"] == [[2, 4], [6], [14]]
