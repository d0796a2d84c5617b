"""The report page as text: one file that fetches nothing, the same each time, with the tables' own figures."""

import base64
import hashlib
import json
import re
from html import unescape
from types import SimpleNamespace

import numpy as np
import pytest

from sitefinder.report.page import page_html
from sitefinder.report.page.bokeh_text import renumbered
from sitefinder.report.page.map_shapes import relief_png
from sitefinder.report.page.markup import data_block, table
from sitefinder.report.page.site_data import site_data
from sitefinder.report.text_tables import structure_name
from sitefinder.schema.cautions import NOT_KNOWN, READING, SAFETY, SCREENING

EVIL = "<script>alert(1)</script>"
# The promise of the page: 12 MB for 500 sites and 5 000 reaches.
MOST_BYTES = 12_000_000


@pytest.fixture(scope="module")
def handover(made):
    return made()


@pytest.fixture(scope="module")
def page(handover):
    return page_html(handover)


# What a browser would run, in order.
def scripts(page):
    return re.findall(r"<script>(.*?)</script>", page, re.DOTALL)


def data(page, identity):
    return json.loads(re.search(rf'<script type="application/json" id="{identity}">(.*?)</script>', page)[1])


def test_two_pages_of_one_process_are_the_same_text(handover, page):
    assert page_html(handover) == page


def test_the_policy_names_exactly_the_scripts_of_the_page_and_lets_nothing_be_fetched(page):
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))

    digests = {base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in scripts(page)}
    assert {f"'sha256-{digest}'" for digest in digests} == set(rules["script-src"].split())
    assert rules["default-src"] == rules["connect-src"] == "'none'"
    assert rules["img-src"] == rules["font-src"] == "data:"
    assert "unsafe-eval" not in policy


def test_nothing_on_the_page_is_fetched_from_elsewhere(page):
    markup = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)

    assert not re.findall(r"""(?:src|href)\s*=\s*["'](?!#)""", markup)
    assert "url(" not in markup
    assert "@import" not in markup


def test_a_users_text_never_becomes_markup(page, handover):
    markup = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)

    assert EVIL not in page
    assert "alert(1)" not in "".join(re.findall(r"<[^>]*>", markup))
    assert unescape(markup).count(EVIL) >= (handover.tables["sites"]["stream"] == EVIL).sum()
    assert any(EVIL in site["title"] for site in data(page, "data")["sites"])


def test_text_in_data_for_scripts_cannot_end_its_element():
    told = data_block("d", {"name": "</script><!--\u2028&"})

    assert told.count("</script>") == 1
    assert "<!--" not in told
    assert json.loads(re.search(r">(.*)</script>", told)[1]) == {"name": "</script><!--\u2028&"}


def test_cells_of_tables_are_escaped_with_quotes():
    told = table('a "caption"', [('b"', "<i>")], [["<td>"]])

    assert "<td>" not in told.replace('<td class="n"', "")
    assert "&lt;td&gt;" in told
    assert 'title="&lt;i&gt;"' in told


def test_ids_hang_on_order_only_and_equal_ids_stay_equal():
    one = {"a": {"id": "p9"}, "b": [{"id": "p7"}, {"id": "p9"}], "name": "p9"}
    other = {"a": {"id": "p1009"}, "b": [{"id": "p1007"}, {"id": "p1009"}], "name": "p9"}

    assert (
        renumbered(one)
        == renumbered(other)
        == {"a": {"id": "p1"}, "b": [{"id": "p2"}, {"id": "p1"}], "name": "p9"}
    )


def test_figures_of_the_table_are_those_of_the_layer(page, handover):
    sites = handover.tables["sites"].sort_values("rank")
    rows = re.findall(r'<tr tabindex="-1" data-rank.*?</tr>', page)
    numbers = np.array([[float(value) for value in re.findall(r'data-v="([^"]*)"', row)] for row in rows])

    names = ["rank", "head_m", "power_kw", "energy_mwh", "energy_mwh_p90", "energy_mwh_p10", "cost_per_kwh",
             "flow_mean_m3s"]  # fmt: skip
    assert np.array_equal(numbers, sites[names].to_numpy(dtype=float))


def test_headline_totals_are_those_of_the_tables(page, handover):
    told = {name: float(value) for name, value in re.findall(r'data-name="(\w+)" data-v="([^"]*)"', page)}
    sites, reaches = handover.tables["sites"], handover.tables["reaches"]

    assert told["sites"] == len(sites)
    assert told["energy"] == sites["energy_mwh"].sum()
    assert told["power"] == sites["power_kw"].sum()
    assert told["streams"] == reaches["length_m"].sum()


def test_totals_are_told_in_units_of_people_from_whole_watts(page):
    streams = re.search(r'<table class="figures" id="streams">.*?</table>', page, re.DOTALL)[0]

    # 12 345 W, 6 789 W and 1 234 567 890 Wh by hand.
    assert 'data-v="12.345"' in streams
    assert 'data-v="6.789"' in streams
    assert 'data-v="1234.56789"' in streams


def test_what_hangs_on_a_layer_that_nobody_gave_says_so(handover):
    lost = ["road_distance_m", "settlement_road_m"]
    bare = handover.tables["sites"].assign(**dict.fromkeys(lost, np.nan))
    told = site_data(handover._replace(tables={**handover.tables, "sites": bare}))
    [road], [settlement] = (
        [at for at, (_, label, _) in enumerate(told["labels"]) if label == name]
        for name in ("Road", "Settlement by road")
    )

    # Settlements are among what this run was given, and roads are not.
    assert {site["facts"][road] for site in told["sites"]} == {"no layer of roads"}
    assert {site["facts"][settlement] for site in told["sites"]} == {"not known"}


def test_a_step_without_a_structure_is_called_so_and_a_structure_by_its_id():
    assert [structure_name(each) for each in ("step:258@74", "W1", "stepping stones")] == [
        "step",
        "W1",
        "stepping stones",
    ]


def test_cautions_stand_at_the_top_and_at_the_bottom(page):
    assert page.index(SCREENING) < page.index("<main>")
    assert page.rindex(SCREENING) > page.index("<footer>")
    for text in (*NOT_KNOWN, *SAFETY, *READING):
        assert text in unescape(page)


@pytest.mark.parametrize("layer", ["totals", "supply_curve", "distributions"])
def test_a_layer_that_is_not_there_is_left_out(handover, layer):
    tables = {name: frame for name, frame in handover.tables.items() if name != layer}

    page = page_html(handover._replace(tables=tables))

    assert "Totals by district" in page
    assert ("Energy against cost" in page) == (layer != "supply_curve")


def test_missing_values_are_told_as_not_known(made):
    handover = made(sites=2, reaches=4, months=False, districts=False)
    sites = handover.tables["sites"].copy()
    real = [name for name in sites.select_dtypes("float").columns if name not in ("lon", "lat")]
    sites[real] = np.nan
    sites["stream"] = None

    page = page_html(handover._replace(tables={**handover.tables, "sites": sites}))

    facts = data(page, "data")["sites"][0]["facts"]
    assert facts[0] == "not known"
    assert "nan" not in " ".join(facts)
    assert data(page, "data")["sites"][0]["months"] is None


def test_an_inventory_without_anything_still_has_its_page(made):
    page = page_html(made(sites=0, reaches=0, months=False, districts=False))

    assert "No site was found" in page
    assert 'id="sites-table"' not in page
    assert SCREENING in page


def test_ground_that_is_not_known_is_clear_in_the_relief(handover):
    picture = base64.b64decode(relief_png(handover.relief).partition(",")[2])

    assert picture.startswith(b"\x89PNG")
    assert b"tRNS" in picture


def test_a_large_inventory_stays_under_twelve_megabytes(made):
    handover = made(sites=500, reaches=5000)
    # As large as reliefs get, and rough to the last cell, which packs worst.
    rough = np.random.default_rng(1).normal(190.0, 25.0, (1600, 1600)).clip(0, 255).astype(np.uint8)
    relief = SimpleNamespace(shade=rough, known=rough >= 0, bounds_m=handover.relief.bounds_m)

    page = page_html(handover._replace(relief=relief))

    size = len(page.encode("utf-8"))
    print(f"\nreport page of 500 sites and 5 000 reaches: {size / 1e6:.1f} MB")
    assert size < MOST_BYTES
