"""One language: source, settings, templates and documents use the terms of the trade in plain modern English.

The lists are this project's own choice of words. Text in strings, comments and docstrings of Python files and all
text of the other files is searched; names in the code are not.
"""

import io
import re
import tokenize
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SUFFIXES = {".py", ".md", ".toml", ".js", ".j2", ".typ"}
NOT_OURS = {"out", "build", "dist", "data", "fonts", "__pycache__", "_version.py"}
# Words out of use, with what is written instead.
BANNED = {
    r"\b(?:is|are|was|were|be|been|being|as|not|what|was) told\b": "reported, listed, called",
    r"\btold (?:of|by|apart|anew|so|at once|already)\b": "reported, distinguished",
    r"\btells?\b": "state, show, distinguish",
    r"\bhangs? on\b": "depends on",
    r"\bafresh\b|\banew\b": "again",
    r"\breckon(?:s|ed|ing)?\b": "compute, estimate",
    r"\blest\b": "so that … not",
    r"\bdear(?:er|est)?\b": "expensive, above the cost limit",
    r"\b(?:is|are|be|yearly|days'|most) worth\b|\bworth of\b|\bworth less\b": "value",
    r"\bpeople\b": "inhabitants, users",
    r"\bso many\b|\bso often\b": "this number of, this share of the time",
    r"\bof theirs\b": "their",
    r"\bcarr(?:y|ies) (?:no|a) site\b": "has no site, has a site",
    r"\bcost of a kWh\b": "LCOE",
    r"\bdiverted length\b": "depleted reach",
    r"\bfree-stream\b": "hydrokinetic",
    r"\bleast (?:head|flow|power|width|depth|drop|area|survival|overlap|value|sum)\b": "minimum",
    r"\bwaterfall chart\b|\bstep by step: meets\b": "screening cascade",
    r"\bwet and dry years\b": "inter-annual variability",
    r"\breserved? flow\b": "environmental flow",
    r"\boff the grid\b": "off-grid",
}
ANY = re.compile("|".join(f"(?:{pattern})" for pattern in BANNED))
# Phrases that hold such a word in another sense.
ALLOWED = (
    "least squares",
    "worth a visit",
    # Texts of the program's own faults, which no user meets.
    "in a circle, or off the grid",
    "known to tell the content of",
)
# Files that hold words out of use because they are about them.
ABOUT_THEM = {
    "sitefinder/CHANGELOG.md",
    "tests/test_readme.py",
    "tests/test_words.py",
    "tests/tools/compare_deliveries.py",
    "tests/tools/renames_since_0_1.toml",
}
# Directories whose wording is checked.
WHERE = ("sitefinder", "config", "sample-region", "tests", "DEVELOPERS.md")


# The lines of a file's prose, as (number, text).
def _prose(path):
    text = path.read_text(encoding="utf-8")
    if path.suffix != ".py":
        return list(enumerate(text.splitlines(), 1))
    kinds = {tokenize.STRING, tokenize.COMMENT, getattr(tokenize, "FSTRING_MIDDLE", tokenize.STRING)}
    return [
        (token.start[0] + offset, line)
        for token in tokenize.generate_tokens(io.StringIO(text).readline)
        if token.type in kinds
        for offset, line in enumerate(token.string.splitlines())
    ]


def _without_allowed(line):
    for phrase in ALLOWED:
        line = line.replace(phrase, "")
    return line


def _files(where):
    root = ROOT / where
    paths = [root] if root.is_file() else sorted(root.rglob("*"))
    return [
        path
        for path in paths
        if path.suffix in SUFFIXES
        and not NOT_OURS & set(path.relative_to(ROOT).parts)
        and path.relative_to(ROOT).as_posix() not in ABOUT_THEM
        and path.is_file()
    ]


def _found(where):
    return [
        f"{path.relative_to(ROOT)}:{number}: {match[0]!r}, write {instead}"
        for path in _files(where)
        # Prose is sought out only in the few files that hold such a word somewhere, be it a name in the code.
        if ANY.search(_without_allowed(path.read_text(encoding="utf-8")))
        for number, line in _prose(path)
        for pattern, instead in BANNED.items()
        if (match := re.search(pattern, _without_allowed(line)))
    ]


@pytest.mark.parametrize("where", WHERE)
def test_no_text_uses_a_word_that_is_out_of_use(where):
    assert _files(where)

    found = _found(where)

    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    "line",
    [
        "the error that the reader is told of",
        "a column that tells canals",
        "yearly worth of the energy",
        "dearer stretches",
        "turbines stand still above so many times the mean flow",
        "least head that the DEM resolves",
    ],
)
def test_each_such_word_is_found(line):
    assert any(re.search(pattern, line) for pattern in BANNED)


@pytest.mark.parametrize("line", ["least squares", "at least one", "the greatest part", "worthwhile"])
def test_terms_of_the_trade_are_not_found(line):
    assert not any(re.search(pattern, _without_allowed(line)) for pattern in BANNED)


def test_only_strings_and_comments_of_python_are_read(tmp_path):
    path = tmp_path / "names.py"
    path.write_text('told = 1  # a comment\nlest = "a text"\n', encoding="utf-8")

    assert _prose(path) == [(1, "# a comment"), (2, '"a text"')]
