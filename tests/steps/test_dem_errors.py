"""A run whose DEM was joined from surveys: each station has the error of its survey, and borders are flagged."""

from types import SimpleNamespace

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
from caught_run import caught_run
from partial_run import results_of, tables_of
from whole_summary import summary_text

from sitefinder.errors import ConfigError, InputError
from sitefinder.profile.errors import DemError
from sitefinder.running import run_and_deliver
from sitefinder.settings import DemFootprintSource
from sitefinder.steps.heads import find_dem_errors, footprint_table, greatest_rmse_m

# An even valley to the east, 9 rows and 102 columns of 10 m; stations every 50 m, reaches of some 200 m.
WEST, NORTH, CELL, ROWS, COLUMNS = 500_000.0, 5_000_000.0, 10.0, 9, 102
MIDDLE = NORTH - 45.0
SETTINGS = """
[run]
name = "Joined"
crs = "EPSG:32633"
output_folder = "out"

[delivery]
page = false
field_sheets = 0
district_map = false
gpx = false
csv = false
field_form = false
gis_project = false

[inputs.dem]
path = "dem.tif"
vertical_unit = "metre"
vertical_datum = "invented"
{dem}

[inputs.streams]
path = "layers.gpkg"
layer = "streams"
id_column = "id"

[inputs.districts]
path = "layers.gpkg"
layer = "districts"

{footprints}

[network]
reach_length_m = 200.0

[terrain]
edge_is_divide = true

[flows]
equations = ["equations.toml"]
environmental = [{{kind = "share_of_mean", share = 0.1}}]

[energy]
turbines = ["{config}/turbines/generic.toml"]

[costs]
file = "{config}/costs/generic.toml"
price_per_kwh = 0.3
{more}
"""
FOOTPRINTS = """
[inputs.dem_footprints]
path = "surveys.gpkg"
id_column = "survey"
error_column = "accuracy"
error_measure = "le95"
date_column = "flown"
correlation_column = "alike"
"""
EQUATIONS = """
source = "invented"
table = "invented"
flow_unit = "m3s"
gauges = 22
""" + "".join(
    f"""
[[equations]]
statistic = "{statistic}"
form = "log10"
factor = {factor}
standard_error_log10 = 0.1
predictors = [{{name = "area", unit = "km2", coefficient = 1.0, minimum = 0.0001, maximum = 1.0}}]
"""
    for statistic, factor in (("mean", 50.0), ("exceedance_10", 96.0), ("exceedance_90", 6.0))
)


def strip(from_m, to_m):
    """A footprint across the valley, between two distances from its western end."""
    return shapely.box(WEST + from_m, MIDDLE - 500, WEST + to_m, MIDDLE + 500)


# Exact and old up to 500 m, coarse and new from 310 m to 710 m, nothing beyond.
SURVEYS = geopandas.GeoDataFrame(
    {
        "survey": ["old", "new"],
        "accuracy": [0.196, 1.96],
        "flown": ["2012", "2021-05-03"],
        "kind": ["terrain", "Surface"],
        "alike": [None, 20.0],
    },
    geometry=[strip(-50, 510), strip(310, 710)],
    crs="EPSG:32633",
)


@pytest.fixture(scope="module")
def valley(tmp_path_factory, write_region, repository):
    """A function that writes the valley, with the lines that state its error, and gives its settings file."""

    def write(dem='error_preset = "preset.toml"', footprints=FOOTPRINTS, surveys=SURVEYS, more=""):
        folder = tmp_path_factory.mktemp("joined")
        columns, rows = np.meshgrid(np.arange(COLUMNS), np.arange(ROWS))
        elevation = 200.0 - 0.01 * CELL * columns + 5.0 * abs(rows - 4)
        east = WEST + COLUMNS * CELL
        layers = {
            "streams": shapely.LineString([(WEST + 3, MIDDLE), (east - 3, MIDDLE)]),
            "districts": strip(-50, 500),
        }
        config = (repository / "config").as_posix()
        text = SETTINGS.format(dem=dem, footprints=footprints, config=config, more=more)
        preset = (repository / "config" / "dem-errors" / "national-third-arc-second.toml").read_text("utf-8")
        texts = {"run.toml": text, "equations.toml": EQUATIONS, "preset.toml": preset}
        write_region(folder, elevation, (WEST, NORTH), CELL, layers, texts)
        surveys.to_file(folder / "surveys.gpkg", driver="GPKG")
        return folder / "run.toml"

    return write


@pytest.fixture(scope="module")
def joined(valley):
    return caught_run(valley(), in_memory=True)


def test_each_station_has_the_error_of_its_survey_and_beyond_all_that_of_the_preset(joined):
    _, results = joined
    errors, east_m = results["dem_errors"], results["stationing"].stations["x_m"].to_numpy() - WEST
    part = np.digitize(east_m, [310, 710])

    # LE95 of 0.196 m and 1.96 m are 0.1 m and 1 m; the preset's figures are those of its source.
    assert errors.rmse_m == pytest.approx(np.choose(part, [0.1, 1.0, 0.82]), rel=1e-4)
    assert errors.correlation_length_m.tolist() == np.choose(part, [100.0, 20.0, 100.0]).tolist()
    assert errors.is_surface.tolist() == (part == 1).tolist()


def test_heads_across_a_border_are_flagged_and_others_are_not(joined):
    delivered, results = joined
    ends_m = results["stationing"].stations["x_m"].to_numpy() - WEST
    crossed = np.flatnonzero(results["dem_errors"].across)

    assert [(ends_m[end - 1] < border < ends_m[end]) for end, border in zip(crossed, (310, 710), strict=True)] == [
        True,
        True,
    ]
    reaches = delivered.tables["reaches"]
    from_m, to_m = reaches["from_m"] + 3, reaches["to_m"] + 3
    # Reaches end at stations, and so does the segment in which a border lies.
    holds = [any(start <= border < end for border in (310, 710)) for start, end in zip(from_m, to_m, strict=True)]
    flagged = reaches["flags"].str.split("; ").map(lambda names: "dem_border" in names)
    assert 0 < sum(holds) < len(reaches)
    assert flagged.tolist() == holds


def test_a_surface_model_is_warned_about_in_flags_repairs_and_summary(joined):
    delivered, _ = joined
    reaches, repairs = delivered.tables["reaches"], delivered.tables["repairs"]
    flagged = reaches["flags"].str.split("; ").map(lambda names: "dem_surface_model" in names)
    overlap = (reaches["from_m"] + 3 < 710) & (reaches["to_m"] + 3 > 310)

    assert 0 < flagged.sum() < len(reaches)
    assert not flagged[~overlap].any()
    doubts = repairs[repairs["problem"].str.startswith("surface model")]
    assert doubts[["kind", "layer", "feature"]].to_numpy().tolist() == [["input", "dem_footprints", "new"]]
    text = " ".join(
        summary_text("Joined", delivered.tables, minimum_heads=delivered.handover.minimum_heads).split()
    )
    assert f"Warning: for {flagged.sum()} of {len(reaches)} reaches the DEM is a surface model." in text


def test_stations_in_no_footprint_or_in_several_are_reported(joined):
    delivered, results = joined
    east_m = results["stationing"].stations["x_m"].to_numpy() - WEST
    repairs = delivered.tables["repairs"].query("layer == 'dem_footprints' and feature == ''")

    outside, several = (east_m > 710).sum(), ((east_m > 310) & (east_m < 510)).sum()
    assert repairs[["problem", "action"]].to_numpy().tolist() == [
        [
            f"stations in no footprint: {outside} of {len(east_m)}",
            "they take the error of inputs.dem, 0.82 m",
        ],
        [
            f"stations in several footprints: {several} of {len(east_m)}",
            "the latest survey holds, of equal dates the most exact",
        ],
    ]


def test_preset_and_footprints_are_in_the_provenance_with_their_digests(joined):
    rows = joined[0].tables["provenance"].query("kind == 'input'").set_index("name")

    assert rows.loc["dem error preset", "value"] == "preset.toml"
    assert "0.82 m RMSE" in rows.loc["dem error preset", "source"]
    assert (rows.loc[["dem error preset", "dem_footprints"], "digest"].str.len() == 64).all()


def test_the_greatest_error_anywhere_sets_how_far_a_stream_may_climb(joined):
    results = joined[1]

    assert greatest_rmse_m(results["settings"], results["inputs"]) == pytest.approx(1.0, rel=1e-4)


def test_without_footprints_one_error_holds_for_all_and_no_border_is_flagged(valley):
    settings = valley(dem='error_le90_m = 4.0\nkind = "surface"', footprints="")

    results = results_of(settings, "dem_errors", "repairs_table", "reaches_table")

    errors = results["dem_errors"]
    assert np.unique(errors.rmse_m) == pytest.approx([4 / 1.6448536], rel=1e-7)
    assert np.unique(errors.correlation_length_m).tolist() == [100.0]
    assert errors.is_surface.all()
    assert not errors.across.any()
    repairs = results["repairs_table"]
    assert repairs.loc[repairs["layer"] == "dem", "problem"].str.startswith("surface model").tolist() == [True]
    assert results["reaches_table"]["flags"].str.contains("dem_surface_model").all()


def test_polygons_of_one_survey_have_no_border_between_them():
    polygons = [strip(-50, 310), strip(310, 2000)]
    frame = geopandas.GeoDataFrame(
        {"feature_id": ["a", "b"], "error_rmse_m": 0.3, "date": 2019, "kind": "terrain"}, geometry=polygons
    )
    stations = pd.DataFrame({"x_m": WEST + np.arange(0.0, 600.0, 50.0), "y_m": MIDDLE})
    stationing = SimpleNamespace(stations=stations, segments=pd.DataFrame({"station": np.arange(1, 12)}))
    settings = SimpleNamespace(inputs=SimpleNamespace(dem_footprints=DemFootprintSource(path="a.gpkg")))

    def across(frame):
        layers = {"dem_footprints": SimpleNamespace(frame=frame)}
        inputs = SimpleNamespace(dem_error=DemError(9.0, 100.0, False), layers=layers)
        return np.flatnonzero(find_dem_errors(settings, inputs, stationing).across).tolist()

    assert across(frame) == []
    # Another date, error or kind makes two surveys of them; the border lies in the segment from 300 m to 350 m.
    for change in ({"date": [2019, 2020]}, {"error_rmse_m": [0.3, 0.4]}, {"kind": ["terrain", "surface"]}):
        assert across(frame.assign(**change)) == [7]


@pytest.mark.parametrize(
    "dates",
    [
        ["2019", "2019-04", "2019-04-30"],
        pd.to_datetime(["2019-01-01", "2019-04-01", "2019-04-30"]),
        pd.to_datetime(["2019-01-01", "2019-04-01", "2019-04-30"], utc=True),
    ],
)
def test_dates_may_be_years_months_or_days_as_text_or_dates(dates):
    # 17 897 days from 1970 to 2019, by hand: 49 years of 365 days and 12 leap days.
    table = footprint_table(DemFootprintSource(path="a.gpkg"), surveys(date=dates))

    assert table["day"].tolist() == [17897, 17897 + 90, 17897 + 119]


def test_dates_may_be_years_as_numbers():
    table = footprint_table(DemFootprintSource(path="a.gpkg"), surveys(date=[2019, 1969, 1970.0]))

    assert table["day"].tolist() == [17897, -365, 0]


# Three footprints as read.
def surveys(**columns):
    given = {"error_rmse_m": [0.1, 0.5, 2.0], "date": ["2019"] * 3, "kind": ["terrain"] * 3} | columns
    return geopandas.GeoDataFrame({"feature_id": ["a", "b", "c"]} | given, geometry=[strip(0, 1)] * 3)


def test_every_bad_row_of_every_column_is_reported_at_once():
    frame = surveys(
        error_rmse_m=["0.1", None, "-1"], date=["04/2019", "2019-13", None], kind=["terrain", "dsm", None]
    ).assign(alike=[-5.0, np.nan, 3.0])

    with pytest.raises(InputError, match="4 problems") as caught:
        footprint_table(DemFootprintSource(path="a.gpkg", correlation_column="alike"), frame)

    text = " ".join(str(caught.value).split())
    assert text.startswith("the dem_footprints layer: 4 problems")
    for name, expected, found in (
        ("error_rmse_m", "an error above 0 [m]", "nothing and such in features b, c"),
        ("alike", "a length of 0 or more [m], or nothing", "-5.0 and such in features a"),
        ("kind", "terrain or surface", "'dsm' and such in features b, c"),
        (
            "date",
            "a year, month or day such as 2019, 2019-04 or 2019-04-30",
            "'04/2019' and such in features a, b, c",
        ),
    ):
        assert (
            f"column {name} holds what it cannot hold file: a.gpkg expected: {expected} found: {found} fix:"
            in text
        )


def test_a_column_that_is_not_there_is_reported_with_the_nearest_name():
    frame = surveys().rename(columns={"date": "dates", "kind": "type"})

    with pytest.raises(InputError, match="2 problems") as caught:
        footprint_table(DemFootprintSource(path="a.gpkg"), frame)

    text = str(caught.value)
    assert "no column date" in text
    assert "did you mean dates?" in text
    assert "correct inputs.dem_footprints.kind_column" in text


def test_problems_of_preset_and_footprints_are_reported_together_before_anything_long_begins(valley):
    path = valley(dem='error_preset = "absent.toml"', surveys=SURVEYS.assign(accuracy=-1.0))

    with pytest.raises((InputError, ConfigError), match="2 problems") as caught:
        run_and_deliver(path)

    assert "there is no such DEM error file" in str(caught.value)
    assert "features old, new" in str(caught.value)


def test_the_minimum_head_is_delivered_with_the_run_and_printed(joined):
    delivered, results = joined
    table = results["minimum_heads"]
    assert delivered.handover.minimum_heads.equals(table[delivered.handover.minimum_heads.columns])

    # The valley is 1 014 m long, and 1 500 m fit nowhere. Two of its stations follow each other after 40 m or so.
    assert table["length_m"].tolist() == [100.0, 250.0, 500.0, 1000.0]
    stations, errors_m = results["stationing"].stations, results["long_profile"].errors_m.astype(float)
    east_m = stations["x_m"].to_numpy()
    apart_m = east_m[None, :] - east_m[:, None]
    nearest = np.abs(apart_m - 500).argmin(axis=1)
    upper = np.flatnonzero(np.abs(apart_m - 500).min(axis=1) <= 125)
    se_m = np.sqrt(((errors_m[upper] - errors_m[nearest[upper]]) ** 2).mean(axis=1))
    row = results["minimum_heads"].query("length_m == 500").iloc[0]
    assert row["pairs"] == len(upper)
    assert row["min_head_m"] == pytest.approx(1.645 * np.median(se_m), rel=1e-5)
    text = " ".join(summary_text("Joined", delivered.tables, minimum_heads=table).split())
    assert "Minimum resolvable head of this DEM, median (90th percentile): " in text
    assert f"{table['min_head_m'][0]:.2g} m over 100 m" in text


DIVERSION = '\n[stretches]\nscheme_types = ["diversion"]\n'
ALLOW = '\n[ranking]\nallow = ["unresolved"]\n'


# The valley, which falls 10 m, on a DEM of 9 m error.
COARSE = {"dem": "error_le90_m = 16.0", "footprints": ""}


def test_heads_that_are_not_resolved_are_listed_and_make_no_site(valley):
    delivered, results = caught_run(valley(**COARSE, more=DIVERSION), in_memory=True)
    table, reaches, heads = results["stretches"].table, delivered.tables["reaches"], results["heads"]

    intake, tailrace = table["intake"].to_numpy(), table["tailrace"].to_numpy()
    head_m = heads.profile_m[intake] - heads.profile_m[tailrace]
    se_m = np.sqrt(((heads.errors_m[intake].astype(float) - heads.errors_m[tailrace]) ** 2).mean(axis=1))
    assert len(table) > 0
    assert table["head_unresolved"].to_numpy().all()
    assert (head_m < 1.645 * se_m).all()
    assert len(delivered.tables["sites"]) == 0
    assert reaches["flags"].str.contains("head_unresolved").all()
    assert reaches["head_m"].notna().all()
    assert (reaches["rejection_reason"] == "head unresolved").all()
    # Listed with their potential, which does not count.
    assert (reaches["theoretical_kw"] > 0).all()
    text = " ".join(summary_text("Joined", delivered.tables).split())
    assert "no losses): 0 kW, of which 0 kW on open or restricted reaches; " in text
    assert f"; {len(reaches)} reaches with an unresolved head not counted." in text
    assert (delivered.tables["districts"]["theoretical_kw"] == 0).all()


def test_heads_that_are_not_resolved_make_sites_if_the_user_allows_it(valley):
    tables = tables_of(valley(**COARSE, more=DIVERSION + ALLOW), "sites", "reaches", "districts")
    sites = tables["sites"]

    assert len(sites) > 0
    assert sites["flags"].str.contains("head_unresolved").all()
    # Each reach is rounded to whole watts.
    max_kw = 0.5e-3 * len(tables["reaches"])
    listed_kw = tables["reaches"]["theoretical_kw"].sum()
    assert tables["districts"]["theoretical_kw"].sum() == pytest.approx(listed_kw, abs=max_kw)
