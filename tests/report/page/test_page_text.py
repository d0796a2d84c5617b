"""The report page as text: one file that fetches nothing, the same each time, with the tables' own figures."""

import base64
import hashlib
import io
import json
import re
from html import unescape
from types import SimpleNamespace

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
import unpacked
from PIL import Image

from sitefinder.report.page import page_html
from sitefinder.report.page.figures import Heading, figure_cell, table
from sitefinder.report.page.page import json_for_script
from sitefinder.report.page.region_map import BEYOND, Frame, line_paths, polygon_paths, relief_picture
from sitefinder.report.page.sites import site_data
from sitefinder.report.templates import environment
from sitefinder.report.text import structure_name
from sitefinder.schema.wording import NOT_KNOWN, READING, SAFETY, SCREENING

EVIL = "<script>alert(1)</script>"
# The promise of the page: 10 MB for 500 sites and 5,000 reaches.
MAXIMUM_BYTES = 10_000_000


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


def test_the_policy_names_exactly_the_style_and_script_of_the_page_and_lets_nothing_be_fetched(page):
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))

    for rule, texts in (
        ("script-src", scripts(page)),
        ("style-src", re.findall("<style>(.*?)</style>", page, re.S)),
    ):
        digests = {base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in texts}
        assert {f"'sha256-{digest}'" for digest in digests} == set(rules[rule].split())
    assert rules["default-src"] == rules["connect-src"] == "'none'"
    assert rules["img-src"] == "data:"
    assert "unsafe" not in policy
    # Such a policy lets no style attribute work.
    assert not re.search(r"<[^>]* style=", re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL))


def test_nothing_on_the_page_is_fetched_from_elsewhere(page):
    markup = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)

    assert not re.findall(
        r"""(?:src|href)\s*=\s*["'](?!#|data:image/jpeg;base64,|[\w-]+\.(?:pdf|gpkg|gpx|csv)")""", markup
    )
    # Files of the same delivery are links for a reader, nothing that the page loads.
    assert set(re.findall(r'<(\w+)[^>]* href="(?!#|data:)', markup)) == {"a"}
    # Hatching is named by its place on the page itself.
    assert not re.search(r"url\((?!#)", markup)
    assert "@import" not in markup


def test_a_users_text_never_becomes_markup(page, handover):
    markup = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)

    assert EVIL not in page
    assert "alert(1)" not in "".join(re.findall(r"<[^>]*>", markup))
    assert unescape(markup).count(EVIL) >= (handover.tables["sites"]["stream"] == EVIL).sum()
    assert any(EVIL in stream for _, stream in unpacked.titles(data(page, "data")))


def test_text_in_data_for_scripts_cannot_end_its_element():
    text = json_for_script({"name": "</script><!--\u2028&"})

    assert "<" not in text
    assert json.loads(text) == {"name": "</script><!--\u2028&"}


def test_cells_and_headings_of_tables_are_escaped_with_quotes_and_lose_control_characters():
    drawn = table('a "caption"', [Heading('b"', "<i>")], [["<td>\x07\n", figure_cell("<b>", 1.5)]])
    source = '{% from "tables.html.j2" import table %}{{ table(it) }}'

    text = environment("sitefinder.report.page").from_string(source).render(it=drawn)

    assert '<th scope="row">&lt;td&gt;  </th><td class="n" data-v="1.5">&lt;b&gt;</td>' in text
    assert '<th scope="col" title="&lt;i&gt;">b&#34;</th>' in text
    assert 'aria-label="a &#34;caption&#34;"' in text


def test_paths_of_the_map_are_whole_units_down_from_the_north_west_corner():
    frame = Frame(100.0, 0.0, 300.0, 100.0, 0.5)
    square = shapely.box(100, 0, 110, 10).difference(shapely.box(102, 2, 104, 4))
    apart = shapely.MultiLineString([[(100, 100), (110, 90)], [(200, 50), (200, 40)]])

    assert (frame.width, frame.height) == (400, 200)
    # A metre is two units; the second part of a line starts on its own, and rings are closed.
    assert line_paths([apart, None], frame, 0.01) == ["M0 0l20 20M200 100l0 20", ""]
    [path] = polygon_paths([square], frame, 0.01)
    assert path.count("M") == path.count("z") == 2
    assert re.fullmatch(r"[Mlz0-9 -]*", path)


def test_figures_of_the_table_are_those_of_the_layer(page, handover):
    sites = handover.tables["sites"].sort_values("rank")
    rows = re.findall(r'<tr tabindex="-1" data-rank.*?</tr>', page)
    numbers = np.array([[float(value) for value in re.findall(r'data-v="([^"]*)"', row)] for row in rows])

    names = ["rank", "head_m", "power_kw", "energy_mwh", "energy_mwh_p90", "energy_mwh_p10", "lcoe_per_kwh",
             "flow_mean_m3s"]  # fmt: skip
    assert np.array_equal(numbers, sites[names].to_numpy(dtype=float))


def test_headline_totals_are_those_of_the_tables(page, handover):
    shown = {name: float(value) for name, value in re.findall(r'data-name="(\w+)" data-v="([^"]+)"', page)}
    sites, reaches = handover.tables["sites"], handover.tables["reaches"]

    assert shown["sites"] == len(sites)
    assert shown["energy"] == sites["energy_mwh"].sum()
    assert shown["power"] == sites["power_kw"].sum()
    assert shown["streams"] == reaches["length_m"].sum()
    assert shown["depleted"] == sites["depleted_length_m"].sum()
    # As the tables of the inventory were made up: a price of 0.22, and a rule that excludes 6 km.
    assert (shown["price"], shown["excluded"]) == (0.22, 6.0)


def test_the_headline_energy_is_shown_in_gigawatt_hours(handover):
    sites = handover.tables["sites"].copy()
    sites["energy_mwh"] = 0.0
    sites.loc[sites.index[0], "energy_mwh"] = 12_345.6
    tables = {**handover.tables, "sites": sites}
    energy = {"energy_p90_mwh": 9_870.0, "energy_p50_mwh": 12_100.0, "energy_p10_mwh": 14_500.0}

    page = page_html(handover._replace(tables=tables, **energy))

    [shown] = re.findall(r'data-name="energy" data-v="12345.6">(.*?)</div>', page, re.DOTALL)
    assert re.fullmatch(r"12\.3\sGWh/yr</dd>\n<dd>P90 9\.87 to P10 14\.5</dd>\n<dd>P50 12\.1</dd>\n", shown)


def test_the_headline_potential_is_of_reaches_where_sites_may_be_and_whose_head_is_resolved(handover):
    reaches = handover.tables["reaches"].copy()
    reaches["theoretical_kw"] = 0.0
    # One reach of each verdict has a megawatt for itself to count, and one open reach is not resolved.
    for verdict, kilowatts in (("open", 1e3), ("restricted", 2e3), ("conditional", 4e3), ("excluded", 8e3)):
        reaches.loc[reaches.index[reaches["verdict"] == verdict][0], "theoretical_kw"] = kilowatts
    doubtful = reaches.index[reaches["verdict"] == "open"][1]
    reaches.loc[doubtful, ["theoretical_kw", "flags"]] = [16e3, "head_unresolved"]
    handover = handover._replace(tables={**handover.tables, "reaches": reaches})

    def potential_mw(handover):
        return float(re.search(r'data-name="potential" data-v="([^"]*)"', page_html(handover))[1])

    assert potential_mw(handover) == 3.0
    assert potential_mw(handover._replace(counts_unresolved=True)) == 19.0


def test_totals_are_shown_in_kilowatts_and_megawatt_hours_from_whole_watts(page):
    streams = re.search(r'<table class="figures" id="streams">.*?</table>', page, re.DOTALL)[0]

    # 12 345 W, 6 789 W and 1 234 567 890 Wh by hand.
    assert 'data-v="12.345"' in streams
    assert 'data-v="6.789"' in streams
    assert 'data-v="1234.56789"' in streams


def test_facts_that_need_a_layer_which_was_not_given_are_left_out_and_one_sentence_says_so(handover):
    bare = handover.tables["sites"].assign(settlement_road_m=np.nan)
    data = site_data(handover._replace(tables={**handover.tables, "sites": bare}))
    names = [label for _, label, _ in data["labels"]]

    # Settlements are among what this run was given; roads and power lines are not.
    assert data["absent"] == "Not in this run: layers of roads and power lines."
    assert not {
        "Distance to a road",
        "Bank of that road",
        "Level against the road",
        "Distance to a power line",
    } & set(names)
    settlement = names.index("Distance to a settlement by road")
    assert {facts[settlement] for facts in unpacked.facts(data)} == {"not known"}
    assert {len(facts) for facts in unpacked.facts(data)} == {len(names)}


def test_figures_are_written_as_a_person_writes_them(handover):
    sites = handover.tables["sites"].assign(
        capital_cost=951_768.28, road_climb_m=-17.22, energy_variance_share_year=1.98e-30, head_m=9.605,
        head_se_m=0.2514, closed_months="10;11", flow_source="equation", conduit_length_m=0.0,
        scheme_type="new_weir",
    )  # fmt: skip
    context = {**handover.context, "roads": handover.context["settlements"]}
    data = site_data(handover._replace(tables={**handover.tables, "sites": sites}, context=context))

    said = {label: text for (_, label, _), text in zip(data["labels"], unpacked.facts(data)[0], strict=True)}
    expected = {
        "Capital cost": "952,000 EUR",
        "Level against the road": "powerhouse 17 m below the road",
        "Inter-annual variability": "not included",
        "Gross head": "9.61 ± 0.25 m (standard error)",
        "Closed months": "Oct, Nov",
        "Flow source": "regional regression",
        # What only a diversion has is left out.
        "Headrace and penstock": "",
        "Mean flow left below the intake": "",
        "Depleted reach": "none: no water is diverted",
        "Scheme type": "new weir",
    }
    assert {label: said[label].replace("\u00a0", " ") for label in expected} == expected


def test_a_step_without_a_structure_is_called_so_and_a_structure_by_its_id():
    assert [structure_name(each) for each in ("step:258@74", "W1", "stepping stones")] == [
        "step",
        "W1",
        "stepping stones",
    ]


def test_cautions_are_at_the_top_and_at_the_bottom(page):
    assert page.index(SCREENING) < page.index("<main>")
    assert page.rindex(SCREENING) > page.index("<footer>")
    for text in (*NOT_KNOWN, *SAFETY, *READING):
        assert text in unescape(page)


@pytest.mark.parametrize("layer", ["totals", "supply_curve", "distributions"])
def test_a_layer_that_is_not_there_is_left_out(handover, layer):
    tables = {name: frame for name, frame in handover.tables.items() if name != layer}

    page = page_html(handover._replace(tables=tables))

    assert "Totals by district" in page
    assert ("Supply curve" in page) == (layer != "supply_curve")


def test_classes_without_anything_before_and_after_those_with_something_are_left_out(handover):
    known = handover.tables["distributions"]
    numbers = [0, 0, 7, 0, 5, 0]
    row = known.iloc[[0] * len(numbers)].assign(
        bin=range(6), from_value=np.arange(6.0), to_value=np.arange(6.0) + 1
    )
    tables = handover.tables | {"distributions": row.assign(number=numbers, length_m=np.array(numbers) * 100.0)}

    page = page_html(handover._replace(tables=tables))

    shown = re.search(r"<caption><span>Gross head of reaches</span>.*?<tbody>(.*?)</tbody>", page, re.DOTALL)[1]
    assert re.findall(r"<th[^>]*>(\d to \d)<", shown) == ["2 to 3", "3 to 4", "4 to 5"]


def test_a_stream_without_a_name_is_called_by_the_river_that_it_joins(made):
    handover = made(sites=2, reaches=3)
    # Two reaches of the river Åmsa, 2 km and 1 km long, and a brook that joins between them.
    lines = [shapely.LineString([(400_000, 4_430_000), (400_000, 4_428_000), (400_000, 4_427_000)][at : at + 2])
             for at in (0, 1)] + [shapely.LineString([(401_000, 4_428_000), (400_000, 4_428_000)])]  # fmt: skip
    reaches = handover.tables["reaches"].set_geometry(lines, crs=handover.crs)
    reaches = reaches.assign(stream=["Åmsa", "Åmsa", ""], length_m=[2000.0, 1000.0, 1000.0])
    sites = handover.tables["sites"].assign(stream=["", "Åmsa"], reach_id=["R2", "R0"])

    page = page_html(handover._replace(tables={**handover.tables, "reaches": reaches, "sites": sites}))

    first, second = unpacked.titles(data(page, "data"))
    assert first == ("S0001/diversion", "tributary of Åmsa at km 1.0")
    assert second == ("S0002/diversion", "Åmsa")
    assert "<td>tributary of Åmsa at km 1.0</td>" in page
    assert sorted(unpacked.texts(data(page, "data")["reaches"][1], len(reaches))) == [
        "tributary of Åmsa at km 1.0", "Åmsa", "Åmsa",
    ]  # fmt: skip


def test_missing_values_are_shown_as_not_known(made):
    handover = made(sites=2, reaches=4, months=False, districts=False)
    sites = handover.tables["sites"].copy()
    real = [name for name in sites.select_dtypes("float").columns if name not in ("lon", "lat")]
    sites[real] = np.nan
    sites["stream"] = None

    page = page_html(handover._replace(tables={**handover.tables, "sites": sites}))

    facts = unpacked.facts(data(page, "data"))[0]
    assert facts[0] == "not known"
    assert "nan" not in " ".join(facts)
    assert unpacked.series(data(page, "data")["sites"]["months"]["month"], 2) == [[], []]


def test_an_inventory_without_anything_still_has_its_page(made):
    page = page_html(made(sites=0, reaches=0, months=False, districts=False))

    assert "No site was selected" in page
    assert 'id="sites-table"' not in page
    assert SCREENING in page


def test_ground_that_is_not_known_is_of_one_grey_in_the_relief_and_the_rest_is_shaded(handover):
    relief = handover.relief

    address = relief_picture(relief)

    content = io.BytesIO(base64.b64decode(address.partition(",")[2]))
    picture = np.array(Image.open(content).convert("L")).astype(int)
    assert picture.shape == relief.shade.shape
    # The first 20 rows are not known; a block of the format is 8 or 16 rows high.
    assert abs(picture[:16] - BEYOND).max() < 8
    assert abs(picture[32:] - (168 + relief.shade[32:].astype(float) * 87 / 255)).mean() < 4
    assert np.ptp(picture[32:]) > 60


@pytest.mark.slow
def test_a_large_inventory_stays_under_ten_megabytes(made):
    handover = made(sites=500, reaches=5000)
    # As large as reliefs get, and rough to the last cell, which packs worst.
    rough = np.random.default_rng(1).normal(190.0, 25.0, (1600, 1600)).clip(0, 255).astype(np.uint8)
    relief = SimpleNamespace(shade=rough, known=rough >= 0, bounds_m=handover.relief.bounds_m)

    page = page_html(handover._replace(relief=relief))

    size = len(page.encode("utf-8"))
    print(f"\nreport page of 500 sites and 5,000 reaches: {size / 1e6:.1f} MB")
    assert size < MAXIMUM_BYTES


@pytest.fixture
def with_structures(handover):
    """The inventory with structures of five kinds, two drops, and the conduit of the site of rank 1."""
    sites = handover.tables["sites"].sort_values("rank")
    places = [shapely.Point(point.x + 40.0, point.y) for point in sites.geometry[:7]]
    plant = {"turbine": "screw", "units": 2, "power_kw": 50.0, "energy_mwh": 210.0, "lcoe_per_kwh": 0.21}
    none = {"turbine": "", "units": None} | dict.fromkeys(("power_kw", "energy_mwh", "lcoe_per_kwh"), np.nan)
    usual = {"reach_id": "R3", "powered": False, "removed": False} | dict.fromkeys(
        ("use", "note", "needs", "blocked_by", "site_id", "sources"), ""
    )
    first, second = sites["site_id"].iloc[:2]
    rows = [
        {"structure_id": "W1", "kind": EVIL, "site_id": first, **plant, "net_annual_value": 900.0},
        {"structure_id": "W2", "kind": "weir", "blocked_by": second, **plant, "net_annual_value": 5.0}
        | {"rejection_reason": "blocked by a better site", "needs": "fish pass"},
        {"structure_id": "W3", "kind": "weir", "powered": True, **none, "rejection_reason": "already powered"},
        {"structure_id": "F1", "kind": "fall", **none, "rejection_reason": "natural fall"},
        {"structure_id": "step:1", "kind": "step", **none, "rejection_reason": "no mapped structure"},
    ]
    rows = [{"drop_m": 2.0, "net_annual_value": np.nan, "rejection_reason": "", **usual, **row} for row in rows]
    drops = [
        {"drop_id": "D1", **plant, "rejection_reason": "", "rank_with_sites": 3, "net_annual_value": 7.0},
        {"drop_id": "D2", **none, "rejection_reason": "too little flow", "rank_with_sites": None,
         "net_annual_value": np.nan},
    ]  # fmt: skip
    usual = {"kind": "outfall", "use": "", "needs": "", "head_m": 3.0, "flow_mean_m3s": 0.5}
    usual |= {"energy_mwh_p90": 190.0, "energy_mwh_p10": 230.0}
    drops = [usual | row for row in drops]
    conduits = [
        {"site_id": sites["site_id"].iloc[0], "rank": 1, "part": part} for part in ("headrace", "penstock")
    ]
    lines = [handover.tables["reaches"].geometry.iloc[0]] * 2
    tables = {
        "structures": geopandas.GeoDataFrame(pd.DataFrame(rows), geometry=places[:5]),
        "drops": geopandas.GeoDataFrame(pd.DataFrame(drops), geometry=places[5:]),
        "conduits": geopandas.GeoDataFrame(pd.DataFrame(conduits), geometry=lines),
        "sites": sites.assign(depleted_length_m=np.where(sites["rank"] <= 2, 300.0, 0.0)),
    }
    return handover._replace(tables={**handover.tables, **tables})


def cells_of(page, identity):
    body = re.search(rf'id="{identity}".*?<tbody>(.*?)</tbody>', page, re.DOTALL)[1]
    rows = re.findall(r"<tr>(.*?)</tr>", body, re.DOTALL)
    return [[unescape(cell) for cell in re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", row)] for row in rows]


def test_structures_and_drops_have_tables_with_their_plants_and_reasons(with_structures):
    page = page_html(with_structures)
    structures, drops = cells_of(page, "structures-table"), cells_of(page, "drops-table")

    assert [row[0] for row in structures] == [f"W1 ({EVIL})", "W2 (weir)", "F1 (fall)", "W3 (weir)"]
    assert structures[0][3:8] == ["2 × screw", "50.0", "210", "0.210", "900"]
    assert [row[8] for row in structures] == [
        "rank 1",
        "blocked by a better site (rank 2)",
        "natural fall",
        "already powered",
    ]
    assert structures[1][9] == "fish pass"
    assert structures[3][3:8] == ["none", "–", "–", "–", "–"]
    assert drops[0] == ["D1 (outfall)", "3.00", "0.500", "2 × screw", "50.0", "210", "190 to 230", "0.210", "7.00",
                        "selected; would be rank 3", ""]  # fmt: skip
    assert drops[1][9] == "too little flow"
    assert "4 structures are mapped: 2 could carry a plant, whether or not it pays, and 1 has a site." in page
    assert "1 step of the long profile has no mapped structure near" in page
    assert '<a href="#structures">' in page


def test_structures_drops_conduits_and_depleted_reaches_are_layers_of_the_map(with_structures):
    page = page_html(with_structures)
    drawn = re.findall(r'<g data-layer="([\w-]+)"', page)
    switched = re.findall(r'<input type="checkbox" checked data-layer="([\w-]+)">', page)
    places = {
        "place-weir": 2,
        "place-plant": 1,
        "place-fall": 1,
        "place-step": 1,
        "place-drop": 2,
        "place-gauge": 1,
    }

    assert sorted(drawn) == sorted(switched)
    assert {"depleted", "headrace", "penstock", *places} <= set(drawn)
    for name, count in places.items():
        group = re.search(rf'<g data-layer="{name}".*?\n</g>', page, re.DOTALL)[0]
        assert group.count("data-place=") == count, name
    tips = unpacked.rows_of(data(page, "data")["places"], 8)
    numbers = sorted(int(number) for number in re.findall(r'data-place="(\d+)"', page))
    assert numbers == list(range(len(tips))) == list(range(8))
    assert tips[0] == (f"W1 ({EVIL})", "2.00\u00a0m", "none", "screw, 50.0\u00a0kW", "rank 1")
    depleted = re.search(r'<g data-layer="depleted".*?</g>', page, re.DOTALL)[0]
    assert depleted.count("<path") == 2


def test_areas_of_rules_are_hatched_by_what_they_do_and_say_so(page):
    areas = re.findall(r'<g data-layer="rules-(\w+)" class="areas" fill="url\(#hatch-(\w+)\)"', page)
    hatches = dict(re.findall(r'<pattern id="hatch-(\w+)".*?data-angle="(\d+)"', page))

    # The strictest is drawn last, on top.
    assert areas == [("no_diversion", "no_diversion"), ("exclude", "exclude")]
    assert hatches == {"exclude": "45", "no_diversion": "90"}
    assert unpacked.rows_of(data(page, "data")["areas"], 2) == [
        ("meadow", "no diversion", "F2", ""), (EVIL, "no site", "F1", "")
    ]  # fmt: skip


def test_an_inventory_without_structures_and_drops_has_no_part_for_them(page):
    assert "#structures" not in re.sub("<style>.*?</style>", "", page, flags=re.DOTALL)
    assert set(re.findall(r'<g data-layer="place-(\w+)"', page)) == {"gauge"}


def test_a_long_table_of_structures_is_cut_and_says_so(with_structures):
    few = with_structures.tables["structures"].iloc[[3]]
    many = pd.concat([few] * 120, ignore_index=True).assign(structure_id=[f"F{number}" for number in range(120)])
    page = page_html(with_structures._replace(tables={**with_structures.tables, "structures": many}))

    assert len(cells_of(page, "structures-table")) == 100
    assert "20 more are in the layer structures." in page
