"""A small graph of sums, to keep and to plan, that knows nothing of rivers."""

from sitefinder.io import containers
from sitefinder.pipeline.graph import Parts, PerItem, Stage, bound, run_stages
from sitefinder.pipeline.keys import recipes_of
from sitefinder.pipeline.store import open_store


class Numbers(Parts):
    """Numbers by name, of which a stage sees those it declares."""

    def __init__(self, numbers):
        self.numbers = numbers

    def scoped(self, parts):
        return {name: self.numbers[name] for name in parts}

    def facts(self, parts):
        return {f"setting {name}": repr(self.numbers[name]) for name in parts}


class One(Parts):
    """One number, in one part."""

    def __init__(self, name, number):
        self.name, self.number = name, number

    def scoped(self, parts):
        return self.number

    def facts(self, parts):
        return {f"setting each.{self.name}": repr(self.number)}


class Sums:
    """The graph ``first`` → ``squares`` (one for each number) → ``total``, with a list of what was really run."""

    def __init__(self, folder):
        self.folder, self.ran = folder, []
        self.numbers, self.each = {"a": 2, "b": 3, "unseen": 5}, {"x": 1, "y": 10}
        self.files = {"first": "1", "squares": "1", "total": "1"}
        self.software = {"python": "3"}

    def stages(self):
        def first(numbers, scratch):
            self.ran.append("first")
            (scratch / "first.txt").write_text(str(numbers["a"]), encoding="utf-8")
            return {"value": numbers["a"], "file": scratch / "first.txt"}

        def squares(first, number):
            self.ran.append(f"squares {number}")
            return number**2 + first["value"]

        def total(numbers, squares):
            self.ran.append("total")
            return squares + numbers["b"]

        each = PerItem("number", lambda given: self.items(), lambda found: sum(found.values()))
        return bound(
            [
                Stage("first", first, ("numbers", "scratch"), {"numbers": ("a",)}),
                Stage("squares", squares, ("first",), each=each),
                Stage("total", total, ("numbers", "squares"), {"numbers": ("b",)}),
            ],
            ("numbers", "scratch"),
        )

    def items(self):
        return {name: One(name, number) for name, number in self.each.items()}

    def parts(self):
        return {"numbers": Numbers(self.numbers)}

    def files_of(self, functions):
        """The code of a stage: one file named like its function."""
        names = [function.__name__ for function in functions if function.__name__ in self.files]
        return {f"sums/{name}.py": self.files[name] for name in names}

    def recipes(self):
        return recipes_of(self.stages(), {"numbers": self.numbers}, self.parts(), self.software, self)

    def run(self):
        """Run with the store; gives the total, the text of the kept file, and what the store reports."""
        self.ran.clear()
        recipes = self.recipes()
        with open_store(self.folder, containers) as store:
            given = {"numbers": self.numbers, "scratch": store.scratch}
            results = run_stages(self.stages(), given, parts=self.parts(), store=store, recipes=recipes)
            total, text = results["total"], results["first"]["file"].read_text(encoding="utf-8")
            return total, text, list(store.notes)
