"""House rules that a machine can keep: arrows, style, docstrings, and no trace of anybody's machine."""

import ast
import re
import subprocess
import sys
import tokenize
import tomllib

import pytest
from parsed_code import parsed

PARTS = ("sitefinder", "tests", "sample-region")
TEXT_FILES = {".py", ".toml", ".md", ".csv", ".json", ".yml", ".yaml", ".cfg", ".txt", ""}
# Folders and files that runs and tools make.
FILLED = {"_version.py", "out", "out-stricter", "__pycache__", "build", "dist"}
# Places of somebody's own machine; a path inside an address of the web is none.
MACHINE_PATH = re.compile(r"(?<![\w./:-])(?:/(?:home|work|tmp|Users|root|mnt|opt)/[\w.]|[A-Z]:\\\w)")


def modules(repository, *parts):
    found = [path for part in parts for path in sorted((repository / part).rglob("*.py"))]
    return [path for path in found if not FILLED & set(path.relative_to(repository).parts)]


def says_what_it_makes(source):
    """Whether a module begins with a documentation string; only its first statement is read."""
    lines = iter(source.splitlines(keepends=True))
    for token in tokenize.generate_tokens(lambda: next(lines, "")):
        if token.type == tokenize.STRING:
            return bool(ast.literal_eval(token.string).strip())
        if token.type not in (tokenize.COMMENT, tokenize.NL):
            return False
    return False


def ran(repository, *arguments):
    return subprocess.run(
        [sys.executable, *arguments], cwd=repository, capture_output=True, text=True, check=False
    )


def test_arrows_between_the_parts_go_one_way(repository):
    command = "from importlinter.cli import lint_imports_command; lint_imports_command()"

    done = ran(repository, "-c", command, "--no-cache")

    assert done.returncode == 0, done.stdout
    assert re.search(r"Contracts: \d+ kept, 0 broken", done.stdout)


@pytest.mark.parametrize("check", [["check"], ["format", "--check"]], ids=["rules", "format"])
def test_ruff_finds_nothing(repository, check):
    done = ran(repository, "-m", "ruff", *check, "--no-cache", *PARTS)

    assert done.returncode == 0, done.stdout + done.stderr


def test_every_module_says_what_it_makes(repository):
    without = [
        str(path.relative_to(repository))
        for path in modules(repository, *PARTS)
        if not says_what_it_makes(path.read_text(encoding="utf-8"))
    ]

    assert without == []


@pytest.mark.parametrize("start", ["", "# A comment.\n\n", "#!/usr/bin/env python3\n"])
@pytest.mark.parametrize("first", ['"""It makes a table."""', "r'One'", '""" """', "ROWS = 3", "import ast", ""])
def test_the_first_statement_says_what_a_module_makes(start, first):
    source = f"{start}{first}\nimport sys\n"

    assert says_what_it_makes(source) == bool(ast.get_docstring(ast.parse(source)))


def test_every_public_function_and_class_of_the_package_says_what_it_gives(repository):
    without = []
    for path in modules(repository, "sitefinder"):
        for node in parsed(path).body:
            public = isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
            # One of several signatures; what it gives is said where the function stands.
            public &= "overload" not in map(ast.unparse, getattr(node, "decorator_list", ()))
            if public and not ast.get_docstring(node):
                without.append(f"{path.relative_to(repository)}: {node.name}")

    assert without == []


def test_no_part_is_named_after_nothing(repository):
    names = {path.stem for path in modules(repository, "sitefinder")}

    assert names & {"utils", "util", "helpers", "common", "core", "misc", "manager"} == set()


@pytest.mark.parametrize(
    ("text", "is_one"),
    [
        ("open('/{}/data.tif')", True),
        ('path = "/{}/someone/run"', True),
        ("see https://example.org/{}/page", False),
        ("../{}/data", False),
    ],
)
def test_paths_of_a_computer_are_distinguished_from_others(text, is_one):
    # Put together here, so that this file holds none.
    assert bool(MACHINE_PATH.search(text.format("home"))) == is_one


def test_no_file_holds_a_path_of_one_computer(repository):
    found = []
    places = [repository / part for part in (*PARTS, "config", ".ci", ".github")]
    files = [path for place in places if place.is_dir() for path in sorted(place.rglob("*"))]
    for path in [*sorted(repository.glob("*")), *files]:
        inside = path.relative_to(repository)
        if not path.is_file() or path.suffix not in TEXT_FILES or FILLED & set(inside.parts):
            continue
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            if MACHINE_PATH.search(line):
                found.append(f"{inside}:{number}: {line.strip()[:80]}")

    assert found == []


def test_a_wheel_holds_every_package(repository):
    listed = tomllib.loads((repository / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"][
        "packages"
    ]

    folders = {path.parent for path in modules(repository, "sitefinder")}

    found = {".".join(folder.relative_to(repository).parts) for folder in folders}
    assert sorted(listed) == sorted(found | {"sitefinder.generic"})
