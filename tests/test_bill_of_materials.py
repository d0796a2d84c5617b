"""The bill of materials holds what CycloneDX 1.6 requires, and everything that the package needs."""

import email.message
import importlib.metadata
import json
import re

import bill_of_materials
import pytest
from bill_of_materials import bill, licences_of, needed, normalised

TYPES = {"application", "framework", "library", "platform", "operating-system"}


@pytest.fixture(scope="module")
def made():
    return bill()


def test_what_the_standard_requires_is_there(made):
    assert (made["bomFormat"], made["specVersion"], made["version"]) == ("CycloneDX", "1.6", 1)
    hexadecimal = "[0-9a-f]"
    digits = "-".join(f"{hexadecimal}{{{count}}}" for count in (8, 4, 4, 4, 12))
    assert re.fullmatch(f"urn:uuid:{digits}", made["serialNumber"])
    components = [made["metadata"]["component"], *made["components"]]
    for each in components:
        assert each["type"] in TYPES
        assert each["name"]
        assert re.fullmatch(r"pkg:(pypi|generic)/[a-z0-9-]+@[\w.%!-]+", each["purl"])
        for licence in each.get("licenses", ()):
            # One of a kind: an expression stands alone, a licence has a name.
            assert licence.keys() == {"expression"} or licence["license"].keys() == {"name"}
    references = [each["bom-ref"] for each in components]
    assert len(set(references)) == len(references)
    assert {each["ref"] for each in made["dependencies"]} <= set(references)
    assert {ref for each in made["dependencies"] for ref in each["dependsOn"]} <= set(references)


def test_everything_that_the_package_declares_is_listed_and_what_is_for_tests_alone_is_not(made):
    listed = {each["name"] for each in made["components"]}
    of_package = importlib.metadata.requires("sitefinder")
    needs = {normalised(re.match(r"[\w.-]+", text)[0]) for text in of_package if "extra ==" not in text}

    assert needs <= listed
    # Of other packages in turn, and the libraries in C.
    assert {"llvmlite", "click", "gdal", "geos", "proj"} <= listed
    assert not {"pytest", "hypothesis", "ruff"} & listed


def test_the_same_packages_give_the_same_bytes(made):
    assert json.dumps(bill()) == json.dumps(made)


def test_an_extra_that_a_package_asks_for_counts(monkeypatch):
    requires = {
        "one": ["Two[fast]>=1", 'three; extra == "test"'],
        "two": ['four; extra == "fast"', "five; python_version < '3'"],
        "four": ["one"],
    }
    monkeypatch.setattr(bill_of_materials.importlib.metadata, "requires", lambda name: requires.get(name))

    assert needed("one") == {"four": ["one"], "one": ["two"], "two": ["four"]}


@pytest.mark.parametrize(
    ("headers", "licences"),
    [
        ({"License-Expression": "MIT", "License": "x"}, [{"expression": "MIT"}]),
        ({"License": "BSD"}, [{"license": {"name": "BSD"}}]),
        (
            {"License": "Permission is\nhereby granted", "Classifier": "License :: OSI Approved :: MIT License"},
            [{"license": {"name": "MIT License"}}],
        ),
        ({}, []),
    ],
)
def test_a_licence_is_an_expression_or_a_name(headers, licences):
    metadata = email.message.Message()
    for name, value in headers.items():
        metadata[name] = value

    assert licences_of(metadata) == licences
