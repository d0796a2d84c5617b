"""The metadata of a delivery against the XML schema of ISO/TS 19139.

ISO/TS 19139:2007, "Geographic information: Metadata: XML schema implementation", schema gmd, version 2012-07-13;
see the fixture iso_19139 for where its files come from. Where a party's names and address stand is what that
schema's own documentation says of CI_ResponsibleParty.
"""

import re

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from sitefinder.delivery.metadata import About, metadata_xml
from sitefinder.settings.run import ContactSettings

NAMES = {"gmd": "http://www.isotc211.org/2005/gmd", "gco": "http://www.isotc211.org/2005/gco"}
CONTACT = ContactSettings(name="A. Example", organisation="Example Office", email="office@example.org")
STAGE = {"kind": "stage", "name": "flows", "value": "1"}
INPUT = {
    "kind": "input",
    "name": "dem",
    "value": "dem.tif",
    "digest": "a1b2",
    "source": "Example Survey",
    "date": "2019-07",
    "licence": "CC0 1.0",
    "note": "",
}


def document(*rows, **about):
    columns = ["kind", "name", "value", "digest", "source", "date", "licence", "note"]
    tables = {
        "provenance": pd.DataFrame([STAGE, *rows], columns=columns, dtype="str"),
        "sites": pd.DataFrame(),
        "reaches": pd.DataFrame(),
    }
    return metadata_xml(tables, About("Example", about.pop("crs", "EPSG:32633"), "EUR of 2024", **about))


# What the schema finds wrong in a document.
def problems(schema, xml):
    schema.validate(etree.fromstring(xml.encode()))
    return [f"{error.line}: {error.message}" for error in schema.error_log]


@pytest.mark.parametrize("contact", [None, CONTACT, ContactSettings(organisation="Example Office")])
@pytest.mark.parametrize("date", [None, "2026-05-31"])
def test_the_metadata_are_valid_with_and_without_contact_and_date(iso_19139, contact, date):
    xml = document(
        INPUT, INPUT | {"name": "roads", "date": "not stated", "licence": ""}, contact=contact, date=date
    )

    assert problems(iso_19139, xml) == []


def test_a_coordinate_system_without_a_code_is_stated_in_full(iso_19139):
    local = "+proj=tmerc +lat_0=10 +lon_0=20.5 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=m"

    xml = document(INPUT, crs=local)

    assert problems(iso_19139, xml) == []
    assert "Transverse Mercator" in xml


@pytest.mark.parametrize(
    ("stated", "date"),
    [
        ("2019-07-05", "2019-07-05"),
        ("surveyed 2019-07, edition 3", "2019-07"),
        ("2019", "2019"),
        ("2019-02-30", "2019-02"),
        ("2019-13", "2019"),
        ("0000", None),
        ("spring", None),
    ],
)
def test_dates_of_inputs_are_what_the_schema_takes_as_dates(iso_19139, stated, date):
    xml = document(INPUT | {"date": stated})
    source = etree.fromstring(xml.encode()).find(".//gmd:LI_Source", NAMES)

    assert problems(iso_19139, xml) == []
    assert source.findtext(".//gmd:CI_Date/gmd:date/gco:Date", None, NAMES) == date


@given(
    texts=st.lists(st.text(max_size=40), min_size=7, max_size=7),
    # Names with control characters are refused as settings.
    name=st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=20),
    crs=st.sampled_from(["EPSG:32633", "EPSG:5070", "ESRI:102039"]),
)
@settings(deadline=None, max_examples=100)
def test_whatever_the_user_states_the_metadata_are_valid(iso_19139, texts, name, crs):
    row = dict(zip(["name", "value", "digest", "source", "date", "licence", "note"], texts, strict=True))

    xml = document(row | {"kind": "input"}, crs=crs, contact=ContactSettings(name=name), date="2026-05-31")

    assert problems(iso_19139, xml) == []


def test_contact_and_date_are_where_the_standard_looks_for_them():
    root = etree.fromstring(document(INPUT, contact=CONTACT, date="2026-05-31").encode())

    for place in ("gmd:contact", "gmd:identificationInfo/gmd:MD_DataIdentification/gmd:pointOfContact"):
        party = root.find(f"{place}/gmd:CI_ResponsibleParty", NAMES)
        texts = [element.text for element in party.iter(f"{{{NAMES['gco']}}}CharacterString")]
        assert texts == ["A. Example", "Example Office", "office@example.org"]
        assert party.find("gmd:role/gmd:CI_RoleCode", NAMES).get("codeListValue") == "pointOfContact"
    assert root.findtext("gmd:dateStamp/gco:Date", None, NAMES) == "2026-05-31"
    citation = root.find("gmd:identificationInfo//gmd:citation/gmd:CI_Citation", NAMES)
    assert citation.findtext("gmd:date/gmd:CI_Date/gmd:date/gco:Date", None, NAMES) == "2026-05-31"


def test_a_contact_or_date_that_is_not_stated_is_missing_with_a_reason():
    root = etree.fromstring(document(INPUT).encode())

    assert root.find("gmd:contact", NAMES).get(f"{{{NAMES['gco']}}}nilReason") == "missing"
    assert root.find("gmd:dateStamp", NAMES).get(f"{{{NAMES['gco']}}}nilReason") == "withheld"


# Each a slip that the code could make; the schema must notice, or the tests above would pass with anything.
@pytest.mark.parametrize(
    ("pattern", "replacement"),
    [
        (r"<gmd:abstract>.*?</gmd:abstract>", ""),
        (r"(<gmd:contact .*?/>)(\s*)(<gmd:dateStamp .*?/>)", r"\3\2\1"),
        (r"<gmd:role>.*?</gmd:role>", ""),
        (r"2019-07<", "July 2019<"),
        (r"gmd:MD_TopicCategoryCode>inlandWaters<", "gmd:MD_TopicCategoryCode>rivers<"),
        (r"gmd:LI_Source>", "gmd:LI_Origin>"),
    ],
)
def test_a_broken_document_fails(iso_19139, pattern, replacement):
    xml, count = re.subn(pattern, replacement, document(INPUT), flags=re.DOTALL)

    assert count > 0
    assert problems(iso_19139, xml)
