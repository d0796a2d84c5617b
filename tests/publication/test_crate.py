"""The description of an edition against RO-Crate 1.1.

P. Sefton and others, "RO-Crate Metadata Specification 1.1," 2020, doi:10.5281/zenodo.4031327
(https://w3id.org/ro/crate/1.1). Sections are named beside the checks; the quotations are of its text.
"""

import datetime
import hashlib
import json
import re
from urllib.parse import unquote

import pytest

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def edition(editions):
    return editions.editions[0]


@pytest.fixture(scope="module")
def document(edition):
    return json.loads((edition / "ro-crate-metadata.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def entities(document):
    by_id = {entity["@id"]: entity for entity in document["@graph"]}
    # Appendix "RO-Crate JSON-LD": the graph is flattened, so that each entity is there once.
    assert len(by_id) == len(document["@graph"])
    return by_id


def listed(value):
    return value if isinstance(value, list) else [value]


def test_the_context_is_that_of_the_version_with_own_terms_behind_it(document):
    """Appendix "RO-Crate JSON-LD", "Extending RO-Crate": ad-hoc terms are added to the @context, as URIs."""
    first, more = document["@context"]

    assert first == "https://w3id.org/ro/crate/1.1/context"
    assert more == {"sha256": "https://schema.org/sha256"}
    assert set(document) == {"@context", "@graph"}


def test_the_descriptor_is_as_the_specification_has_it(entities):
    """Root Data Entity: "MUST contain a self-describing RO-Crate Metadata File Descriptor"."""
    descriptor = entities["ro-crate-metadata.json"]

    assert descriptor["@type"] == "CreativeWork"
    assert descriptor["about"] == {"@id": "./"}
    assert descriptor["conformsTo"] == {"@id": "https://w3id.org/ro/crate/1.1"}


def test_the_root_has_all_that_it_must_have(entities):
    """Root Data Entity, "Direct properties": @type, @id, name, description, datePublished and license."""
    root = entities["./"]

    assert root["@type"] == "Dataset"
    assert root["name"]
    assert len(root["description"]) > len(root["name"])
    assert datetime.date.fromisoformat(root["datePublished"]) == datetime.date(2031, 5, 31)
    licence = entities[root["license"]["@id"]]
    assert {"name", "description"} <= set(licence)
    assert licence["name"] == "CC-BY-4.0"


def test_every_file_is_a_data_entity_that_the_root_links_to(entities, edition):
    """Data Entities: files "MUST be linked to ... from the Root Data Entity using the hasPart property"."""
    files = {path.relative_to(edition).as_posix() for path in edition.rglob("*") if path.is_file()}
    parts = {part["@id"] for part in entities["./"]["hasPart"]}
    described = {name for name, entity in entities.items() if "File" in listed(entity["@type"])}

    assert {unquote(name) for name in described} == files - {"ro-crate-metadata.json"}
    assert described <= parts
    assert parts <= set(entities)


def test_sizes_and_digests_are_those_of_the_files(entities, edition):
    for name, entity in entities.items():
        if "File" in listed(entity["@type"]) and name != "edition.json":
            data = (edition / unquote(name)).read_bytes()
            assert entity["contentSize"] == str(len(data))
            assert entity["sha256"] == hashlib.sha256(data).hexdigest()
            assert re.fullmatch(r"[a-z]+/[\w.+-]+", entity["encodingFormat"])


def test_whatever_is_referred_to_is_there_and_whatever_is_there_is_referred_to(document, entities):
    """Contextual Entities: an entity that is referenced SHOULD be described; none floats free of the root."""
    referred = set()

    def collect(value):
        if isinstance(value, dict):
            if set(value) == {"@id"}:
                referred.add(value["@id"])
            for each in value.values():
                collect(each)
        elif isinstance(value, list):
            for each in value:
                collect(each)

    for entity in document["@graph"]:
        collect({key: value for key, value in entity.items() if key != "@id"})
    outside = {name for name in referred if name.startswith("https://w3id.org/ro/crate/")}
    assert referred - outside <= set(entities)
    assert set(entities) - referred == {"ro-crate-metadata.json"}


def test_the_action_says_what_made_the_delivery_of_what(entities, edition):
    """Provenance of entities: a CreateAction with its instrument, object and result."""
    (action,) = [entity for entity in entities.values() if entity["@type"] == "CreateAction"]
    program = entities[action["instrument"]["@id"]]

    results = {unquote(each["@id"]) for each in action["result"]}
    delivery = {
        path.relative_to(edition).as_posix() for path in (edition / "delivery").rglob("*") if path.is_file()
    }
    assert results == delivery
    assert action["object"][0] == {"@id": "bundle/settings.toml"}
    assert {"@id": "bundle/inputs/rules/2/cells.gpkg"} in action["object"]
    assert (program["@type"], program["name"]) == ("SoftwareApplication", "sitefinder")
    libraries = [entities[each["@id"]] for each in program["softwareRequirements"]]
    assert {"numpy", "GDAL", "python"} <= {each["name"] for each in libraries}
    assert all(each["softwareVersion"] for each in libraries)


def test_licences_and_credits_of_inputs_stand_at_their_files(entities):
    nests = entities["bundle/inputs/rules/2/cells.gpkg"]
    secret = entities["bundle/inputs/rules/3/cells.gpkg"]

    assert entities[nests["license"]["@id"]]["name"] == "by agreement"
    assert nests["creditText"] == "Bird trust, 2031"
    assert entities[secret["license"]["@id"]]["name"] == "not published"
    assert secret["name"] == "rule sensitive area"
