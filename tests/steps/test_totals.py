"""Totals recomputed by SQL from delivered sites and reaches, to the last digit, and what is shown beside them."""

import contextlib
import itertools
import sqlite3

import numpy as np
import pytest

from sitefinder.catalogue.equations import check_equations
from sitefinder.delivery.record_tables import flow_equations_table

WHOLE = "sites, power_w, energy_wh"
OF_REACHES = "reaches, length_m, open_m, excluded_m, theoretical_w"

# Sites and reaches in whole numbers; a half is rounded up.
VIEWS = """
CREATE TEMP VIEW whole_sites AS SELECT district, coalesce(stream, '') AS stream,
  CAST(power_kw * 1000 + 0.5 AS INTEGER) AS w, CAST(energy_mwh * 1000000 + 0.5 AS INTEGER) AS wh FROM sites;
CREATE TEMP VIEW whole_reaches AS SELECT reach_id, district, coalesce(stream, '') AS stream, verdict,
  CAST(length_m + 0.5 AS INTEGER) AS m,
  CASE WHEN '; ' || flags || ';' LIKE '%; head_unresolved;%' THEN 0
    ELSE CAST(coalesce(theoretical_kw, 0) * 1000 + 0.5 AS INTEGER) END AS w FROM reaches;
CREATE TEMP VIEW exact AS SELECT p.rowid AS place, p.reach_id, p.district, r.verdict, r.m, r.w,
  r.m * (p.length_m / sum(p.length_m) OVER own) AS part_m, r.w * (p.length_m / sum(p.length_m) OVER own) AS part_w
  FROM reach_districts p JOIN whole_reaches r USING (reach_id) WINDOW own AS (PARTITION BY p.reach_id);
CREATE TEMP VIEW pieces AS SELECT district, verdict,
  CAST(part_m AS INTEGER) + (
    row_number() OVER (PARTITION BY reach_id ORDER BY part_m - CAST(part_m AS INTEGER) DESC, place)
    <= m - sum(CAST(part_m AS INTEGER)) OVER (PARTITION BY reach_id)) AS m,
  CAST(part_w AS INTEGER) + (
    row_number() OVER (PARTITION BY reach_id ORDER BY part_w - CAST(part_w AS INTEGER) DESC, place)
    <= w - sum(CAST(part_w AS INTEGER)) OVER (PARTITION BY reach_id)) AS w FROM exact;
"""
OF_LENGTHS = "sum(m), sum(m * (verdict IN ('open', 'restricted'))), sum(m * (verdict = 'excluded')), sum(w)"


@pytest.fixture(scope="module")
def ask(sample_run):
    """A function that asks the delivered GeoPackage of the sample region in SQL."""
    with contextlib.closing(sqlite3.connect(sample_run.delivered.path)) as database:
        database.executescript(VIEWS)
        yield lambda sql: database.execute(sql).fetchall()


def by_name(rows):
    return {row[0]: row[1:] for row in rows}


@pytest.mark.parametrize("column", ["district", "stream"])
def test_sites_are_counted_once_each_to_the_last_digit(ask, column):
    scopes = "'stream'" if column == "stream" else "'district', 'outside districts'"
    notes = by_name(ask(f"SELECT name, {WHOLE} FROM totals WHERE scope IN ({scopes})"))
    found = by_name(ask(f"SELECT {column}, count(*), sum(w), sum(wh) FROM whole_sites GROUP BY {column}"))

    assert len(found) > 1
    assert {name: row for name, row in notes.items() if row[0]} == found
    assert all(row == (0, 0, 0) for name, row in notes.items() if name not in found)
    assert ask(f"SELECT {WHOLE} FROM totals WHERE scope = 'region'") == ask(
        "SELECT count(*), sum(w), sum(wh) FROM whole_sites"
    )


def test_reaches_are_counted_once_each_to_the_last_digit(ask):
    region = ask(f"SELECT {OF_REACHES} FROM totals WHERE scope = 'region'")
    streams = ask(f"SELECT name, {OF_REACHES} FROM totals WHERE scope = 'stream' ORDER BY name")

    assert region == ask(f"SELECT count(*), {OF_LENGTHS} FROM whole_reaches")
    assert streams == ask(f"SELECT stream, count(*), {OF_LENGTHS} FROM whole_reaches GROUP BY stream ORDER BY 1")


def test_reaches_on_a_border_are_cut_by_the_largest_remainder(ask):
    shared = ask("SELECT count(*) FROM (SELECT 1 FROM reach_districts GROUP BY reach_id HAVING count(*) > 1)")
    assert shared[0][0] > 0
    notes = ask(
        "SELECT name, length_m, open_m, excluded_m, theoretical_w FROM totals WHERE scope LIKE '%district%'"
    )

    found = by_name(ask(f"SELECT district, {OF_LENGTHS} FROM pieces GROUP BY district"))
    assert {row[0]: row[1:] for row in notes if row[1]} == found
    counted = by_name(ask("SELECT district, count(*) FROM whole_reaches GROUP BY district"))
    reaches = by_name(ask("SELECT name, reaches FROM totals WHERE scope LIKE '%district%' AND reaches > 0"))
    assert reaches == counted


@pytest.mark.parametrize("scope", ["= 'stream'", "IN ('district', 'outside districts')"])
def test_parts_add_up_to_the_region_to_the_last_digit(ask, scope):
    columns = f"{OF_REACHES}, {WHOLE}".split(", ")
    sums = ", ".join(f"sum({name})" for name in columns)

    assert ask(f"SELECT {sums} FROM totals WHERE scope {scope}") == ask(
        f"SELECT {', '.join(columns)} FROM totals WHERE scope = 'region'"
    )
    assert ask("SELECT count(*) FROM totals WHERE scope = 'outside districts'") == [(1,)]


def test_the_layer_of_districts_has_the_same_figures_in_larger_units(ask):
    notes = ask(
        "SELECT name, reaches, length_m, theoretical_w, sites, power_w, energy_wh, energy_mwh_p90, lcoe_per_kwh "
        "FROM totals WHERE scope LIKE '%district%' ORDER BY name"
    )
    drawn = ask(
        "SELECT district, reaches, reach_length_km, theoretical_kw, sites, power_kw, energy_mwh, energy_mwh_p90, "
        "lcoe_per_kwh FROM districts ORDER BY district"
    )

    expected = [(n, r, m / 1000, w / 1000, s, p / 1000, e / 1e6, *rest) for n, r, m, w, s, p, e, *rest in notes]
    assert drawn == expected


def test_p90_is_of_the_common_simulations_and_does_not_add_up(ask, sample_run):
    region = ask("SELECT energy_mwh_p90, energy_mwh_p10 FROM totals WHERE scope = 'region'")[0]
    parts = ask("SELECT sum(energy_mwh_p90), sum(energy_mwh_p10) FROM totals WHERE scope = 'stream'")[0]

    handover = sample_run.delivered.handover
    assert region == (handover.energy_p90_mwh, handover.energy_p10_mwh)
    # Errors of their own cancel in part, so the region's interval is the narrower one.
    assert region[0] > parts[0]
    assert region[1] < parts[1]


def test_costs_of_the_region_are_those_of_its_sites(ask):
    notes = ask("SELECT capital_cost, net_annual_value, lcoe_per_kwh FROM totals WHERE scope = 'region'")[0]
    found = ask(
        "SELECT sum(capital_cost), sum(net_annual_value), sum(lcoe_per_kwh * energy_mwh) / sum(energy_mwh) "
        "FROM sites"
    )[0]

    assert notes == pytest.approx(found, rel=1e-12)


def test_the_supply_curve_holds_every_site_once_the_costliest_last(ask):
    curve = ask("SELECT site_id, lcoe_per_kwh, energy_mwh FROM supply_curve ORDER BY position")

    assert curve == ask("SELECT site_id, lcoe_per_kwh, energy_mwh FROM sites ORDER BY lcoe_per_kwh, site_id")
    sums = [row[0] for row in ask("SELECT energy_sum_mwh FROM supply_curve ORDER BY position")]
    assert sums == pytest.approx(np.cumsum([row[2] for row in curve]))


@pytest.mark.parametrize(
    ("of", "quantity"),
    [("reaches", "head_m"), ("reaches", "theoretical_kw"), ("sites", "head_m"), ("sites", "power_kw")],
)
def test_every_class_is_found_again_by_counting(ask, of, quantity):
    notes = ask(
        "SELECT from_value, to_value, number, length_m FROM distributions "
        f"WHERE \"of\" = '{of}' AND quantity = '{quantity}' ORDER BY bin"
    )

    for low, high, number, length_m in notes:
        found = ask(
            f"SELECT count(*), coalesce(sum(length_m), 0) FROM {of} WHERE {quantity} >= {low!r} AND "
            f"{quantity} < {high!r}"
        )[0]
        assert (number, length_m) == (found[0], pytest.approx(found[1]))
    assert sum(row[2] for row in notes) == ask(f"SELECT count({quantity}) FROM {of}")[0][0]
    assert all(upper[0] == lower[1] for lower, upper in itertools.pairwise(notes))


def test_flow_equations_of_the_layer_give_the_flow_of_the_fit(ask, sample_run):
    long_profile = sample_run.results["flows"].equations[0]
    rows = by_name(ask("SELECT predictor, coefficient, form FROM flow_equations WHERE equation = 1"))

    # A power law of area and rain, by hand from the layer and by the equation itself.
    area, rain = 20.0, 1100.0
    logs = rows["area"][0] * np.log10(area) + rows["precipitation"][0] * np.log10(rain)
    total = rows["constant"][0] + logs if "constant" in rows else np.log10(rows["factor"][0]) + logs
    by_name_of = {item.name: item.coefficient for item in long_profile.predictors}
    assert {row[1] for row in rows.values()} == {"log10"}
    constant = long_profile.constant if long_profile.constant is not None else np.log10(long_profile.factor)
    assert total == pytest.approx(
        constant + by_name_of["area"] * np.log10(area) + by_name_of["precipitation"] * np.log10(rain)
    )
    statistics = {row[0] for row in ask("SELECT DISTINCT statistic FROM flow_equations")}
    assert statistics == {equation.statistic for equation in sample_run.results["flows"].equations}


def test_products_offsets_and_errors_in_flow_are_reported_too():
    equation = {
        "statistic": "mean", "form": "untransformed", "constant": 2.0, "flow_unit": "ft3s", "gauges": 40,
        "standard_error_in_flow_unit": 3.5, "source": "invented", "table": "1", "region": "north",
        "predictors": [
            {"name": "area", "unit": "mi2", "transform": "none", "coefficient": 0.5}
            | {"minimum": 1.0, "maximum": 90.0},
            {"name": "slope", "unit": "percent", "transform": "power", "exponent": 2.0}
            | {"minimum": 0.0, "maximum": 9.0},
        ],
        "terms": [{"coefficient": 0.25, "powers": {"area": 1.0, "slope": 3.0}}],
    }  # fmt: skip

    table = flow_equations_table(check_equations({"equations": [equation]}, "invented.toml"))

    assert table["predictor"].tolist() == ["constant", "area", "slope", "area × slope^3"]
    assert table["coefficient"].fillna(-1).tolist() == [2.0, 0.5, -1.0, 0.25]
    assert table["unit"].tolist() == ["", "mi2", "percent", ""]
    assert table["maximum"].fillna(-1).tolist() == [-1.0, 90.0, 9.0, -1.0]
    assert table["standard_error_in_flow_unit"].tolist() == [3.5] * 4
    assert table["standard_error_percent"].isna().all()
