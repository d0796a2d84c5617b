"""The software that runs: a bill of materials in CycloneDX 1.6 (ECMA-424), as JSON on standard output.

    .venv/bin/python tests/tools/bill_of_materials.py > bill-of-materials.json

It lists sitefinder and every distribution that it needs in this environment, at any depth, with version, licence
and package URL, and the libraries in C that wheels bring inside: GDAL, GEOS and PROJ.
Two environments with the same packages give the same bytes.
"""

import importlib.metadata
import json
import re
import sys
import uuid

from packaging.requirements import Requirement

ROOT = "sitefinder"
SPECIFICATION = "1.6"
SCHEMA = f"http://cyclonedx.org/schema/bom-{SPECIFICATION}.schema.json"


def needed(name):
    """Distributions that one needs in this environment, and what each of these needs.

    Parameters
    ----------
    name : str

    Returns
    -------
    dict of str to list of str
        By normalised names, in their order.

    Raises
    ------
    importlib.metadata.PackageNotFoundError
        If one is not installed.
    """
    found, rest = {}, [(normalised(name), frozenset())]
    visited = set()
    while rest:
        own, extras = rest.pop()
        if (own, extras) in visited:
            continue
        visited.add((own, extras))
        for text in importlib.metadata.requires(own) or ():
            requirement = Requirement(text)
            if _applies(requirement, extras):
                other = normalised(requirement.name)
                found.setdefault(own, set()).add(other)
                rest.append((other, frozenset(requirement.extras)))
        found.setdefault(own, set())
    return {own: sorted(found[own]) for own in sorted(found)}


def _applies(requirement, extras):
    marker = requirement.marker
    return marker is None or any(marker.evaluate({"extra": extra}) for extra in ("", *extras))


def normalised(name):
    """The name of a distribution as package URLs have it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def component(name):
    """A distribution as a component."""
    distribution = importlib.metadata.distribution(name)
    url = _url(name, distribution.version)
    kind = "application" if name == ROOT else "library"
    known = {"type": kind, "bom-ref": url, "name": name, "version": distribution.version, "purl": url}
    summary, licences = distribution.metadata.get("Summary"), licences_of(distribution.metadata)
    return known | ({"description": summary} if summary else {}) | ({"licenses": licences} if licences else {})


def _url(name, version):
    # A local version, as of a commit, holds a plus, which a package URL escapes.
    return f"pkg:pypi/{name}@{version.replace('+', '%2B')}"


def licences_of(metadata):
    """Licences as the standard takes them: an expression where the package has one, else names.

    Parameters
    ----------
    metadata : email.message.Message

    Returns
    -------
    list of dict
        Empty where the package says nothing.
    """
    if expression := metadata.get("License-Expression"):
        return [{"expression": expression}]
    text = (metadata.get("License") or "").strip()
    # Some packages put the whole text there.
    if text and "\n" not in text and len(text) < 80:
        return [{"license": {"name": text}}]
    kinds = [kind for kind in metadata.get_all("Classifier") or () if kind.startswith("License :: ")]
    return [{"license": {"name": kind.rpartition(" :: ")[2]}} for kind in sorted(set(kinds))]


def libraries_inside():
    """Libraries in C inside of wheels: by the distribution that brings them, names and versions."""
    import pyogrio  # noqa: PLC0415
    import pyproj  # noqa: PLC0415
    import rasterio  # noqa: PLC0415
    import shapely  # noqa: PLC0415

    return {
        "pyogrio": {"gdal": ".".join(map(str, pyogrio.__gdal_version__))},
        "pyproj": {"proj": pyproj.proj_version_str},
        "rasterio": {"gdal": rasterio.__gdal_version__},
        "shapely": {"geos": shapely.geos_version_string},
    }


def bill():
    """The bill of materials of this environment.

    Returns
    -------
    dict
    """
    needs = needed(ROOT)
    inside = {
        name: {library: f"pkg:generic/{library}@{version}" for library, version in own.items()}
        for name, own in libraries_inside().items()
        if name in needs
    }
    urls = {name: component(name)["purl"] for name in needs}
    components = [component(name) for name in needs if name != ROOT]
    for url in sorted({url for own in inside.values() for url in own.values()}):
        name, _, version = url.removeprefix("pkg:generic/").partition("@")
        components.append({"type": "library", "bom-ref": url, "name": name, "version": version, "purl": url})
    dependencies = [
        {
            "ref": urls[name],
            "dependsOn": sorted([urls[other] for other in own] + list(inside.get(name, {}).values())),
        }
        for name, own in needs.items()
    ]
    held = {"metadata": {"component": component(ROOT)}, "components": components, "dependencies": dependencies}
    number = uuid.uuid5(uuid.NAMESPACE_URL, json.dumps(held, sort_keys=True))
    head = {"$schema": SCHEMA, "bomFormat": "CycloneDX", "specVersion": SPECIFICATION}
    return head | {"serialNumber": f"urn:uuid:{number}", "version": 1} | held


if __name__ == "__main__":
    json.dump(bill(), sys.stdout, indent=2, ensure_ascii=False)
    print()
