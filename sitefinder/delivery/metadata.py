"""Metadata of the GeoPackage as a whole: ISO 19115, as XML of ISO 19139."""

import calendar
import re
import xml.etree.ElementTree as ElementTree
from typing import NamedTuple

import numpy as np
import pyproj

from sitefinder.io.crs import LONGITUDE_LATITUDE
from sitefinder.schema.arrays import records_of
from sitefinder.schema.wording import NOT_KNOWN, READING, SAFETY, SCREENING

# Characters that XML 1.0 cannot hold, even escaped (W3C, "Extensible Markup Language (XML) 1.0", fifth edition,
# 2008, production 2, Char; from memory).
NOT_IN_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
REPLACEMENT = "\ufffd"


def xml_safe(text):
    """Text with each character that XML cannot hold replaced by the replacement character, U+FFFD.

    Examples
    --------
    >>> xml_safe("a\\x07b") == "a\\ufffdb"
    True
    """
    return NOT_IN_XML.sub(REPLACEMENT, str(text))


def add(parent, tag, text=None, **attributes):
    """A new last child of an element; attributes and text are made safe by `xml_safe`."""
    child = ElementTree.SubElement(parent, tag, {name: xml_safe(value) for name, value in attributes.items()})
    if text is not None:
        child.text = xml_safe(text)
    return child


def xml_text(root, declared=True):
    """A whole XML document as text, indented."""
    ElementTree.indent(root, " ")
    head = '<?xml version="1.0" encoding="UTF-8"?>\n' if declared else ""
    return head + ElementTree.tostring(root, encoding="unicode") + "\n"


STANDARD = "http://www.isotc211.org/2005/gmd"
DEFINITION = "http://www.geopackage.org/spec130/#extension_metadata"
TABLES = (
    """CREATE TABLE gpkg_metadata (
  id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL,
  md_scope TEXT NOT NULL DEFAULT 'dataset',
  md_standard_uri TEXT NOT NULL,
  mime_type TEXT NOT NULL DEFAULT 'text/xml',
  metadata TEXT NOT NULL DEFAULT ''
)""",
    """CREATE TABLE gpkg_metadata_reference (
  reference_scope TEXT NOT NULL,
  table_name TEXT,
  column_name TEXT,
  row_id_value INTEGER,
  timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  md_file_id INTEGER NOT NULL,
  md_parent_id INTEGER,
  CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
  CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id)
)""",
)
CODE_LISTS = "http://standards.iso.org/iso/19139/resources/gmxCodelists.xml"
NAMESPACES = {
    "xmlns:gmd": STANDARD,
    "xmlns:gco": "http://www.isotc211.org/2005/gco",
}
# A date, as much of it as there is, anywhere in what the user states. XML Schema 1.0 has no year 0.
DATE = re.compile(r"(?<!\d)(?!0000)(\d{4})(?:-(0[1-9]|1[0-2])(?:-(0[1-9]|[12]\d|3[01]))?)?(?!\d)")
NOT_STATED = "not stated"


class About(NamedTuple):
    """Title, coordinate system, currency, sitefinder version, contact, date and notes of a delivery.

    ``contact`` is a `sitefinder.settings.run.ContactSettings` and ``date`` an ISO 8601 date, if stated.
    """

    title: str
    crs: str
    money: str
    version: str = ""
    contact: object = None
    date: str | None = None
    notes: tuple = ()


def add_metadata(database, xml, stamp):
    """Add a document on the whole file, and the tables that hold it, to a GeoPackage.

    Parameters
    ----------
    database : sqlite3.Connection
    xml : str
        See `metadata_xml`.
    stamp : str
        Time of change to write.
    """
    for statement in TABLES:
        database.execute(statement)
    database.execute("INSERT INTO gpkg_metadata VALUES (1, 'dataset', ?, 'text/xml', ?)", (STANDARD, xml))
    row = ("geopackage", None, None, None, stamp, 1, None)
    database.execute("INSERT INTO gpkg_metadata_reference VALUES (?, ?, ?, ?, ?, ?, ?)", row)
    for table in ("gpkg_metadata", "gpkg_metadata_reference"):
        database.execute(
            "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_metadata', ?, 'read-write')", (table, DEFINITION)
        )


def metadata_xml(tables, about):
    """The metadata of a delivery.

    Parameters
    ----------
    tables : dict of str to DataFrame or GeoDataFrame
        By name of layer, checked. Inputs are those of ``provenance``.
    about : About

    Returns
    -------
    str
        An ISO 19139 document. It has no date except the one stated, so that the same results give the same file.
    """
    provenance = tables["provenance"]
    inputs = records_of(provenance[provenance["kind"] == "input"].fillna(""))
    root = ElementTree.Element("gmd:MD_Metadata", NAMESPACES)
    _text(root, "language", "eng")
    _code(root, "characterSet", "MD_CharacterSetCode", "utf8")
    _code(root, "hierarchyLevel", "MD_ScopeCode", "dataset")
    _add_contact(root, "contact", about.contact)
    if about.date:
        add(add(root, "gmd:dateStamp"), "gco:Date", about.date)
    else:
        _missing(root, "dateStamp", "withheld")
    _text(root, "metadataStandardName", "ISO 19115:2003, Geographic information: Metadata")
    _text(root, "metadataStandardVersion", "ISO/TS 19139:2007")
    _add_system(root, about.crs)
    _add_identification(root, tables, about, inputs)
    _add_lineage(root, about, inputs, provenance)
    return xml_text(root)


def _add_system(root, crs):
    crs = pyproj.CRS.from_user_input(crs)
    system = _group(root, "referenceSystemInfo", "MD_ReferenceSystem")
    identifier = _group(system, "referenceSystemIdentifier", "RS_Identifier")
    authority = crs.to_authority()
    _text(identifier, "code", authority[1] if authority else crs.to_wkt())
    if authority:
        _text(identifier, "codeSpace", authority[0])


def _add_identification(root, tables, about, inputs):
    identification = _group(root, "identificationInfo", "MD_DataIdentification")
    citation = _group(identification, "citation", "CI_Citation")
    _text(citation, "title", about.title or "Inventory of low-head hydropower sites")
    if about.date:
        _add_date(citation, about.date)
    else:
        _missing(citation, "date", "withheld")
    _text(
        identification,
        "abstract",
        "Regional inventory of low-head hydropower sites from an elevation model, a mapped stream network and "
        f"flow statistics: {len(tables['sites'])} ranked sites, {len(tables['reaches'])} reaches with a verdict. "
        f"Money is in {about.money}. {SCREENING}",
    )
    _text(identification, "purpose", "To find sites that merit a visit. " + SCREENING)
    _add_contact(identification, "pointOfContact", about.contact)
    for text in (*about.notes, SCREENING, *NOT_KNOWN, *READING, *SAFETY):
        _text(_group(identification, "resourceConstraints", "MD_Constraints"), "useLimitation", text)
    for licence in dict.fromkeys(row["licence"] for row in inputs):
        if licence and licence != NOT_STATED:
            names = ", ".join(row["name"] for row in inputs if row["licence"] == licence)
            legal = _group(identification, "resourceConstraints", "MD_LegalConstraints")
            _code(legal, "useConstraints", "MD_RestrictionCode", "license")
            _text(legal, "otherConstraints", f"{licence}, of the inputs {names}")
    bare = [row["name"] for row in inputs if not row["licence"] or row["licence"] == NOT_STATED]
    if bare:
        legal = _group(identification, "resourceConstraints", "MD_LegalConstraints")
        _text(legal, "useLimitation", f"Licence not stated, of the inputs {', '.join(bare)}")
    _code(identification, "spatialRepresentationType", "MD_SpatialRepresentationTypeCode", "vector")
    _text(identification, "language", "eng")
    _code(identification, "characterSet", "MD_CharacterSetCode", "utf8")
    add(add(identification, "gmd:topicCategory"), "gmd:MD_TopicCategoryCode", "inlandWaters")
    bounds = _bounds(tables, about.crs)
    if bounds:
        extent = _group(identification, "extent", "EX_Extent")
        box = _group(extent, "geographicElement", "EX_GeographicBoundingBox")
        for side, value in bounds.items():
            add(add(box, f"gmd:{side}"), "gco:Decimal", f"{value:.6f}")


# Bounds of all geometry in degrees; None where there is none.
def _bounds(tables, crs):
    boxes = [table.total_bounds for table in tables.values() if hasattr(table, "total_bounds") and len(table)]
    boxes = np.array([box for box in boxes if np.isfinite(box).all()])
    if not len(boxes):
        return None
    transformer = pyproj.Transformer.from_crs(crs, LONGITUDE_LATITUDE, always_xy=True)
    corners = (*boxes[:, :2].min(axis=0), *boxes[:, 2:].max(axis=0))
    west, south, east, north = transformer.transform_bounds(*corners)
    return {
        "westBoundLongitude": west,
        "eastBoundLongitude": east,
        "southBoundLatitude": south,
        "northBoundLatitude": north,
    }


def _add_lineage(root, about, inputs, provenance):
    quality = _group(root, "dataQualityInfo", "DQ_DataQuality")
    _code(_group(quality, "scope", "DQ_Scope"), "level", "MD_ScopeCode", "dataset")
    lineage = _group(quality, "lineage", "LI_Lineage")
    _text(
        lineage,
        "statement",
        f"Made by sitefinder {about.version}".rstrip()
        + " from the sources below; all settings that change results are in the layer provenance, all repairs of "
        "inputs in the layer repairs.",
    )
    for stage in provenance[provenance["kind"] == "stage"].fillna("").itertuples():
        step = _group(lineage, "processStep", "LI_ProcessStep")
        _text(step, "description", f"stage {stage.name}, version {stage.value}")
    for row in inputs:
        source = _group(lineage, "source", "LI_Source")
        _text(source, "description", "; ".join(part for part in (row["name"], row["value"], row["note"]) if part))
        citation = _group(source, "sourceCitation", "CI_Citation")
        _text(citation, "title", row["name"])
        if date := _date_in(row["date"]):
            _add_date(citation, date)
        else:
            _missing(citation, "date", "unknown")
        if row["date"] and row["date"] != NOT_STATED:
            _text(citation, "edition", row["date"])
        if row["digest"]:
            _text(_group(citation, "identifier", "MD_Identifier"), "code", f"SHA-256 {row['digest']}")
        if row["source"] and row["source"] != NOT_STATED:
            party = _group(citation, "citedResponsibleParty", "CI_ResponsibleParty")
            _text(party, "organisationName", row["source"])
            _code(party, "role", "CI_RoleCode", "originator")
        _text(citation, "otherCitationDetails", f"licence: {row['licence'] or NOT_STATED}")


# The contact, or that none is given.
def _add_contact(parent, tag, contact):
    if contact is None:
        _missing(parent, tag, "missing")
        return
    party = _group(parent, tag, "CI_ResponsibleParty")
    if contact.name:
        _text(party, "individualName", contact.name)
    if contact.organisation:
        _text(party, "organisationName", contact.organisation)
    if contact.email:
        address = _group(_group(party, "contactInfo", "CI_Contact"), "address", "CI_Address")
        _text(address, "electronicMailAddress", contact.email)
    _code(party, "role", "CI_RoleCode", "pointOfContact")


# The first date in a text, or "": year, month and day, or what there is of it. A day that a month does not have,
# such as February 30, is left out.
def _date_in(text):
    match = DATE.search(text)
    if match is None:
        return ""
    year, month, day = match.groups()
    if day and int(day) > calendar.monthrange(int(year), int(month))[1]:
        day = None
    return "-".join(part for part in (year, month, day) if part)


def _add_date(citation, date):
    dated = _group(citation, "date", "CI_Date")
    add(add(dated, "gmd:date"), "gco:Date", date)
    _code(dated, "dateType", "CI_DateTypeCode", "publication")


def _group(parent, tag, kind):
    return add(add(parent, f"gmd:{tag}"), f"gmd:{kind}")


def _text(parent, tag, text):
    add(add(parent, f"gmd:{tag}"), "gco:CharacterString", text)


def _code(parent, tag, code_list, value):
    code = add(add(parent, f"gmd:{tag}"), f"gmd:{code_list}", value)
    code.set("codeList", f"{CODE_LISTS}#{code_list}")
    code.set("codeListValue", value)


# A property that the standard requires and that is missing, with the reason.
def _missing(parent, tag, reason):
    add(parent, f"gmd:{tag}").set("gco:nilReason", reason)
