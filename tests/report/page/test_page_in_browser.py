"""The report page in a real browser, opened from disk with the network off: linking, keyboard, phone and print."""

import importlib.util
import re
from itertools import pairwise
from pathlib import Path
from urllib.parse import quote

import pytest
import shapely
from chromium import needs_chromium, started
from left_in_english import left_in_english
from playwright.sync_api import sync_playwright

from sitefinder.report.languages import speaking
from sitefinder.report.page import page_html

EVIL, FORMULA = "<script>alert(1)</script>", "=cmd()"
ARABIC, LONG = "نهر الأردل", "n" * 200
DESK, PHONE = {"width": 1400, "height": 1000}, {"width": 390, "height": 844}
LAPTOP = {"width": 1280, "height": 900}

pytestmark = needs_chromium


@pytest.fixture(scope="module")
def browser():
    with sync_playwright() as playwright:
        opened = started(playwright)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def handover(made):
    return made()


@pytest.fixture(scope="module")
def file(handover, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(page_html(handover), encoding="utf-8", newline="\n")
    return path


@pytest.fixture(scope="module")
def large(handover, tmp_path_factory):
    """The same inventory, drawn and listed by the script as that of a large region is."""
    path = tmp_path_factory.mktemp("large") / "report.html"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sitefinder.report.page.page.MANY_SITES", 0)
        path.write_text(page_html(handover), encoding="utf-8", newline="\n")
    return path


@pytest.fixture(scope="module")
def window_of_pages(browser):
    """Where pages stay open from one test to the next: a new one takes three times as long to load a file."""
    context = browser.new_context()
    context.set_offline(True)
    # A policy that is broken is an event of the document, beside the console's message.
    context.add_init_script(
        "addEventListener('securitypolicyviolation', (event) => console.error(event.violatedDirective))"
    )
    yield context
    context.close()


@pytest.fixture
def opened(window_of_pages):
    """A function that opens a file; whatever the page complains of or asks for fails the test at its end."""
    free, used, trouble = list(window_of_pages.pages), [], []

    def opened(path, size=DESK, place=""):
        page, own = free.pop() if free else window_of_pages.new_page(), path.as_uri()
        heard = {
            "console": lambda said: trouble.append(said.text) if said.type in ("error", "warning") else None,
            "pageerror": lambda error: trouble.append(str(error)),
            "dialog": lambda dialog: trouble.append(dialog.message) or dialog.dismiss(),
            "request": lambda asked: (
                None if asked.url.partition("#")[0] == own else trouble.append(asked.url[:200])
            ),
        }
        used.append((page, heard))
        for event, hear in heard.items():
            page.on(event, hear)
        page.route("**/*", lambda route: route.continue_() if route.request.url.startswith(own) else route.abort())
        page.set_viewport_size(size)
        page.bring_to_front()
        page.goto(own + place)
        page.wait_for_selector("html[data-ready=yes]", state="attached", timeout=30_000)
        return page

    yield opened
    for page, heard in used:
        for event, hear in heard.items():
            page.remove_listener(event, hear)
        page.unroute_all()
        # Nothing of this test is left for the next: no document, no pointer over it, no paper.
        page.goto("about:blank")
        page.mouse.move(0, 0)
        page.emulate_media(media="null")
    assert trouble == []


def ranks(page):
    """Ranks of the rows that are shown, from the top."""
    return page.eval_on_selector_all(
        "#sites-table tbody tr[data-rank]:not([hidden])", "rows => rows.map(row => Number(row.dataset.rank))"
    )


def picked(page):
    return page.eval_on_selector_all("#sites-table tr[aria-current]", "rows => rows.map(row => row.dataset.rank)")


def place_of(page, rank):
    """Where a site is drawn, in pixels of the window."""
    return page.evaluate(
        """(rank) => {
            const box = document.querySelector(`#map .mark[data-rank="${rank}"] circle`).getBoundingClientRect();
            return [box.left + box.width / 2, box.top + box.height / 2];
        }""",
        rank,
    )


def selected(page):
    """Ranks of what is marked as selected on the map, of marks and stretches."""
    return page.eval_on_selector_all("#map .selected", "parts => parts.map(part => part.dataset.rank)")


def window(page):
    """What the map shows: left, top, width and height in its units."""
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    # What a hand has moved is drawn when it rests.
    page.wait_for_selector("#map:not(.moving)", state="attached")
    return [float(number) for number in page.get_attribute("#map", "viewBox").split()]


def test_reaches_with_a_decision_are_marked_on_the_map(handover, opened, tmp_path):
    reaches = handover.tables["reaches"]
    decided = reaches.assign(decision=["drop", "pin", *[""] * (len(reaches) - 2)])
    path = tmp_path / "decided.html"
    html = page_html(handover._replace(tables={**handover.tables, "reaches": decided}))
    path.write_text(html, encoding="utf-8", newline="\n")

    page = opened(path)

    marked = page.locator("#map [data-layer=decided] path")
    assert marked.count() == 2
    label = page.locator("#legend label", has_text="Reaches with a decision")
    label.locator("input").uncheck()
    assert not marked.first.is_visible()
    assert 'data-layer="decided"' not in page_html(handover)


def test_an_explanation_stands_in_the_section_of_its_site_and_the_page_opens_there(handover, opened, tmp_path):
    ids = handover.tables["sites"].sort_values("rank")["site_id"].tolist()
    text = f"Why {EVIL}\n  {FORMULA} stands here\n"
    path = tmp_path / "explained.html"
    path.write_text(page_html(handover, {ids[2]: text}), encoding="utf-8", newline="\n")

    page = opened(path)

    section = page.locator("#explained")
    assert page.locator("#picked-title").inner_text().startswith("Rank 3:")
    assert section.locator("pre").text_content() == text
    assert section.is_visible()
    page.locator("#next").click()
    assert section.is_hidden()
    page.locator("#previous").click()
    assert section.is_visible()
    assert "explained" not in page_html(handover).split("</style>")[1].split("<script")[0]


def test_the_first_screen_answers_how_many_how_large_at_what_cost_what_excludes_and_what_streams_lose(
    opened, file, handover
):
    page = opened(file, LAPTOP)

    def ends(selector):
        return page.eval_on_selector_all(selector, "all => all.map(one => one.getBoundingClientRect().bottom)")

    # Six figures with their notes, and the caution, lie above the map, of which most is seen without scrolling.
    names = page.eval_on_selector_all(".headline .value", "all => all.map(one => one.dataset.name)")
    assert names == ["sites", "power", "energy", "cost", "excluded", "depleted"]
    tops = page.eval_on_selector_all(".headline div", "all => all.map(one => one.getBoundingClientRect().top)")
    assert len(set(tops)) == 1
    box = page.locator("#plot-map").bounding_box()
    assert max(*ends("header .caution"), *ends(".headline dd")) < box["y"]
    assert box["y"] + 0.75 * box["height"] < LAPTOP["height"]
    said = page.text_content(".headline").replace("\u00a0", " ")
    for text in ("P90 ", "against a price of 0.220", "eel survive 80.0 → 60.0 %", "new barriers", EVIL):
        assert text in said


def test_a_click_on_the_map_picks_the_site_everywhere(opened, file, handover):
    page = opened(file)
    assert picked(page) == ["1"]
    page.wait_for_timeout(500)

    page.mouse.click(*place_of(page, 5))
    page.wait_for_selector("#sites-table tr[aria-current][data-rank='5']")

    name = handover.tables["sites"].set_index("rank")["site_id"][5]
    assert picked(page) == ["5"]
    for part in ("picked", "profile", "curve", "months", "cost", "options"):
        assert name in page.text_content(f"#{part}-title")
    assert selected(page) == ["5", "5"]
    assert page.locator("#plot-profile .end-name").all_text_contents() == ["intake", "tailrace"]
    # One of 30 elevations was rejected; the key says so.
    assert page.locator("#plot-profile svg.chart .refused").count() == 1
    assert page.locator("#plot-profile svg.chart .read").count() == 29
    assert "DEM elevation rejected" in page.text_content("#plot-profile .key")
    # All months are drawn, October closed.
    assert page.locator("#plot-months svg.chart .area-bars").count() == 11
    assert page.locator("#plot-months svg.chart .area-closed").count() == 1


def test_a_click_on_a_row_marks_the_site_on_the_map(opened, file):
    page = opened(file)

    page.click("#sites-table tr[data-rank='3']")

    assert selected(page) == ["3", "3"]
    # What is selected lies on top of all others.
    assert page.get_attribute("#map .sites > :last-child", "data-rank") == "3"
    length = page.eval_on_selector("#map .stretches .selected", "path => path.getTotalLength()")
    assert length > 1


@pytest.mark.parametrize("which", ["file", "large"])
def test_sorting_by_head_follows_the_layer_up_and_down(opened, which, handover, request):
    page = opened(request.getfixturevalue(which))
    by_head = handover.tables["sites"].sort_values("head_m")["rank"].tolist()

    page.click("th[data-column=head_m] button")
    assert page.get_attribute("th[data-column=head_m]", "aria-sort") == "ascending"
    assert page.get_attribute("th[data-column=rank]", "aria-sort") == "none"
    assert ranks(page) == by_head

    page.click("th[data-column=head_m] button")
    assert page.get_attribute("th[data-column=head_m]", "aria-sort") == "descending"
    assert ranks(page) == by_head[::-1]


def test_filters_leave_what_they_say_and_count_it(opened, file, handover):
    page = opened(file)
    sites = handover.tables["sites"]

    page.fill("#find", "s0007")
    assert ranks(page) == [7]
    assert page.text_content("#shown") == f"1 of {len(sites)} sites"

    page.fill("#find", "")
    page.select_option("#of-scheme", "new_weir")
    page.select_option("#of-safe", "yes")
    left = sites[(sites["scheme_type"] == "new_weir") & sites["fish_safe"]]["rank"].tolist()
    assert ranks(page) == left
    assert 0 < len(left) < len(sites)
    # The map shows the same sites, and their stretches.
    on_map = page.eval_on_selector_all(
        "#map .mark[data-rank]:not(.filtered)", "all => all.map(one => Number(one.dataset.rank))"
    )
    assert sorted(on_map) == left
    assert page.locator("#map .stretches path:not(.filtered)").count() == len(left)

    # Nothing fits: it says so, and one button brings all back.
    page.fill("#find", "no such site")
    assert ranks(page) == []
    assert page.is_visible("#nothing")
    page.click("#reset")
    assert not page.is_visible("#nothing")
    assert len(ranks(page)) == len(sites)
    assert page.locator("#map .filtered").count() == 0


def test_every_site_has_an_address_that_selects_it_and_brings_the_map_to_it(opened, file, handover):
    sites = handover.tables["sites"].set_index("rank")
    page = opened(file, place="#site=" + quote(sites["site_id"][6], safe=""))

    assert picked(page) == ["6"]
    whole = page.evaluate("page.data.frame")
    left, top, width, height = window(page)
    x, y = page.evaluate(
        "(() => { const at = document.querySelector('#map .mark[data-rank=\"6\"]').transform.baseVal[0].matrix; "
        "return [at.e, at.f]; })()"
    )
    assert left < x < left + width
    assert top < y < top + height
    assert width * whole["unit_m"] < 8_000.0

    # Another selection changes the address, so that it can be passed on; a wrong one selects nothing.
    page.click("#sites-table tr[data-rank='2']")
    assert page.evaluate("location.hash") == "#site=" + quote(sites["site_id"][2], safe="")
    page.evaluate("location.hash = '#site=%E0%A4%A'")
    page.evaluate("location.hash = '#site=nowhere'")
    page.wait_for_timeout(100)
    assert picked(page) == ["2"]
    links = dict(
        page.eval_on_selector_all(
            "#picked-links a", "all => all.map(one => [one.textContent, one.getAttribute('href')])"
        )
    )
    lat, lon = (float(f"{sites[name][2]:.7g}") for name in ("lat", "lon"))
    assert links["Sheet of this site (PDF)"] == "field-sheets.pdf#nameddest=rank-2"
    assert [
        float(part) for part in next(link for link in links.values() if link.startswith("geo:"))[4:].split(",")
    ] == [lat, lon]
    assert "sites.gpx" in links.values()
    # Three sites have a sheet.
    page.click("#sites-table tr[data-rank='4']")
    assert "Sheet" not in page.text_content("#picked-links")


def test_sites_are_drawn_larger_and_darker_by_any_column_and_the_table_says_that_it_goes_on(
    opened, file, handover
):
    page = opened(file)
    sites = handover.tables["sites"].sort_values("head_m")
    small, large = int(sites["rank"].iloc[0]), int(sites["rank"].iloc[-1])

    page.select_option("#size-by", "head_m")
    page.select_option("#colour-by", "head_m")

    def drawn(rank):
        circle = f"#map .mark[data-rank='{rank}'] circle"
        shade = page.eval_on_selector(circle, "one => getComputedStyle(one).fill")
        return float(page.get_attribute(circle, "r")), sum(map(int, re.findall(r"\d+", shade)))

    assert drawn(large)[0] > drawn(small)[0]
    assert drawn(large)[1] < drawn(small)[1]
    assert "pale" in page.text_content("#colour-key")
    # The mark of more columns is there until the last one is in view.
    assert page.is_visible("#more")
    page.eval_on_selector("#sites-box", "box => { box.scrollLeft = box.scrollWidth; }")
    page.wait_for_selector("#more", state="hidden")
    below = page.text_content("th[data-column=lcoe_per_kwh]")
    assert "price 0.220" in below
    assert "by net annual value" in page.text_content("th[data-column=rank]")


def test_numbers_and_names_on_the_map_keep_clear_of_each_other(opened, file, handover):
    page = opened(file)
    window(page)
    shown = page.evaluate(
        """() => ["#map .badge circle", "#map .settlements .name:not(.crowded)"].flatMap((which) =>
            [...document.querySelectorAll(which)].map((one) => {
                const box = one.getBoundingClientRect();
                return [box.left, box.top, box.right, box.bottom];
            }))"""
    )
    assert len(shown) > len(handover.tables["sites"])
    for at, one in enumerate(shown):
        for other in shown[:at]:
            # A pixel of a letter's box is none of its ink; sites are never hidden.
            apart = (
                one[0] > other[2] - 3 or other[0] > one[2] - 3 or one[1] > other[3] - 3 or other[1] > one[3] - 3
            )
            assert apart, (one, other)
    # Two settlements lie at one place: their names are on two sides of it.
    sides = page.eval_on_selector_all(
        "#map .settlements .name", "all => all.map(one => one.getAttribute('text-anchor'))"
    )
    assert len(set(sides)) == 2
    # Where a number has moved, a leader goes from the site to it.
    moved = page.eval_on_selector_all(
        "#map .sites .mark", "all => all.map(one => [one.querySelector('.leader').getAttribute('d'), "
        "one.querySelector('.badge').getAttribute('transform')])"
    )  # fmt: skip
    for leader, transform in moved:
        assert (leader == "") == (transform == "translate(0.0 0.0)")
    spots = [[point.x, point.y] for point in handover.tables["sites"].geometry]
    assert len(spots) == len(moved)


def test_a_large_region_is_drawn_and_listed_from_its_data_as_a_small_one_is(opened, file, large, handover):
    small, page = opened(file), opened(large)
    reaches = handover.tables["reaches"]

    def rows(shown):
        return shown.eval_on_selector_all(
            "#sites-table tbody tr", "rows => rows.map(row => [...row.cells].map(cell => cell.textContent))"
        )

    # No row and no line is in the file; rows of the table and facts of a site are those of the small page.
    text = large.read_text(encoding="utf-8")
    assert "<tbody>\n</tbody>" in text
    assert re.findall(r'<g data-layer="(?:verdict|stretches)[^>]*>\s*<path', text) == []
    assert rows(page) == rows(small)
    for shown in (small, page):
        shown.click("#sites-table tr[data-rank='7']")
    for part in ("#picked", "#plot-profile", "#plot-curve", "#plot-months"):
        assert page.inner_text(part) == small.inner_text(part)
    assert page.eval_on_selector("#map .stretches .selected", "path => path.getTotalLength()") == pytest.approx(
        small.eval_on_selector("#map .stretches .selected", "path => path.getTotalLength()"), rel=0.02
    )
    # Filters act on both, and a reach beside the pointer says what it is.
    page.select_option("#of-scheme", "new_weir")
    assert ranks(page) == handover.tables["sites"].query("scheme_type == 'new_weir'")["rank"].tolist()
    page.select_option("#of-scheme", "")
    page.uncheck("#legend input[data-layer=sites]")
    page.uncheck("#legend input[data-layer=stretches]")
    page.focus("#plot-map")
    page.keyboard.press("Home")
    frame, (left, top, width, _) = page.evaluate("page.data.frame"), window(page)
    box = page.locator("#plot-map").bounding_box()
    found = set()
    for row in reaches.iloc[::4].itertuples():
        point = row.geometry.interpolate(0.4, normalized=True)
        east, south = (point.x - frame["west"]) / frame["unit_m"], (frame["north"] - point.y) / frame["unit_m"]
        page.mouse.move(
            box["x"] + 1 + (east - left) * box["width"] / width,
            box["y"] + 1 + (south - top) * box["width"] / width,
        )
        terms = page.locator(".tip:not([hidden]) dd").all_text_contents()
        hit = reaches.set_index("reach_id").loc[terms[0]]
        # Five pixels beside the pointer, and two by which lines are thinned.
        assert hit.geometry.distance(point) < 8 * width / box["width"] * frame["unit_m"]
        assert terms[2] == hit["verdict"]
        found.add(terms[0])
    assert len(found) > 10


def test_rows_of_a_long_table_are_made_as_they_come_into_view_and_all_for_paper(opened, made, tmp_path):
    handover = made(sites=450, reaches=60, months=False)
    path = tmp_path / "long.html"
    path.write_text(page_html(handover), encoding="utf-8", newline="\n")
    page = opened(path)
    table = "#sites-table tbody tr[data-rank]"

    assert page.get_attribute("#sites-table", "aria-rowcount") == "451"
    assert 10 < page.locator(table).count() < 150
    high = page.eval_on_selector("#sites-box", "box => box.scrollHeight")
    # To the end by keyboard, and back to a site of the map; the row is in view and current.
    page.focus(f"{table}[data-rank='1']")
    page.keyboard.press("End")
    page.keyboard.press("Enter")
    assert picked(page) == ["450"]
    assert page.evaluate("document.activeElement.getAttribute('aria-rowindex')") == "451"
    assert page.evaluate("document.activeElement.dataset.rank") == "450"
    page.evaluate("pick(200, 'map')")
    assert picked(page) == ["200"]
    inside = page.eval_on_selector(
        f"{table}[data-rank='200']",
        "row => { const [one, box] = [row, document.getElementById('sites-box')].map(each => "
        "each.getBoundingClientRect()); return one.top >= box.top && one.bottom <= box.bottom; }",
    )
    assert inside
    # A wheel moves on through rows that were not there.
    page.eval_on_selector("#sites-box", "box => { box.scrollTop = box.scrollHeight / 2; }")
    page.wait_for_timeout(200)
    shown = ranks(page)
    assert shown == list(range(shown[0], shown[-1] + 1))
    assert shown[0] < 225 < shown[-1]
    assert page.eval_on_selector("#sites-box", "box => box.scrollHeight") == pytest.approx(high, abs=40)
    # What no row in view holds is found and sorted.
    page.fill("#find", "S0449")
    assert ranks(page) == [449]
    page.fill("#find", "")
    page.click("th[data-column=head_m] button")
    by_head = handover.tables["sites"].sort_values(["head_m", "rank"])["rank"].tolist()
    page.eval_on_selector("#sites-box", "box => { box.scrollTop = 0; }")
    page.wait_for_timeout(200)
    assert ranks(page)[:10] == by_head[:10]

    page.emulate_media(media="print")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert ranks(page) == by_head
    page.emulate_media(media="screen")
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert page.locator(table).count() < 150


def test_a_layer_is_switched_off_and_on(opened, file):
    page = opened(file)
    for group in ("verdict-excluded", "relief", "sites", "settlements", "rules-exclude"):
        drawn = page.locator(f"#map [data-layer={group}] :is(path:not([d='']), image, circle, rect)").first
        assert drawn.is_visible()
        page.uncheck(f"#legend input[data-layer={group}]")
        assert not drawn.is_visible()
        page.check(f"#legend input[data-layer={group}]")
        assert drawn.is_visible()


def test_the_keyboard_alone_picks_a_site_and_moves_the_map(opened, file):
    page = opened(file)

    page.focus("#sites-table tr[data-rank='1']")
    for key in ("ArrowDown", "ArrowDown", "ArrowDown", "ArrowUp", "Enter"):
        page.keyboard.press(key)
    assert picked(page) == ["3"]
    # One row only can be reached with the tab key.
    assert page.eval_on_selector_all("#sites-table tbody tr[tabindex='0']", "rows => rows.length") == 1

    page.focus("#plot-map")
    page.keyboard.press("Home")
    left, top, width, height = window(page)
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowUp")
    assert window(page)[0] > left
    assert window(page)[1] < top
    page.keyboard.press("+")
    assert window(page)[2:] == pytest.approx([width / 1.5, height / 1.5])
    page.keyboard.press("Home")
    assert window(page) == pytest.approx([left, top, width, height])


def test_the_map_is_dragged_and_zoomed_about_the_pointer_and_a_plain_wheel_scrolls_the_page(opened, file):
    page = opened(file)
    left, top, width, height = window(page)
    box = page.locator("#plot-map").bounding_box()
    middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2

    page.mouse.move(*middle)
    page.mouse.down()
    page.mouse.move(middle[0] + 50, middle[1] - 30, steps=4)
    page.mouse.up()
    # The ground follows the pointer: 50 pixels to the right, 30 up.
    unit = width / box["width"]
    moved = window(page)
    assert moved == pytest.approx([left - 50 * unit, top + 30 * unit, width, height], abs=0.03 * width)
    # Letting go of what was dragged selects nothing.
    assert picked(page) == ["1"]

    spot = place_of(page, 4)
    page.mouse.move(*spot)
    page.keyboard.down("Control")
    page.mouse.wheel(0, -100)
    page.keyboard.up("Control")
    assert window(page)[2] < 0.9 * width
    assert place_of(page, 4) == pytest.approx(spot, abs=1.5)
    zoomed = window(page)
    page.mouse.wheel(0, 100)
    # The browser scrolls smoothly; the page's policy lets no condition be given as text.
    for _ in range(50):
        if page.evaluate("scrollY") > 0:
            break
        page.wait_for_timeout(50)
    assert page.evaluate("scrollY") > 0
    assert window(page) == zoomed


def test_the_map_is_to_scale_in_both_directions_at_any_size(opened, file):
    for size in (DESK, PHONE):
        page = opened(file, size)

        _, _, width, height = window(page)
        box = page.evaluate("(() => { const e = document.getElementById('plot-map'); "
                            "return [e.clientWidth, e.clientHeight]; })()")  # fmt: skip

        assert width / box[0] == pytest.approx(height / box[1], rel=1e-6)
        # Marks keep their size on the screen.
        radius = float(page.get_attribute("#map .mark[data-rank='1'] circle", "r"))
        shown = page.eval_on_selector(
            "#map .mark[data-rank='1'] circle", "one => one.getBoundingClientRect().width"
        )
        assert shown == pytest.approx(2 * radius, rel=0.25)


def test_coordinates_and_scale_bar_agree_with_the_ground(opened, file, handover):
    page = opened(file)

    frame = page.evaluate("page.data.frame")
    left, _, width, _ = window(page)
    pixels = page.evaluate("document.getElementById('plot-map').clientWidth")
    ticks = page.eval_on_selector_all(
        "#frame text[x]", "all => all.map(one => [Number(one.getAttribute('x')), one.textContent])"
    )
    eastings = [(float(x), float(text)) for x, text in ticks if text.isdigit()]
    assert len(eastings) >= 2
    for x, easting in eastings:
        assert frame["west"] + (left + x / pixels * width) * frame["unit_m"] == pytest.approx(easting, abs=1.0)
    name = next(text for _, text in ticks if text.endswith(" km") or text.endswith(" m"))
    length = float(name.split()[0]) * (1000 if name.endswith("km") else 1)
    bar = page.eval_on_selector("#frame .bar", "one => one.getBBox().width")
    assert bar * width / pixels * frame["unit_m"] == pytest.approx(length, rel=1e-3)


def test_users_text_is_text(opened, file):
    page = opened(file)

    streams = page.eval_on_selector_all(
        "#sites-table tbody tr", "rows => rows.map(row => row.cells[2].textContent)"
    )
    assert {EVIL, FORMULA, ARABIC, LONG} <= set(streams)
    # Along the streams too, a long name cut.
    along = page.locator("#map .stream-names text").all_text_contents()
    assert {EVIL, FORMULA, ARABIC, LONG[:27] + "…"} <= set(along)
    assert EVIL in page.text_content("#picked-title")
    assert EVIL in page.text_content("#cascade")
    across, down = place_of(page, 1)
    page.mouse.move(across - 3, down)
    page.mouse.move(across, down)
    tip = page.text_content(".tip:not([hidden])")
    assert "S0001" in tip
    assert EVIL in tip


def test_the_pointer_shows_the_reach_under_it(opened, file, handover):
    page = opened(file)
    page.uncheck("#legend input[data-layer=sites]")
    page.uncheck("#legend input[data-layer=stretches]")
    reaches = handover.tables["reaches"]

    frame = page.evaluate("page.data.frame")
    verdicts = set()
    for at in range(0, len(reaches), 3):
        x, y, east, south, is_on_top = page.evaluate(
            """(at) => {
                const path = [...document.querySelectorAll("#map .reaches path")][at];
                const on = path.getPointAtLength(path.getTotalLength() / 3);
                const shown = on.matrixTransform(path.getScreenCTM());
                return [shown.x, shown.y, on.x, on.y, document.elementFromPoint(shown.x, shown.y) === path];
            }""",
            at,
        )
        # One of several reaches may lie on top there, and a dashed line has gaps.
        if is_on_top:
            page.mouse.move(x, y)
            terms = page.locator(".tip:not([hidden]) dd").all_text_contents()
            row = reaches.set_index("reach_id").loc[terms[0]]
            place = shapely.Point(frame["west"] + east * frame["unit_m"], frame["north"] - south * frame["unit_m"])
            # Lines are thinned to a six-thousandth of the region.
            assert row.geometry.distance(place) < 40_000 / 6000 + 2 * frame["unit_m"]
            assert terms[2] == row["verdict"]
            verdicts.add(terms[2])
    assert len(verdicts) == 5


def test_a_pointer_over_a_site_shows_one_tooltip_and_the_browser_adds_none(opened, file):
    page = opened(file)

    page.mouse.move(*place_of(page, 3))

    assert page.locator(".tip:not([hidden])").count() == 1
    # What a browser shows of itself: a title of the element, or of one that it lies in.
    assert not page.evaluate(
        """([x, y]) => document.elementsFromPoint(x, y).some(
            (each) => each.closest("#plot-map")
                && (each.hasAttribute("title") || each.querySelector(":scope > title"))
        )""",
        place_of(page, 3),
    )


def test_a_wide_screen_is_used_with_the_table_beside_the_map(opened, file):
    page = opened(file, {"width": 2400, "height": 1200})

    plot, table = (page.locator(each).bounding_box() for each in ("#plot-map", "#sites-box"))
    columns = {round(box["x"]) for box in (each.bounding_box() for each in page.locator("#picked section").all())}

    assert plot["x"] + plot["width"] < table["x"]
    assert plot["width"] + table["width"] > 0.8 * 2400
    assert len(columns) > 3


@pytest.mark.parametrize("part", ["inputs", "assumptions"])
def test_long_tables_are_folded_until_they_are_asked_for(opened, file, part):
    page = opened(file)
    folded = page.locator(f"#{part} details").first

    before = folded.locator("table").first.is_visible()
    folded.locator("summary").first.click()

    assert (before, folded.locator("table").first.is_visible()) == (False, True)


def test_a_phone_shows_it_without_scrolling_sideways(opened, file):
    page = opened(file, PHONE)

    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    assert page.evaluate("document.querySelector('.scroll.sites').scrollWidth") > PHONE["width"]


def test_print_shows_whole_tables_and_no_controls(opened, file):
    page = opened(file)

    page.emulate_media(media="print")

    for control in (".filters", ".zoom", ".walk", "nav", "#legend input"):
        assert not page.is_visible(control)
    clipped = page.eval_on_selector_all(
        ".scroll", "boxes => boxes.filter(box => getComputedStyle(box).overflowY !== 'visible').length"
    )
    assert clipped == 0
    assert page.is_visible("footer .caution")
    # What is folded is left out, and the selected site too unless somebody selected it.
    assert page.locator("details:not([open])").count() > 0
    assert not page.is_visible("#inputs")
    assert not page.is_visible("#picked")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    # Diagrams are drawn for paper, 620 pixels wide, and for the window again.
    assert "620" in page.get_attribute("#plot-curve .chart", "viewBox").split()
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert "620" not in page.get_attribute("#plot-curve .chart", "viewBox").split()


def test_figures_have_words_and_headings_are_in_order(opened, file):
    page = opened(file)

    nameless = page.eval_on_selector_all(
        "[role=img]",
        """(figures) => figures.filter((one) => !(one.getAttribute("aria-label") ||
            (one.getAttribute("aria-labelledby") || "").split(" ")
            .map((id) => document.getElementById(id).textContent).join(""))).length""",
    )
    assert nameless == 0
    levels = page.eval_on_selector_all("h1, h2, h3, h4", "all => all.map(one => Number(one.tagName[1]))")
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later - earlier <= 1 for earlier, later in pairwise(levels))


@pytest.mark.parametrize("which", ["file", "large"])
def test_the_page_keeps_to_wcag_2_2_aa_and_is_read_in_order_by_a_screen_reader(opened, which, request):
    # axe-core (MPL-2.0) is the test extra's; nothing of it is in this repository.
    package = Path(importlib.util.find_spec("axe_playwright_python").submodule_search_locations[0])
    page = opened(request.getfixturevalue(which), LAPTOP)
    page.evaluate("() => { for (const one of document.querySelectorAll('details')) one.open = true; }")

    page.evaluate((package / "axe.min.js").read_text(encoding="utf-8"))
    wanted = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
    # Of each rule that all keep to it names one element, where it would describe a thousand.
    judged = page.evaluate("(tags) => axe.run(document, { runOnly: tags, resultTypes: ['violations'] })", wanted)

    found = [
        f"{rule['id']}: {node['target']}: {node['failureSummary']}"
        for rule in judged["violations"]
        for node in rule["nodes"]
    ]
    assert found == []
    # What was looked at includes contrast, names, tables and the size of targets.
    looked_at = {rule["id"] for rule in judged["passes"]}
    assert {"color-contrast", "target-size", "aria-allowed-attr", "td-headers-attr", "select-name"} <= looked_at

    tree = page.locator("body").aria_snapshot()
    order = [
        'heading "Made-up & tested"',
        "term: Installed capacity",
        "term: What the streams lose",
        'img "Map of',
        'columnheader "Gross head',
        'heading "Rank 1',
        'heading "Cautions"',
    ]
    places = [tree.find(part) for part in order]
    assert -1 not in places, order[places.index(-1)]
    assert places == sorted(places)


def test_an_inventory_without_sites_opens_without_complaint(opened, made, tmp_path):
    path = tmp_path / "empty.html"
    path.write_text(page_html(made(sites=0, reaches=8, months=False, districts=False)), encoding="utf-8")

    page = opened(path)

    assert "No site was selected" in page.text_content("main")
    assert page.is_visible("#rejections")
    page.click("#zoom-in")


def test_a_german_page_says_everything_in_german_and_has_its_signs_in_numbers(opened, handover, file, tmp_path):
    path = tmp_path / "report.html"
    with speaking("de"):
        path.write_text(page_html(handover), encoding="utf-8", newline="\n")

    def shown(page):
        page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
        page.locator("#colour-by").select_option("lcoe_per_kwh")
        page.locator("#plot-supply svg").hover()
        tip = page.locator(".tip").inner_text()
        # Settings stay English.
        page.evaluate("document.getElementById('assumptions').remove()")
        drawn = page.evaluate(
            "[...document.querySelectorAll('svg text')].map((each) => each.textContent).join('\\n')"
        )
        return "\n".join([page.locator("body").inner_text(), drawn, tip])

    german, english = opened(path), opened(file)
    german_text, english_text = shown(german), shown(english)

    assert german.evaluate("document.documentElement.lang") == "de"
    assert left_in_english(german_text, "de") == []
    assert len(left_in_english(english_text, "de")) > 150
    assert german.locator("#shown").inner_text() == "12 von 12 Standorten"
    # What scripts write, and what is written for them.
    assert re.search(r"Wasserspiegel: Entnahme 97,2 m \(90-%-Vertrauensbereich 96,7 bis 97,7 m\)", german_text)
    assert re.search(r"hell 0,1, dunkel 0,3", german_text)
    assert re.search(r"pale 0.1, dark 0.3", english_text)
    for page in (german, english):
        page.locator("#find").fill("S0002")
    assert german.locator("#shown").inner_text() == "1 von 12 Standorten"
    assert english.locator("#shown").inner_text() == "1 of 12 sites"
