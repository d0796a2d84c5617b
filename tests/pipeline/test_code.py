"""Code in keys: every file that a stage's function can reach counts, and no other."""

import ast
import random
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from parsed_code import parsed, statements_of

from sitefinder.delivery.graph import STAGES
from sitefinder.pipeline.code import SourceCode, change_of_code, digest_of_files, module_of, own_code

# A fixed seed, so that a failure comes again; any would do.
SEED, DRAWN = 12, 20
STATED = re.compile(rb"^\s*(from\s+\S+\s+)?import\s", flags=re.MULTILINE)


@pytest.fixture
def package(tmp_path):
    """A function that writes a package ``p`` from texts by path, and gives its source code."""

    def write(**files):
        folder = tmp_path / "p"
        for name, text in {"__init__": "", **files}.items():
            path = folder / (name.replace("__dot__", ".") if "__dot__" in name else f"{name}.py")
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        return SourceCode(folder)

    return write


def parsed_imports(code, folder, module, path):
    """Modules of the package that a module imports, as Python's own parser finds them."""
    named, nodes = set(), list(statements_of(parsed(folder.parent / path)))
    for_types = {
        id(node)
        for block in nodes
        if isinstance(block, ast.If) and ast.unparse(block.test) == "TYPE_CHECKING"
        for statement in block.body
        for node in statements_of(statement)
    }
    for node in (node for node in nodes if id(node) not in for_types):
        if isinstance(node, ast.Import):
            named |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: write the whole name of what is imported"
            named |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    root = folder.name
    modules = {name.removesuffix(".py").removesuffix("/__init__").replace("/", ".") for name in code.digests}
    return {name for name in named if name in modules and name != root} - {module}


@pytest.mark.parametrize(
    "statement",
    [
        "import p.b",
        "import os, p.b as c",
        "from p import b",
        "from p import a, b  # both",
        "from p.b import (\n    one,  # the first\n    two,\n)",
        "from p import (\n    b,\n)",
        "from p import \\\n    b",
        "from . import b",
        "from .b import one",
        "def f():\n    from p.b import one\n",
        "if True:\n\timport p.b\n",
    ],
)
def test_every_way_to_import_a_module_is_followed(package, statement):
    code = package(a=statement, b="from p import c", c="", d="")

    assert code.reached_from("p.a") == {"p/a.py", "p/b.py", "p/c.py"}


def test_what_a_module_imports_for_annotations_alone_is_not_reached(package):
    for_types = "if TYPE_CHECKING:\n    from p.b import (\n        One,\n    )\n\n    import p.c\n"
    code = package(a=for_types + "else:\n    import p.d\nimport p.e", b="", c="", d="", e="")

    assert code.reached_from("p.a") == {"p/a.py", "p/d.py", "p/e.py"}


def test_the_packages_that_a_module_lies_in_count_but_for_the_outermost(package):
    code = package(__init__="from p import d", a="import p.inner.b", d="")
    inner = package(
        **{"inner/__init__": "from . import c", "inner/b": "", "inner/c": ""}, a="import p.inner.b", d=""
    )

    assert code.reached_from("p.a") == {"p/a.py"}
    assert inner.reached_from("p.a") == {"p/a.py", "p/inner/__init__.py", "p/inner/b.py", "p/inner/c.py"}


def test_data_beside_a_module_counts_with_it_and_documents_do_not(package):
    files = {
        "inner/__init__": "",
        "inner/b": "",
        "inner/sheet__dot__typ": "= Title",
        "inner/fonts/list__dot__txt": "one",
        "inner/README__dot__md": "words",
        "elsewhere/__init__": "",
        "elsewhere/page__dot__css": "",
        "generic/costs__dot__toml": "",
        "marker__dot__txt": "",
    }
    code = package(a="import p.inner.b", **files)

    assert code.reached_from("p.a") == {
        "p/a.py",
        "p/inner/__init__.py",
        "p/inner/b.py",
        "p/inner/sheet.typ",
        "p/inner/fonts/list.txt",
    }


def test_circles_of_imports_end(package):
    code = package(a="import p.b", b="import p.a")

    assert code.reached_from("p.a") == code.reached_from("p.b") == {"p/a.py", "p/b.py"}


def test_a_function_from_elsewhere_counts_with_the_file_that_defines_it(package):
    def stage():
        return 1

    (name,) = package().files_of([stage])

    assert name == stage.__module__


def test_imports_are_found_as_the_parser_finds_them():
    code, folder = own_code(), Path(sys.modules["sitefinder"].__file__).parent
    for path in code.digests:
        if path.endswith(".py") and path != "sitefinder/__init__.py":
            module = path.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
            missing = parsed_imports(code, folder, module, path) - code.imported_by(module)
            assert not missing, f"{path} imports {missing}"


def test_nothing_that_a_stage_reaches_imports_by_a_name_put_together_while_it_runs():
    code, folder = own_code(), Path(sys.modules["sitefinder"].__file__).parent
    reached = set().union(*(code.files_of(stage.functions) for stage in STAGES))
    assert len(reached) > len(STAGES)
    for path in (name for name in reached if name.endswith(".py") and not name.startswith("sitefinder/pipeline/")):
        # Where the word stands in statements of import alone, nothing of that name is called.
        if b"import" not in STATED.sub(b"", (folder.parent / path).read_bytes()):
            continue
        calls = [
            node
            for node in ast.walk(parsed(folder.parent / path))
            if isinstance(node, ast.Call) and "import" in ast.unparse(node.func)
        ]
        assert not calls, path


def test_files_that_changed_are_named_and_many_are_counted():
    files = {f"p/{letter}.py": "new" for letter in "abcde"}

    assert change_of_code(files, files | {"p/b.py": "old", "p/z.py": "old"}) == "code changed: p/b.py"
    assert change_of_code(files, {"p/a.py": "new"}) == "code changed: p/b.py, p/c.py, p/d.py and 1 more"
    assert change_of_code(files, {}) == "code changed"


def really_imported(module):
    """Modules of the package that Python has loaded after importing one alone."""
    script = (
        f"import sys, {module}\n"
        "print(*(name for name in sys.modules if name.partition('.')[0] == 'sitefinder' and name != 'sitefinder'))"
    )
    ended = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(ended.stdout.split())


def test_all_that_python_loads_for_a_stage_is_reached():
    module = module_of(next(stage for stage in STAGES if stage.name == "flows").run)
    reached = own_code().reached_from(module)
    loaded = really_imported(module)

    assert len(loaded) > 10
    for name in loaded - {"sitefinder._version"}:
        path = name.replace(".", "/")
        assert {f"{path}.py", f"{path}/__init__.py"} & reached, name


def users_of(code):
    """Names of the stages that can reach each file, found from the far end: from importers to their importers."""
    modules = {
        path.removesuffix(".py").removesuffix("/__init__").replace("/", "."): path
        for path in code.digests
        if path.endswith(".py")
    }
    importers = {module: set() for module in modules}
    for module in modules:
        for imported in code.imported_by(module):
            importers[imported].add(module)
    users = {}
    for module, path in modules.items():
        above, waiting = set(), [module]
        while waiting:
            one = waiting.pop()
            if one not in above:
                above.add(one)
                waiting += importers[one]
        users[path] = {stage.name for stage in STAGES if above & set(map(module_of, stage.functions))}
    return users


def test_one_changed_constant_in_any_module_redoes_the_stages_that_reach_it_and_no_other(tmp_path):
    source = Path(sys.modules["sitefinder"].__file__).parent
    copied = tmp_path / "sitefinder"
    shutil.copytree(source, copied, ignore=shutil.ignore_patterns("__pycache__", "*.md"))
    before = SourceCode(copied)
    users = users_of(before)
    digests = {stage.name: digest_of_files(before.files_of(stage.functions)) for stage in STAGES}
    reachable = sorted(path for path, stages in users.items() if stages)
    beyond = sorted(path for path, stages in users.items() if not stages and path != "sitefinder/__init__.py")
    drawn = random.Random(SEED).sample(reachable, DRAWN) + random.Random(SEED).sample(beyond, 3)

    for path in drawn:
        text = (tmp_path / path).read_text(encoding="utf-8")
        (tmp_path / path).write_text(f"{text}\nCONSTANT = 1.5\n", encoding="utf-8")
        after = SourceCode(copied)
        (tmp_path / path).write_text(text, encoding="utf-8")
        changed = {
            stage.name: change_of_code(after.files_of(stage.functions), before.digests)
            for stage in STAGES
            if digest_of_files(after.files_of(stage.functions)) != digests[stage.name]
        }
        assert set(changed) == users[path], path
        assert set(changed.values()) <= {f"code changed: {path}"}
