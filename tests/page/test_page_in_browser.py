"""The report page in a real browser, opened from disk with the network off: linking, keyboard, phone and print."""

import shutil
from itertools import pairwise

import pytest
from playwright.sync_api import sync_playwright

from sitefinder.report.page import page_html

CHROMIUM = shutil.which("chromium")
EVIL, FORMULA = "<script>alert(1)</script>", "=cmd()"
DESK, PHONE = {"width": 1400, "height": 1000}, {"width": 390, "height": 844}

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="needs the program chromium, which .ci/run installs")


@pytest.fixture(scope="module")
def browser():
    with sync_playwright() as playwright:
        arguments = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=arguments)
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


@pytest.fixture
def opened(browser):
    """A function that opens a file; whatever the page complains of or asks for fails the test at its end."""
    contexts, trouble = [], []

    def opened(path, size=DESK):
        context = browser.new_context(viewport=size)
        contexts.append(context)
        context.set_offline(True)
        page = context.new_page()
        page.on("console", lambda told: trouble.append(told.text) if told.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: trouble.append(str(error)))
        page.on("dialog", lambda dialog: trouble.append(dialog.message) or dialog.dismiss())
        page.on("request", lambda asked: None if asked.url == path.as_uri() else trouble.append(asked.url[:200]))
        # A policy that is broken is an event of the document, beside the console's message.
        page.add_init_script(
            "addEventListener('securitypolicyviolation', (event) => console.error(event.violatedDirective))"
        )
        page.route(
            "**/*", lambda route: route.continue_() if route.request.url == path.as_uri() else route.abort()
        )
        page.goto(path.as_uri())
        page.wait_for_selector("html[data-ready=yes]", state="attached", timeout=30_000)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert trouble == []


def ranks(page):
    """Ranks of the rows that are shown, from the top."""
    return page.eval_on_selector_all(
        "#sites-table tbody tr:not([hidden])", "rows => rows.map(row => Number(row.dataset.rank))"
    )


def picked(page):
    return page.eval_on_selector_all("#sites-table tr[aria-current]", "rows => rows.map(row => row.dataset.rank)")


def place_of(page, rank):
    """Where a site is drawn, in pixels of the window."""
    return page.evaluate(
        """(rank) => {
            const drawn = Bokeh.documents[0];
            const [map, sites] = ["map", "sites"].map((name) => drawn.get_model_by_name(name));
            const at = sites.data.rank.indexOf(String(rank));
            const frame = Bokeh.index.find_one(map).frame;
            const box = document.getElementById("plot-map").getBoundingClientRect();
            return [box.left + frame.x_scale.compute(sites.data.x[at]),
                    box.top + frame.y_scale.compute(sites.data.y[at])];
        }""",
        rank,
    )


def test_a_click_on_the_map_picks_the_site_everywhere(opened, file, handover):
    page = opened(file)
    assert picked(page) == ["1"]
    page.wait_for_timeout(500)

    page.mouse.click(*place_of(page, 5))
    page.wait_for_function("document.querySelector('#sites-table tr[aria-current]').dataset.rank === '5'")

    name = handover.tables["sites"].set_index("rank")["site_id"][5]
    assert picked(page) == ["5"]
    for part in ("picked", "profile", "curve", "months", "cost", "options"):
        assert name in page.text_content(f"#{part}-title")
    drawn = page.evaluate("Bokeh.documents[0].get_model_by_name('picked-site').data.label")
    assert list(drawn) == ["5"]
    assert page.evaluate("Bokeh.documents[0].get_model_by_name('profile-ends').data.name") == [
        "intake",
        "tailrace",
    ]


def test_a_click_on_a_row_marks_the_site_on_the_map(opened, file):
    page = opened(file)

    page.click("#sites-table tr[data-rank='3']")

    assert page.evaluate("Bokeh.documents[0].get_model_by_name('picked-site').data.label") == ["3"]
    assert page.evaluate("Bokeh.documents[0].get_model_by_name('picked-line').data.xs[0].length") > 1


def test_sorting_by_head_follows_the_layer_both_ways(opened, file, handover):
    page = opened(file)
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
    page.select_option("#of-layout", "new_weir")
    page.select_option("#of-safe", "yes")
    left = sites[(sites["layout"] == "new_weir") & sites["fish_safe"]]["rank"].tolist()
    assert ranks(page) == left
    assert 0 < len(left) < len(sites)


def test_a_layer_is_switched_off_and_on(opened, file):
    page = opened(file)
    shown = """(group) => Bokeh.documents[0].get_model_by_name("map").renderers
        .filter((one) => one.name === `layer:${group}`).map((one) => one.visible)"""

    for group in ("verdict-excluded", "relief", "sites"):
        page.uncheck(f"#legend input[data-layer={group}]")
        assert set(page.evaluate(shown, group)) == {False}
        page.check(f"#legend input[data-layer={group}]")
        assert set(page.evaluate(shown, group)) == {True}


def test_the_keyboard_alone_picks_a_site_and_moves_the_map(opened, file):
    page = opened(file)

    page.focus("#sites-table tr[data-rank='1']")
    for key in ("ArrowDown", "ArrowDown", "ArrowDown", "ArrowUp", "Enter"):
        page.keyboard.press(key)
    assert picked(page) == ["3"]
    # One row only can be reached with the tab key.
    assert page.eval_on_selector_all("#sites-table tbody tr[tabindex='0']", "rows => rows.length") == 1

    edge = "Bokeh.documents[0].get_model_by_name('map').x_range.start"
    page.focus("#plot-map")
    before = page.evaluate(edge)
    page.keyboard.press("ArrowRight")
    assert page.evaluate(edge) > before


def test_the_map_is_to_scale_in_both_directions_at_any_size(opened, file):
    for size in (DESK, PHONE):
        page = opened(file, size)
        page.wait_for_timeout(500)

        across, up = page.evaluate(
            """() => {
                const map = Bokeh.documents[0].get_model_by_name("map");
                return [(map.x_range.end - map.x_range.start) / map.inner_width,
                        (map.y_range.end - map.y_range.start) / map.inner_height];
            }"""
        )

        assert across == pytest.approx(up, rel=1e-6)


def test_users_text_is_text(opened, file):
    page = opened(file)

    streams = page.eval_on_selector_all(
        "#sites-table tbody tr", "rows => rows.map(row => row.cells[2].textContent)"
    )
    assert {EVIL, FORMULA} <= set(streams)
    assert EVIL in page.text_content("#picked-title")
    assert EVIL in page.text_content("#waterfall")
    # The tip under the pointer is made by Bokeh from the same text.
    page.wait_for_timeout(500)
    across, down = place_of(page, 1)
    page.mouse.move(across - 3, down)
    page.mouse.move(across, down)
    page.wait_for_function(
        """() => {
            const texts = (node) => [...node.childNodes, ...(node.shadowRoot ? [node.shadowRoot] : [])]
                .map((child) => (child.nodeType === 3 ? child.textContent : texts(child))).join(" ");
            const tips = [...document.querySelectorAll(".bk-Tooltip")].map(texts);
            return tips.some((tip) => tip.includes("S0001") && tip.includes("<script>alert(1)</script>"));
        }""",
        timeout=5000,
    )


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
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.locator("details:not([open])").count() == 0
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert page.locator("details[open]").count() == 0


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


def test_an_inventory_without_sites_opens_without_complaint(opened, made, tmp_path):
    path = tmp_path / "empty.html"
    path.write_text(page_html(made(sites=0, reaches=8, months=False, districts=False)), encoding="utf-8")

    page = opened(path)

    assert "No site was found" in page.text_content("main")
    assert page.is_visible("#not-offered")
    page.click("#zoom-in")
