"""The district map's imprint: author, date and a logo of each kind; and what is no picture is refused."""

import io

import numpy as np
import pypdfium2
import pytest
from PIL import Image
from pypdf import PdfReader

from sitefinder.errors import InputError
from sitefinder.report.sheets import district_map_pdf
from sitefinder.report.sheets.logo import checked_logo, logo_svg
from sitefinder.report.sheets.plate import Imprint

RED = (200, 20, 30)
SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 40 20">'
    '<rect width="40" height="20" fill="#c8141e"/></svg>'
)


@pytest.fixture(params=["PNG", "JPEG", "SVG"])
def logo(request, tmp_path):
    path = tmp_path / f"logo.{request.param.lower()}"
    if request.param == "SVG":
        path.write_text(SVG, encoding="utf-8")
    else:
        Image.new("RGB", (400, 200), RED).save(path, request.param)
    return path


def dots_near(colour, less_than, pdf):
    """Dots of the first page, 216 to the inch, that differ from a colour by less than so much in each channel."""
    bands = pypdfium2.PdfDocument(pdf)[0].render(scale=3).to_pil().convert("RGB").split()
    near = [
        (np.asarray(band) > value - less_than) & (np.asarray(band) < value + less_than)
        for band, value in zip(bands, colour, strict=True)
    ]
    return np.logical_and.reduce(near).sum()


def test_the_map_has_author_date_and_logo(make_handover, make_site, logo, tmp_path):
    imprint = Imprint("A. <Example> & =cmd()", "2026-05-31", logo_svg(checked_logo(logo.name, tmp_path)))

    pdf = district_map_pdf(make_handover([make_site(1)]), imprint)

    text = " ".join(PdfReader(io.BytesIO(pdf)).pages[0].extract_text().split())
    assert "A. <Example> & =cmd() · 2026-05-31" in text
    # 30 mm × 14 mm hold a picture twice as wide as high: 28 mm × 14 mm, at 216 dots to the inch.
    assert dots_near(RED, 25, pdf) == pytest.approx(28 * 14 * (216 / 25.4) ** 2, rel=0.05)


def test_reaches_with_a_decision_are_marked_on_the_map_and_in_its_legend(make_handover, make_site):
    handover = make_handover([make_site(1)])
    plain = district_map_pdf(handover)
    reaches = handover.tables["reaches"]
    decided = reaches.assign(decision=["drop", *[""] * (len(reaches) - 1)])

    pdf = district_map_pdf(handover._replace(tables={**handover.tables, "reaches": decided}))

    words = [" ".join(PdfReader(io.BytesIO(each)).pages[0].extract_text().split()) for each in (plain, pdf)]
    assert ["reach with a decision" in each for each in words] == [False, True]
    yellow = [dots_near((240, 192, 79), 12, each) for each in (plain, pdf)]
    assert yellow[1] > yellow[0] + 1000


def test_without_an_imprint_nothing_is_said_of_one(make_handover, make_site):
    inventory = make_handover([make_site(1)])

    assert district_map_pdf(inventory) == district_map_pdf(inventory, Imprint())


@pytest.mark.parametrize(
    ("name", "content", "headline"),
    [
        ("absent.png", None, "there is no such picture"),
        ("notes.png", b"no picture at all", "the file is not a picture"),
        ("page.svg", b"<html xmlns='http://www.w3.org/1999/xhtml'/>", "the file is not a picture"),
        ("cut.png", b"\x89PNG\r\n\x1a\n\x00\x00", "the file is not a picture"),
        ("large.svg", SVG.encode() + b" " * 5_000_000, "the picture is too large"),
    ],
    ids=["absent", "notes", "page", "cut", "large"],
)
def test_what_is_no_picture_is_refused_with_what_to_do(tmp_path, name, content, headline):
    if content is not None:
        (tmp_path / name).write_bytes(content)

    with pytest.raises(InputError, match=headline) as caught:
        checked_logo(name, tmp_path)

    assert str(tmp_path / name) in str(caught.value)
    assert "fix:       correct the path, or leave out delivery.logo" in str(caught.value)
