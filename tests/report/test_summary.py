"""The summary on standard output: its whole text for tables whose figures are plain, and odd names in it."""

import geopandas
import pandas as pd
import pytest
import shapely
from rich.cells import cell_len
from whole_summary import summary_text

from sitefinder.report.summary import Finances, finances_text


def reaches(**changes):
    columns = {
        "length_m": [500.0, 500.0, 250.0, 1000.0],
        "verdict": ["open", "restricted", "excluded", "open"],
        "theoretical_kw": [40.0, 60.0, 900.0, 200.0],
        "rejection_reason": ["", "too little head", "", "too little head"],
        "flags": ["", "seam", "", ""],
        "reach_id": ["A1@1000", "A1@1500", "A1@1875", "B7@500"],
        "stream": ["Alder Beck", "Alder Beck", "Alder Beck", ""],
    }
    # The beck in three reaches; what has no name joins it where the last one begins.
    beck = [shapely.LineString([(0, north), (0, south)]) for north, south in ((1250, 750), (750, 250), (250, 0))]
    return geopandas.GeoDataFrame(columns | changes, geometry=[*beck, shapely.LineString([(1000, 250), (0, 250)])])


def sites(**changes):
    columns = {
        "rank": [2, 1],
        "site_id": ["B7@250", "A1@1500"],
        "stream": [None, "Alder Beck"],
        "reach_id": ["B7@500", "A1@1500"],
        "scheme_type": ["new_weir", "at_barrier"],
        "head_m": [1.5, 2.25],
        "flow_mean_m3s": [0.125, 12.5],
        "turbine": ["breast wheel", "Archimedes screw"],
        "power_kw": [1.5, 98.5],
        "energy_mwh": [10.0, 490.0],
        "lcoe_per_kwh": [float("nan"), 0.0625],
    }
    return pd.DataFrame(columns | changes)


def summary(sites=sites, reaches=reaches, **options):
    return summary_text("Alderdale", {"sites": sites(), "reaches": reaches()}, **options)


def test_the_whole_text():
    text = summary(
        energy_p90_mwh=400.0,
        energy_p10_mwh=620.0,
        currency="crowns of 2024",
        files=["out/sites.gpkg", "out/x.csv"],
    )

    # 0.5 + 0.5 + 0.25 + 1 km; 40 + 60 + 900 + 200 kW, all but the excluded 900 free; 100 kW and 500 MWh chosen.
    assert text == (
        "Alderdale: 4 reaches, 2.25 km of stream\n"
        "\n"
        "2 sites selected: installed capacity 100 kW, mean annual energy 0.500 GWh (P90 0.400, P10 0.620).\n"
        "\n"
        "  verdict     reaches     km  gross theoretical\n"
        "  open              2   1.50             240 kW\n"
        "  restricted        1  0.500            60.0 kW\n"
        "  excluded          1  0.250             900 kW\n"
        "\n"
        "Best 2 of 2 sites (mean flow at the intake, installed capacity, levelised cost of energy per kWh in\n"
        "crowns of 2024)\n"
        "  #  site     stream               scheme type          head m   m³/s  turbine             kW   LCOE\n"
        "  1  A1@1500  Alder Beck           at an existing weir     2.2   12.5  Archimedes screw  98.5  0.062\n"
        "  2  B7@250   tributary of Alder   new weir                1.5  0.125  breast wheel      1.50      –\n"
        "              Beck at km 0.2\n"
        "\n"
        "  rejection reason  reaches    km\n"
        "  too little head         2  1.50\n"
        "\n"
        "Files\n"
        "  out/sites.gpkg\n"
        "  out/x.csv\n"
        "\n"
        "Gross theoretical potential (gross head and mean flow, no losses): 1.20 MW, of which 300 kW on open\n"
        "or restricted reaches.\n"
        "\n"
        "Screening, not design. Measure levels, flows and fish on site, with care at weirs and in moving\n"
        "water; local codes, permits and licensed practice decide.\n"
    )


def test_a_region_without_sites_says_so():
    text = summary(sites=lambda: sites().head(0))

    assert "\nNo site was selected.\n" in text
    assert "Best" not in text


def test_a_region_without_reaches_has_a_summary_too():
    text = summary(sites=lambda: sites().head(0), reaches=lambda: reaches().head(0))

    assert text.startswith(
        "Alderdale: 0 reaches, 0 km of stream\n\nNo site was selected.\n\nGross theoretical potential"
    )
    assert "rejection reason" not in text


def test_an_interval_that_was_not_drawn_is_not_shown():
    assert "P90" not in summary()


@pytest.mark.parametrize(("p50_mwh", "is_reported"), [(430.0, False), (410.0, True)])
def test_a_mean_year_far_above_the_middle_of_the_simulations_is_reported(p50_mwh, is_reported):
    # The sites give 500 MWh, which is 1.16 and 1.22 times these.
    text = " ".join(summary(energy_p90_mwh=200.0, energy_p50_mwh=p50_mwh, energy_p10_mwh=900.0).split())

    assert f"(P90 0.200, P50 {p50_mwh / 1000:.3f}, P10 0.900)" in text
    assert ("well above P50" in text) == is_reported


def test_reaches_without_a_figure_are_counted():
    text = summary(reaches=lambda: reaches(theoretical_kw=[float("nan"), 60.0, 900.0, float("nan")]))

    assert "960 kW, of which 60.0 kW on open or restricted reaches; 2 reaches without an estimate" in " ".join(
        text.split()
    )


def test_heads_that_are_not_resolved_do_not_count_unless_asked_for():
    doubtful = reaches(flags=["head_unresolved", "seam; head_unresolved", "", "head_unresolved_not"])

    text = summary(reaches=lambda: doubtful).replace("\n", " ")
    allowed = summary(reaches=lambda: doubtful, counts_unresolved=True).replace("\n", " ")

    assert "open 2 1.50 200 kW restricted 1 0.500 0 kW excluded" in " ".join(text.split())
    # 900 kW of the excluded reach and 200 kW of an open one.
    assert "1.10 MW, of which 200 kW on open or restricted reaches; 2 reaches with an unresolved head" in text
    assert "1.20 MW, of which 300 kW on open or restricted reaches. " in allowed


def test_the_minimum_head_is_reported_by_length_with_two_digits_and_a_centimetre():
    minimum = pd.DataFrame(
        {"length_m": [100.0, 1500.0], "min_head_m": [0.314, 12.34], "min_head_p90_m": [0.5, 22.6]}
    )

    text = " ".join(summary(minimum_heads=minimum).split())

    assert (
        "Minimum resolvable head of this DEM, median (90th percentile): "
        "0.31 m over 100 m (0.50 m), 12.3 m over 1,500 m (22.6 m)." in text
    )
    assert "Minimum resolvable head" not in summary(minimum_heads=minimum.head(0))
    assert "Minimum resolvable head" not in summary()


def test_a_surface_model_is_warned_about_with_the_reaches_on_it():
    text = " ".join(summary(reaches=lambda: reaches(flags=["", "dem_surface_model", "", "karst"])).split())

    assert "Warning: for 1 of 4 reaches the DEM is a surface model." in text
    assert "surface model" not in summary()


def test_only_the_best_five_are_listed():
    many = pd.concat([sites().head(1)] * 7, ignore_index=True).assign(rank=[7, 6, 5, 4, 3, 2, 1])

    text = summary(sites=lambda: many.assign(site_id=[f"site {rank}" for rank in many["rank"]]))

    assert "Best 5 of 7 sites" in text
    assert [f"site {rank}" in text for rank in range(1, 8)] == [True] * 5 + [False] * 2


def test_reasons_come_by_number_then_name_and_the_rest_together():
    reasons = ["b"] * 3 + ["a"] * 3 + [f"rare {number}" for number in range(9)]
    many = pd.concat([reaches().head(1)] * 15, ignore_index=True).assign(rejection_reason=reasons)

    lines = summary(reaches=lambda: many).split("\n")

    start = lines.index("  rejection reason  reaches     km")
    assert [line.split()[0] for line in lines[start + 1 : start + 3]] == ["a", "b"]
    assert lines[start + 9] == "  3 other reasons         3   1.50"


def test_markup_and_control_characters_of_names_are_harmless():
    odd = sites(site_id=["a\tb", "[b]"])
    streams = ["", ":fish: \x1b[31m\n" + 40 * "x", "", "[red]Beck[/]"]

    text = summary(sites=lambda: odd, reaches=lambda: reaches(stream=streams))

    assert "\x1b" not in text
    assert "[red]Beck[/]" in text
    assert ":fish:  [31m" in text
    assert "x…" in text
    assert "a b" in text


@pytest.mark.parametrize("name", ["Straumfjarðará " * 9, "急流川支流" * 9])
def test_no_line_is_wider_than_a_hundred(name):
    wide = sites(stream=[name, name], site_id=[name, "x" + name], turbine=[name, name], power_kw=[12345.0, 2.0])

    text = summary(
        sites=lambda: wide,
        reaches=lambda: reaches(rejection_reason=[name] * 4, stream=[name] * 4),
        currency="crowns " * 20,
    )

    assert max(cell_len(line) for line in text.split("\n")) <= 100
    assert "…" in text


def test_an_id_is_never_cut():
    text = summary(sites=lambda: sites(site_id=["B7", "0123456789" * 12 + "@1500"]))

    table = text.split("LCOE\n")[1].split("\n\n")[0].split("\n")
    assert "".join(line[5:].split(" ")[0] for line in table[:-3]) == "0123456789" * 12 + "@1500"


def test_the_terminal_changes_nothing(monkeypatch):
    plain = summary()

    for setting, value in (("COLUMNS", "40"), ("FORCE_COLOR", "1"), ("TERM", "xterm-256color"), ("NO_COLOR", "")):
        monkeypatch.setenv(setting, value)
        assert summary() == plain


def test_the_order_of_rows_changes_nothing():
    turned = summary(sites=lambda: sites().iloc[::-1], reaches=lambda: reaches().iloc[::-1])

    assert turned == summary()


def test_repairs_are_counted_by_problem_without_what_is_particular_to_one():
    problems = ["end off its node"] * 3 + ["invalid polygon: self-intersection", "invalid polygon: ring"]
    problems += ["closed basin 12.5 m deep", "drawn twice"]
    tables = {"sites": sites(), "reaches": reaches(), "repairs": pd.DataFrame({"problem": problems})}

    text = summary_text("Alderdale", tables)

    assert (
        "\n\nRepairs and doubts in the inputs (layer repairs): end off its node (3), invalid polygon (2), closed\n"
        "basin (1), drawn twice (1).\n\n"
    ) in text


def test_of_many_problems_the_most_frequent_are_named_and_the_rest_counted():
    problems = [f"problem {chr(ord('a') + number)}" for number in range(9) for _ in range(9 - number)]
    tables = {"sites": sites(), "reaches": reaches(), "repairs": pd.DataFrame({"problem": problems})}

    text = summary_text("Alderdale", tables).replace("\n", " ")

    assert (
        "problem a (9), problem b (8), problem c (7), problem d (6), problem e (5), problem f (4) and 6 more."
        in text
    )


def test_an_inventory_without_repairs_says_nothing_of_them():
    tables = {"sites": sites(), "reaches": reaches(), "repairs": pd.DataFrame({"problem": []})}

    assert "Repaired" not in summary_text("Alderdale", tables)


@pytest.mark.parametrize(
    ("uncorrected_m", "sentence"),
    [
        (
            [1.5, 2.45],
            "Uncorrected gross heads of the sites are on average 0.10 m above those used, after regional",
        ),
        (
            [1.5, 2.05],
            "Uncorrected gross heads of the sites are on average 0.10 m below those used, after regional",
        ),
        (
            [1.5, 2.25],
            "Gross heads of the sites have no regional shrinkage: selection favours heads that the DEM error",
        ),
    ],
)
def test_how_far_the_heads_as_found_lie_from_the_likely_ones(uncorrected_m, sentence):
    # Used are 1.5 and 2.25 m.
    text = summary(sites=lambda: sites(head_uncorrected_m=uncorrected_m))

    assert sentence in " ".join(text.split())


def gain(**changes):
    columns = {
        "district": ["Up", "Up", "Down", "Down"],
        "question": "screened",
        "evidence": ["tested", "claimed"] * 2,
        "bar_change": 0.0,
        "as_set": [False, True] * 2,
        "only_safe_length_km": [2.0, 2.0, 0.5, 0.5],
        "only_safe_theoretical_kw": [100.0, 100.0, 20.0, 20.0],
        "any_theoretical_kw": [300.0, 300.0, 80.0, 80.0],
        "sites": [1, 2, 1, 2],
        "sites_changed": 0,
        "sites_only_safe": [0, 1, 0, 1],
        "energy_only_safe_mwh": [0.0, 200.0, 0.0, 50.0],
        "energy_mwh": [100.0, 280.0, 40.0, 90.0],
        "energy_any_mwh": [100.0, 100.0, 40.0, 40.0],
    }
    return pd.DataFrame(columns | changes)


def with_gain(table):
    given = {"sites": sites(), "reaches": reaches(), "fish_safe_gain": table, "fish_groups": pd.DataFrame()}
    text = summary_text("Alderdale", given)
    return " ".join(text.split())


def test_what_fish_safe_turbines_gain_is_reported_by_the_evidence_that_counts():
    # Rows that are as set: 2.5 km, 120 kW beside 380; 250 MWh there, 370 with them and 140 without.
    assert (
        "Only fish-safe turbines are allowed on 2.50 km of stream (120 kW gross theoretical potential, against "
        "380 kW where any turbine is allowed). 2 sites there give 0.250 GWh; the best selection without fish-safe "
        "turbines would give 0.140 GWh instead of 0.370 GWh (evidence that counts: claimed or better)."
    ) in with_gain(gain())


def test_where_no_stream_is_kept_for_them_nothing_is_said_of_fish_safe_turbines():
    assert "fish-safe" not in with_gain(gain(only_safe_length_km=0.0))
    assert "no site was selected there." in with_gain(gain(sites_only_safe=0))


def test_flags_of_the_sites_are_counted_by_their_labels_the_most_frequent_first():
    text = summary(sites=lambda: sites(flags=["karst; structure_in_use: mill", "tidal; karst"]))

    assert "\nData-quality flags of the sites: karst (2), tidal (1), structure in use (1).\n" in text


def test_sites_without_a_flag_are_said_to_have_none():
    assert "\nData-quality flags of the sites: none.\n" in summary(sites=lambda: sites(flags=["", ""]))


def finances(**changes):
    plain = Finances("crowns of 2024", 0.25, None, 0.04, 30.0, 200.0, 1_234_567.0, 0.1234, 98_765.0, 6.25, 17.4)
    return plain._replace(**changes)


def test_the_summary_begins_with_price_capital_cost_of_energy_and_payback():
    text = summary(finances=finances())

    # 1 234 567 over 200 kW.
    assert " ".join(text.split("\n\n")[2].split()) == (
        "Price 0.25 crowns/kWh, real discount rate 4 %, 30 years, crowns of 2024: capital cost 1,230,000 "
        "crowns (6,170 crowns/kW), LCOE 0.123 crowns/kWh, net present value 98,800 crowns, internal rate of "
        "return 6.2 %, discounted payback 17 years."
    )
    assert text[: text.index("payback")].count("\n") < 10


def test_what_there_is_not_is_said_in_words():
    nan = float("nan")

    assert "rate of return none, discounted payback not within the lifetime." in finances_text(
        finances(irr_percent=nan, discounted_payback_years=nan)
    )
    assert finances_text(finances(power_kw=0.0, own_use_price_per_kwh=0.4)) == (
        "Price 0.25 crowns/kWh (0.4 crowns/kWh for own use), real discount rate 4 %, 30 years, crowns of 2024."
    )


def test_sites_that_pay_at_other_prices_are_a_table():
    prices = pd.DataFrame(
        {
            "price_per_kwh": [0.125, 0.25],
            "sites": [0, 2],
            "power_kw": [0.0, 200.0],
            "energy_mwh": [0.0, 900.0],
            "npv": [0.0, 98_765.0],
        }
    )

    text = summary_text(
        "Alderdale", {"sites": sites(), "reaches": reaches(), "sites_by_price": prices}, finances=finances()
    )

    rows = [line.split() for line in text[text.index("price crowns/kWh") :].splitlines()[1:3]]
    assert rows == [["0.125", "0", "0", "0", "0"], ["0.250", "2", "0.200", "0.900", "98,800"]]
