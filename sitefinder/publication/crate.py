"""The description of a public edition for programs: RO-Crate 1.1, as JSON-LD.

References
----------
P. Sefton and others, "RO-Crate Metadata Specification 1.1," researchobject.org community, 2020,
doi:10.5281/zenodo.4031327, https://w3id.org/ro/crate/1.1: sections "Root Data Entity", "Data Entities",
"Contextual Entities" and "Provenance of entities".
"""

from __future__ import annotations

import mimetypes
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import quote

if TYPE_CHECKING:
    from sitefinder.publication.public_form import PublicInput
    from sitefinder.settings.run import ContactSettings

METADATA_FILE = "ro-crate-metadata.json"
SPECIFICATION = "https://w3id.org/ro/crate/1.1"
ROOT, RUN, PROGRAM, PUBLISHER = "./", "#run", "#sitefinder", "#publisher"
# Terms that the context of 1.1 lacks, added as in its appendix "RO-Crate JSON-LD" (Extending RO-Crate).
MORE_TERMS = {"sha256": "https://schema.org/sha256"}
# Types that Python's table lacks (IANA and the standards of the formats; TOML 1.0 registers application/toml).
TYPES = {
    ".gpkg": "application/geopackage+sqlite3",
    ".toml": "application/toml",
    ".gpx": "application/gpx+xml",
    ".md": "text/markdown",
    ".tif": "image/tiff",
    ".parquet": "application/vnd.apache.parquet",
    ".qgs": "application/xml",
    ".csv": "text/csv",
    ".json": "application/json",
}


class CrateFile(NamedTuple):
    """A file of the edition: its name in it, size [bytes], SHA-256 ("" where unknown), and what it is."""

    name: str
    size: int
    digest: str
    what: str


class About(NamedTuple):
    """Title, description, date, licence and contact of an edition."""

    title: str
    description: str
    date: str
    licence: str
    contact: ContactSettings | None


def crate(
    about: About,
    files: Sequence[CrateFile],
    inputs: Sequence[PublicInput],
    bundle: str,
    delivery: str,
    software: Mapping[str, str],
    build: tuple[str, str],
) -> dict[str, Any]:
    """The metadata of an edition.

    Parameters
    ----------
    about : About
    files : sequence of CrateFile
        All of the edition but the metadata themselves.
    inputs : sequence of PublicInput
        Those that are not passed on are described too.
    bundle, delivery : str
        Names of the folders of the bundle and of the delivery, each with a slash at its end.
    software : mapping of str to str
        Version of each library.
    build : tuple of (str, str)
        Version and commit of sitefinder.

    Returns
    -------
    dict
        What `json.dumps` writes. No time of day is in it, and nothing of the machine.
    """
    input_of = {f"{bundle}{place}": one for one in inputs if one.is_public for _, place in one.files}
    licences: dict[str, dict[str, Any]] = {}
    entities = [_file(one, input_of.get(one.name), licences, delivery) for one in files]
    absent = [_absent(one, licences, bundle) for one in inputs if not one.is_public]
    libraries = [
        {
            "@id": f"#software-{quote(name)}",
            "@type": "SoftwareApplication",
            "name": name,
            "softwareVersion": version,
        }
        for name, version in software.items()
    ]
    root = {
        "@id": ROOT,
        "@type": "Dataset",
        "name": about.title,
        "description": about.description,
        "datePublished": about.date,
        "license": _licence(about.licence, licences),
        "hasPart": [{"@id": entity["@id"]} for entity in (*entities, *absent)],
        "mentions": {"@id": RUN},
    }
    publisher = _publisher(about.contact)
    if publisher:
        root["publisher"] = {"@id": publisher[0]["@id"]}
    program = {
        "@id": PROGRAM,
        "@type": "SoftwareApplication",
        "name": "sitefinder",
        "softwareVersion": build[0],
        "softwareRequirements": [{"@id": each["@id"]} for each in libraries],
        **({"identifier": build[1]} if build[1] else {}),
    }
    settings = [each for each in entities if each["@id"] == f"{bundle}settings.toml"]
    used = [each["@id"] for each in entities if each["@id"].startswith(bundle) and each not in settings]
    run = {
        "@id": RUN,
        "@type": "CreateAction",
        "name": f"sitefinder run {bundle}settings.toml",
        "instrument": {"@id": PROGRAM},
        "object": [{"@id": each["@id"]} for each in settings]
        + [{"@id": each} for each in (*used, *(entity["@id"] for entity in absent))],
        "result": [{"@id": each["@id"]} for each in entities if each["@id"].startswith(delivery)],
    }
    descriptor = {
        "@id": METADATA_FILE,
        "@type": "CreativeWork",
        "conformsTo": {"@id": SPECIFICATION},
        "about": {"@id": ROOT},
    }
    graph = [descriptor, root, *entities, *absent, run, program, *libraries, *publisher, *licences.values()]
    return {"@context": [f"{SPECIFICATION}/context", MORE_TERMS], "@graph": graph}


def _file(
    one: CrateFile, given: PublicInput | None, licences: dict[str, dict[str, Any]], delivery: str
) -> dict[str, Any]:
    ending = f".{one.name.rsplit('.', 1)[-1].lower()}"
    entity: dict[str, Any] = {
        "@id": quote(one.name),
        "@type": "File",
        "name": one.what,
        "contentSize": str(one.size),
        "encodingFormat": TYPES.get(ending) or mimetypes.guess_type(one.name)[0] or "application/octet-stream",
    }
    if one.digest:
        entity["sha256"] = one.digest
    if given is not None:
        entity |= _credit(given, licences)
    return entity


# An input that is not passed on: what it is, and the place where a replay looks for it.
def _absent(given: PublicInput, licences: dict[str, dict[str, Any]], bundle: str) -> dict[str, Any]:
    where = (
        f"A replay looks for it at {bundle}{given.place}."
        if given.place
        else "A replay reads it from its address."
    )
    return {
        "@id": f"#input-{quote(given.key)}",
        "@type": "CreativeWork",
        "name": given.name,
        "description": f"An input that is not passed on with the edition. {where}",
        **_credit(given, licences),
    }


def _credit(given: PublicInput, licences: dict[str, dict[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if given.made_of:
        found["description"] = f"{given.made_of[0].upper()}{given.made_of[1:]}."
    if given.licence:
        found["license"] = _licence(given.licence, licences)
    if given.attribution:
        found["creditText"] = given.attribution
    if given.source:
        found["creator"] = given.source
    return found


# A reference to the entity of a licence, which is made where there is none yet.
def _licence(text: str, licences: dict[str, dict[str, Any]]) -> dict[str, str]:
    is_address = text.startswith(("https://", "http://")) and " " not in text
    name = text if is_address else f"#licence-{quote(text, safe='')}"
    licences.setdefault(
        name,
        {"@id": name, "@type": "CreativeWork", "name": text, "description": f"Licence, as stated: {text}"},
    )
    return {"@id": name}


def _publisher(contact: ContactSettings | None) -> list[dict[str, Any]]:
    if contact is None:
        return []
    kind = "Organization" if contact.organisation else "Person"
    publisher: dict[str, Any] = {"@id": PUBLISHER, "@type": kind, "name": contact.organisation or contact.name}
    if contact.email:
        publisher["email"] = contact.email
    return [publisher]
