"""Months in runs: energy by a regime, months that a rule closes, and flows of a later climate."""

import hashlib
from pathlib import Path

import numpy as np
import pytest
import shapely
from partial_run import results_of, tables_of
from small_valley import FACTORS, REGIME, worked_by_hand

from sitefinder.errors import SitefinderError
from sitefinder.planning import plan
from sitefinder.preparation import STORE, read_run

pytestmark = pytest.mark.slow

FILES = Path(__file__).parent / "by_hand"
WEST, NORTH, CELL = 500_000.0, 5_000_000.0, 10.0
MIDDLE = NORTH - 5.5 * CELL
DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
RATIO = np.array(FACTORS) * 365 / (np.array(FACTORS) @ DAYS)
CHANGE = '\n[flows.change]\npath = "climate.csv"\nlabel = "2050, invented"\nsource = "made up"\n'
MONTH = """
[[equations]]
statistic = "month_{month:02d}_mean"
form = "log10"
factor = {factor}
standard_error_log10 = 0.1

[[equations.predictors]]
name = "area"
unit = "km2"
coefficient = 1.0
minimum = 0.001
maximum = 1.0
"""
MONTHS = "".join(MONTH.format(month=month, factor=50 * RATIO[month - 1]) for month in range(1, 13))
# What closing months may not change: what the site is, and where.
PLACE = ["site_id", "area_km2", "flow_mean_m3s", "head_m"]
OF_SITES = ("sites", "site_months", "turbine_options", "flow_curves")
VALUED = ["flow_design_m3s", "power_kw", "energy_mwh", "energy_mwh_p90", "energy_mwh_p10", "lcoe_per_kwh"]


# The valley that is worked by hand, with the files that `texts_of` gives.
def write_valley(folder, write_region, texts):
    ground, layers = worked_by_hand()
    east = WEST + 603.0
    layers["far_below"] = shapely.box(east - 40, MIDDLE - 5, east, MIDDLE + 5)
    write_region(folder, *ground, layers, texts)


# Its files, with more in the settings; those of ``texts`` take the place of others.
def texts_of(more="", rule="", months="", texts=None):
    files = {path.name: path.read_text(encoding="utf-8") for path in FILES.glob("*.toml")}
    files["equations.toml"] += months
    text = files["run.toml"].replace('action = "fish_safe_only"\n', f'action = "fish_safe_only"\n{rule}')
    text = text.replace("price_per_kwh = 0.25", "price_per_kwh = 9.0")
    files["run.toml"] = text.replace("[stretches]", f"{more}\n[stretches]", 1)
    return files | (texts or {})


@pytest.fixture
def valley(tmp_path, write_region):
    """A function that writes the valley with more in its settings; gives the settings."""

    def write(name, *arguments, **options):
        folder = tmp_path / name
        folder.mkdir()
        write_valley(folder, write_region, texts_of(*arguments, **options))
        return folder / "run.toml"

    return write


@pytest.fixture(scope="module")
def region(tmp_path_factory, write_region):
    """Folder of the valley, whose runs each go on with what those before it kept."""
    folder = tmp_path_factory.mktemp("seasons")
    write_valley(folder, write_region, texts_of())
    return folder


@pytest.fixture
def delivered(region, made_once):
    """A function that runs the valley with more in its settings; several tests begin with the same run.

    It gives the tables of sites, with those that are named besides.
    """

    def run(*arguments, beside=(), **options):
        layers = (*OF_SITES, *beside)
        stated = hashlib.sha256(repr((arguments, layers, sorted(options.items()))).encode()).hexdigest()

        def made(_):
            for name, text in texts_of(*arguments, **options).items():
                path = region / name
                # A file that is written again is read again.
                if not path.exists() or path.read_text(encoding="utf-8") != text:
                    path.write_text(text, encoding="utf-8")
            return tables_of(region / "run.toml", *layers, store=region / "store")

        return made_once(f"seasons-{stated}", made)

    return run


@pytest.fixture
def with_regime(delivered):
    """The tables of the valley with its regime alone, which many tests hold others against."""
    return delivered(REGIME, beside=("totals",))


def monthly_mwh(sites):
    return sites[[f"energy_month_{month:02d}_mwh" for month in range(1, 13)]].to_numpy(dtype=float)


def test_a_regime_gives_months_and_moves_nothing_else(delivered, with_regime):
    plain, split = delivered(), with_regime

    assert len(plain["sites"]) == 1
    for name in plain["sites"].columns:
        if not name.startswith(("energy_month_", "month_source")):
            assert plain["sites"][name].equals(split["sites"][name]), name
    assert plain["sites"]["month_source"].tolist() == ["none: no monthly flow statistics, daily records or regime"]
    assert np.isnan(monthly_mwh(plain["sites"])).all()
    assert not len(plain["site_months"])

    site, months = split["sites"].iloc[0], split["site_months"]
    assert site["month_source"] == "regional regime (made up)"
    assert monthly_mwh(split["sites"]).sum() == pytest.approx(site["energy_mwh"], rel=1e-12)
    assert months["energy_mwh"].to_numpy() == pytest.approx(monthly_mwh(split["sites"])[0])
    # The flow of each month is that of the regime.
    assert months["flow_mean_m3s"].to_numpy() == pytest.approx(RATIO * site["flow_mean_m3s"], rel=1e-6)
    # What passes is the flow less what makes the energy: as much over the year as the shares of the site say.
    left = (months["flow_left_m3s"] @ DAYS) / 365
    assert left == pytest.approx((1 - site["used_share"]) * site["flow_mean_m3s"], rel=1e-9)
    assert (months["flow_left_m3s"] >= months["environmental_flow_m3s"] - 1e-9).all()
    region = split["totals"].iloc[0]
    assert [region[f"energy_month_{month:02d}_wh"] for month in range(1, 13)] == pytest.approx(
        monthly_mwh(split["sites"])[0] * 1e6, abs=0.5
    )


def test_months_that_a_rule_closes_give_no_energy_and_the_site_is_valued_without_them(delivered, with_regime):
    rule = "closed_months = [1, 2, 12]\n"
    opened, closed = with_regime, delivered(REGIME, rule)

    before, after = opened["sites"].iloc[0], closed["sites"].iloc[0]
    assert after[PLACE].tolist() == before[PLACE].tolist()
    shut = np.isin(np.arange(1, 13), [1, 2, 12])
    assert monthly_mwh(closed["sites"])[0, shut].tolist() == [0.0, 0.0, 0.0]
    assert closed["site_months"]["is_closed"].tolist() == shut.tolist()
    assert after["energy_mwh"] == pytest.approx(monthly_mwh(closed["sites"])[0].sum(), rel=1e-12)
    # Of one design flow, so the open months give what they gave: but for flows averaged over days, within 1 %.
    share = monthly_mwh(opened["sites"])[0, ~shut].sum() / before["energy_mwh"]
    per_kw = [site["energy_mwh"] / site["power_kw"] for site in (before, after)]
    if after["flow_design_m3s"] == pytest.approx(before["flow_design_m3s"], rel=0.02):
        assert per_kw[1] == pytest.approx(share * per_kw[0], rel=0.02)
    assert share < 0.72
    assert after["energy_mwh"] < 0.8 * before["energy_mwh"]
    # Intervals and cost follow: nine months at the most, and less energy for the money.
    assert after["energy_mwh_p10"] < after["power_kw"] * 1.5 * 275 * 24 * 0.9 / 1000
    assert after["energy_mwh_p90"] < after["energy_mwh"] < after["energy_mwh_p10"]
    assert after["lcoe_per_kwh"] > before["lcoe_per_kwh"]
    own = closed["turbine_options"].query("chosen").iloc[0]
    # Options come from the search, the site's figures from its simulations.
    assert own["energy_mwh"] == pytest.approx(after["energy_mwh"], rel=0.02)
    assert "closed_months_counted" not in after["flags"]


def group(season, rules="[]"):
    return (
        f'\n[[fish.groups]]\nname = "trout"\nlengths_m = [0.3]\nmonths = [1, 2, 12]\nrules = {rules}\n{season}\n'
    )


def test_months_that_fish_close_are_the_same_as_those_of_a_rule(delivered):
    by_rule = delivered(REGIME + group(""), "closed_months = [1, 2, 12]\n")
    by_fish = delivered(REGIME + group('in_season = "close"'))

    assert by_fish["sites"]["closed_months"].tolist() == ["1;2;12"]
    assert by_fish["sites"][VALUED].equals(by_rule["sites"][VALUED])
    assert by_fish["site_months"].equals(by_rule["site_months"])


def test_a_higher_environmental_flow_in_season_costs_energy_in_those_months_alone(delivered):
    raised = 'in_season = "raise_environmental_flow"\nseason_flow_share = {}'
    plain = delivered(REGIME + group(""))
    # What stays anyway: 15 % of the mean flow.
    same = delivered(REGIME + group(raised.format(0.15)))
    more, most = (delivered(REGIME + group(raised.format(share))) for share in (0.6, 1.0))

    season = np.isin(np.arange(1, 13), [1, 2, 12])
    mean_m3s = plain["sites"]["flow_mean_m3s"].iloc[0]
    kept = [layers["site_months"]["environmental_flow_m3s"].to_numpy() for layers in (plain, same, more)]
    assert kept[1] == pytest.approx(kept[0], rel=0.01)
    assert kept[2][~season] == pytest.approx(kept[0][~season], rel=0.01)
    # Days with less natural flow than that keep what they have.
    assert (kept[2][season] <= 0.6 * mean_m3s * (1 + 1e-9)).all()
    assert (kept[2][season] > 3 * kept[1][season]).all()
    energy = [layers["sites"]["energy_mwh"].iloc[0] for layers in (plain, same, more, most)]
    assert energy[1] == pytest.approx(energy[0], rel=0.005)
    assert energy[3] < energy[2] < 0.99 * energy[1]
    # Simulated with it too.
    assert more["sites"]["energy_mwh_p10"].iloc[0] < plain["sites"]["energy_mwh_p10"].iloc[0]
    share = [
        monthly_mwh(layers["sites"])[0, season].sum() / layers["sites"]["energy_mwh"].iloc[0]
        for layers in (same, more)
    ]
    assert share[1] < share[0]


def test_a_season_asks_nothing_of_a_site_that_the_group_does_not_migrate_past(delivered, with_regime):
    below = '\n[[rules]]\nname = "spawning"\npath = "layers.gpkg"\nlayer = "far_below"\naction = "note"\n'
    season = group('in_season = "close"', '["spawning"]')
    text = (FILES / "run.toml").read_text(encoding="utf-8").replace("price_per_kwh = 0.25", "price_per_kwh = 9.0")
    text = text.replace("[stretches]", f"{REGIME}{season}\n[stretches]", 1).replace(
        "[uncertainty]", f"{below}\n[uncertainty]"
    )
    elsewhere = delivered(texts={"run.toml": text}, beside=("fish_sites",))

    assert elsewhere["sites"]["closed_months"].tolist() == [""]
    assert elsewhere["sites"][VALUED].equals(with_regime["sites"][VALUED])
    assert elsewhere["fish_sites"]["migrates_past"].tolist() == [False]


def test_without_a_regime_closed_months_are_counted_and_a_flag_says_so(delivered):
    opened, closed = delivered(), delivered(rule="closed_months = [1, 2, 12]\n")

    assert closed["sites"]["closed_months"].tolist() == ["1;2;12"]
    assert closed["sites"][VALUED].equals(opened["sites"][VALUED])
    assert "closed_months_counted" in closed["sites"]["flags"].iloc[0]
    assert "closed_months_counted" not in opened["sites"]["flags"].iloc[0]


def test_months_closed_by_a_rule_or_everywhere_are_the_same_where_the_rule_is_everywhere(delivered):
    by_rule = delivered(rule="closed_months = [4, 5]\n", months=MONTHS)
    settings = "[flows]\nclosed_months = [4, 5]\n"
    everywhere = delivered(months=MONTHS, texts={"run.toml": _with(settings)})

    assert by_rule["sites"]["month_source"].tolist() == ["monthly flow statistics"]
    for name in [*VALUED, "used_share", "environmental_flow_m3s"]:
        assert by_rule["sites"][name].tolist() == pytest.approx(everywhere["sites"][name].tolist(), rel=1e-12), (
            name
        )
    assert monthly_mwh(by_rule["sites"]) == pytest.approx(monthly_mwh(everywhere["sites"]), rel=1e-12)
    assert monthly_mwh(by_rule["sites"])[0, 3:5].tolist() == [0.0, 0.0]


# The settings that are worked by hand, with the section of flows begun in another way.
def _with(flows):
    text = (FILES / "run.toml").read_text(encoding="utf-8").replace("price_per_kwh = 0.25", "price_per_kwh = 9.0")
    return text.replace("[flows]\n", flows, 1)


def test_a_new_rule_that_closes_months_values_no_stretch_but_its_own_again(valley):
    path = valley("again", REGIME)
    results_of(path, "sites", store=path.parent / "out" / STORE)

    path.write_text(
        path.read_text(encoding="utf-8").replace('fish_safe_only"\n', 'fish_safe_only"\nclosed_months = [5]\n'),
        encoding="utf-8",
    )
    again = {step.stage for step in plan(path).stages if not step.kept}

    assert {"closed_months", "closed_energy", "sites"} <= again
    assert not {"terrain", "flows", "stretches", "energy"} & again


def test_a_climate_table_by_month_multiplies_each_months_flow(delivered):
    factors = np.array([1.3, 1.25, 1.1, 1.0, 0.9, 0.8, 0.6, 0.5, 0.7, 0.9, 1.1, 1.2])
    table = "month,factor\n" + "".join(f"{month},{factor}\n" for month, factor in enumerate(factors, 1))
    beside = ("reaches", "provenance")
    today = delivered(months=MONTHS, beside=beside)
    later = delivered(CHANGE, months=MONTHS, texts={"climate.csv": table}, beside=beside)

    before, after = (layers["site_months"]["flow_mean_m3s"].to_numpy() for layers in (today, later))
    assert after == pytest.approx(before * factors, rel=1e-9)
    mean = (RATIO * factors) @ DAYS / 365
    flow = [layers["sites"]["flow_mean_m3s"].iloc[0] for layers in (today, later)]
    assert flow[1] == pytest.approx(mean * flow[0], rel=1e-9)
    # The errors are the equations' own, in logarithms.
    last = [layers["reaches"].iloc[-1] for layers in (today, later)]
    width = [reach["flow_mean_high_m3s"] / reach["flow_mean_low_m3s"] for reach in last]
    assert width[0] == pytest.approx(width[1], rel=1e-9)
    assert later["provenance"].set_index("name").loc["flow change", "source"] == "made up"


def test_by_a_regime_a_climate_table_changes_months_and_factors_of_one_change_nothing(delivered, with_regime):
    seasons = "season,exceedance_percent,factor\nDJF,50,{}\nMAM,50,{}\nJJA,50,{}\nSON,50,{}\n"
    today = with_regime
    same = delivered(REGIME + CHANGE, texts={"climate.csv": seasons.format(1, 1, 1, 1)})
    later = delivered(REGIME + CHANGE, texts={"climate.csv": seasons.format(1.2, 1, 0.6, 0.9)})

    for name in VALUED:
        assert same["sites"][name].tolist() == pytest.approx(today["sites"][name].tolist(), rel=1e-9)
    factors = np.repeat([1.2, 1.0, 0.6, 0.9, 1.2], [2, 3, 3, 3, 1])
    before, after = (layers["site_months"]["flow_mean_m3s"].to_numpy() for layers in (today, later))
    # Bins of the curve hold flows of several months: averaged a little.
    assert after == pytest.approx(before * factors, rel=0.03)
    assert after @ DAYS == pytest.approx((before * factors) @ DAYS, rel=1e-6)


def test_the_environmental_flow_goes_by_the_changed_flow_unless_the_settings_say_today(delivered):
    texts = {"climate.csv": "season,factor\nyear,0.5\n"}
    keep = '\n[[flows.environmental]]\nkind = "share_of_mean"\nshare = 0.3\n'
    today = delivered(keep)
    changed = delivered(keep + CHANGE, texts=texts)
    as_today = delivered(keep + CHANGE + 'environmental_from = "today"\n', texts=texts)

    kept = [layers["flow_curves"]["environmental_flow_m3s"].max() for layers in (today, changed, as_today)]
    assert kept[1] == pytest.approx(0.5 * kept[0], rel=1e-9)
    assert kept[2] == pytest.approx(kept[0], rel=1e-9)


def test_what_needs_months_is_refused_where_nothing_says_when_water_flows(valley):
    texts = {"climate.csv": "season,factor\nDJF,1.1\nMAM,1\nJJA,0.9\nSON,1\n"}

    with pytest.raises(SitefinderError) as caught:
        read_run(valley("months", CHANGE, texts=texts))

    text = str(caught.value)
    assert text.startswith("the settings go by the month, but nothing gives the flow of a month")
    assert "by the month: flows.change" in text
    assert "state the regime of the region in flows.regime" in text


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ('\n[flows.regime]\nfactors = [1, 2, 3]\nsource = "x"\n', "flows.regime.factors"),
        ("\n[flows.regime]\n", "state either factors, with their source, or preset"),
        (f"\n[flows.regime]\nfactors = {FACTORS}\n", "factors and source belong together"),
        ('\n[flows.regime]\npreset = "none.toml"\n', "there is no such regime file"),
        ('\n[flows.regime]\npreset = "regime.toml"\n', "factors are all 0; a regime needs a month with flow"),
        (REGIME + CHANGE, "the climate table cannot be read"),
    ],
)
def test_a_regime_or_table_that_cannot_be_is_refused(valley, more, said):
    texts = {"regime.toml": f'name = "dry"\nsource = "x"\nfactors = {[0] * 12}\n'}

    with pytest.raises(SitefinderError) as caught:
        read_run(valley("wrong", more, texts=texts))

    assert said in str(caught.value)


def test_a_regime_from_a_file_is_that_of_the_settings(delivered, with_regime):
    texts = {"regime.toml": f'name = "of the valley"\nsource = "made up"\nfactors = {FACTORS}\n'}

    named = delivered('\n[flows.regime]\npreset = "regime.toml"\n', texts=texts)

    assert monthly_mwh(named["sites"]).tolist() == monthly_mwh(with_regime["sites"]).tolist()
    assert named["sites"]["month_source"].tolist() == ["regional regime (of the valley: made up)"]
