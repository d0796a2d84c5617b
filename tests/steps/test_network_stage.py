"""What the user's columns and switches say of the network, in whole runs of a valley whose streams part."""

import tomllib
from functools import cache

import geopandas
import numpy as np
import pytest
import shapely
from partial_run import tables_of
from whole_summary import summary_text

from sitefinder.errors import ConfigError, InputError
from sitefinder.preparation import read_run
from sitefinder.running import run, run_and_deliver
from sitefinder.schema import check_table
from sitefinder.settings import Settings, check_settings

pytestmark = pytest.mark.slow

# A plain of 40 rows and 102 columns of 10 m that falls to the east, 1 %, and to its middle, 2 %.
WEST, NORTH, CELL, ROWS, COLUMNS = 500_000.0, 5_000_000.0, 10.0, 40, 102
MIDDLE = NORTH - 205.0
# Metres east of the western edge and north of the middle.
STREAMS = {
    "upper": [(5, 0), (300, 0)],
    "main": [(300, 0), (650, 0)],
    "arm": [(300, 0), (380, 80), (570, 80), (650, 0)],
    "lower": [(650, 0), (1012, 0)],
}
RING = {"ring": [(700, -150), (760, -150), (730, -90), (700, -150)]}

SETTINGS = """
[run]
name = "Braided valley"
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

[inputs]
dem = {{path = "dem.tif", vertical_unit = "metre", vertical_datum = "invented", error_rmse_m = 0.1}}
streams = {{path = "streams.gpkg", id_column = "id", name_column = "name"{source}}}

[network]
{network}

[terrain]
edge_is_divide = {divide}

[flows]
equations = ["equations.toml"]
environmental = [{{kind = "share_of_mean", share = 0.1}}]

[energy]
turbines = ["{config}/turbines/generic.toml"]

[costs]
file = "{config}/costs/generic.toml"
price_per_kwh = 0.3
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
predictors = [{{name = "area", unit = "km2", coefficient = 1.0, minimum = 0.0001, maximum = 1000.0}}]
"""
    for statistic, factor in (("mean", 0.01), ("exceedance_10", 0.02), ("exceedance_90", 0.001))
)


@pytest.fixture
def sample_settings(repository):
    """The sample's settings as read."""
    return tomllib.loads((repository / "config" / "sample.toml").read_text(encoding="utf-8"))


def drawn(streams):
    place = [shapely.LineString(np.array(vertices) + [WEST, MIDDLE]) for vertices in streams.values()]
    columns = {"id": list(streams), "name": "", "rank": 0, "kind": "river", "outside_km2": np.nan, "part": np.nan}
    return geopandas.GeoDataFrame(columns, geometry=place, crs="EPSG:32633")


@pytest.fixture(scope="module")
def valley(tmp_path_factory, write_region, repository):
    """A function that writes the valley with streams and settings, and gives the settings file."""

    def written(frame, network="", source="", divide="true"):
        folder = tmp_path_factory.mktemp("braided")
        columns, rows = np.meshgrid(np.arange(COLUMNS), np.arange(ROWS))
        elevation = 200.0 - 0.01 * CELL * columns + 0.02 * CELL * abs(rows - 20)
        settings = SETTINGS.format(
            config=(repository / "config").as_posix(), network=network, source=source, divide=divide
        )
        write_region(
            folder, elevation, (WEST, NORTH), CELL, {}, {"run.toml": settings, "equations.toml": EQUATIONS}
        )
        frame.to_file(folder / "streams.gpkg", driver="GPKG")
        return folder / "run.toml"

    return written


@pytest.fixture(scope="module")
def plain(valley):
    """Reaches of the valley as it is; the arm is the longer way, the user says that it is the side arm."""
    return reaches_of(valley(by_rank(), 'main_path = "column"\nmain_path_column = "rank"'))


@cache
def by_rank():
    frame = drawn(STREAMS)
    frame["rank"] = [1, 1, 0, 1]
    return frame


def reaches_of(path, **options):
    return tables_of(path, "reaches", **options)["reaches"].set_index("feature_id")


def repairs_of(path):
    return tables_of(path, "repairs")["repairs"]


def area(reaches, feature):
    """Catchment at the lower end of a feature [km²]."""
    return reaches.loc[[feature], "area_km2"].iloc[-1]


def test_water_follows_the_main_arm_that_the_column_gives_unless_a_share_is_stated(plain):
    own = area(plain, "arm")

    # All of the plain drains to the outlet once; the arm has only its own ground.
    assert area(plain, "lower") == pytest.approx(ROWS * COLUMNS * 1e-4)
    assert area(plain, "main") > area(plain, "upper") > own > 0


@pytest.mark.parametrize("said", ["divergence_share = 0.25", 'divergence_share_column = "part"'])
def test_a_side_arm_takes_the_stated_share_and_the_main_arm_loses_it(plain, valley, said):
    frame = by_rank().assign(part=[np.nan, np.nan, 0.25, np.nan])

    shared = reaches_of(valley(frame, f'main_path = "column"\nmain_path_column = "rank"\n{said}'))

    taken = 0.25 * area(plain, "upper")
    assert area(shared, "upper") == area(plain, "upper")
    assert area(shared, "arm") == pytest.approx(area(plain, "arm") + taken)
    assert area(shared, "main") == pytest.approx(area(plain, "main") - taken)
    assert area(shared, "lower") == pytest.approx(area(plain, "lower"))


def test_a_column_whose_smallest_number_wins_swaps_the_arms(valley):
    settings = 'main_path = "column"\nmain_path_column = "rank"\nmain_path_column_wins = "minimum"'

    notes = repairs_of(valley(by_rank(), settings)).query("problem == 'side arm of a divergence'")

    assert notes["feature"].tolist() == ["main"]


def test_a_canal_is_the_side_arm_though_it_is_longer(valley):
    frame = drawn(STREAMS).assign(kind=["river", "river", "ditch", "river"])

    path = valley(frame, 'canal_column = "kind"\ncanal_values = ["ditch"]')
    notes = repairs_of(path).query("problem == 'side arm of a divergence'")

    assert notes["feature"].tolist() == ["arm"]


def test_reaches_state_magnitude_main_stem_and_length_upstream(plain):
    last = plain.loc[["lower"]].iloc[-1]

    assert plain["shreve"].eq(1).all()
    assert plain["order_strahler"].eq(1).all()
    assert not plain.loc[["arm"], "main_stem"].any()
    assert plain.loc[["upper", "main", "lower"], "main_stem"].all()
    drawn_m = shapely.length(drawn(STREAMS).geometry.to_numpy()).sum()
    assert last["upstream_length_km"] == pytest.approx(drawn_m / 1000.0)


def test_a_ring_without_an_outlet_is_kept_as_unknown_and_the_rest_runs(valley, plain):
    frame = drawn(STREAMS | RING).assign(rank=[1, 1, 0, 1, 0])

    path = valley(frame, 'main_path = "column"\nmain_path_column = "rank"\nreach_length_m = 100.0')
    tables = tables_of(path, "reaches", "screening_cascade", "repairs")

    table = tables["reaches"]
    check_table(table, "reaches")
    ring = table[table["feature_id"] == "ring"]
    assert ring["length_m"].sum() == pytest.approx(60 + 2 * np.hypot(30, 60))
    assert len(ring) == 2
    assert ring["verdict"].eq("unknown").all()
    assert ring["flags"].eq("network_unresolved").all()
    assert ring["rejection_reason"].eq("network unresolved").all()
    assert ring[["head_m", "area_km2", "flow_mean_m3s", "order_strahler", "theoretical_kw"]].isna().all(axis=None)
    rest = table[table["feature_id"] != "ring"].set_index("feature_id")
    assert area(rest, "lower") == area(plain, "lower")
    assert not rest["verdict"].eq("unknown").any()
    # In the screening cascade it is measured by length alone, and the first thing to go.
    steps = tables["screening_cascade"].set_index("kind")
    assert steps.loc["network unresolved", ["excluded_reaches", "excluded_mw"]].tolist() == [2, 0.0]
    assert steps.loc["network unresolved", "excluded_km"] == pytest.approx(ring["length_m"].sum() / 1000)
    assert steps.loc["no flow estimate", "excluded_reaches"] == 0
    notes = tables["repairs"].query("feature == 'ring'")
    assert notes[["kind", "problem", "action"]].to_numpy().tolist() == [
        ["network", "flows in a circle without a way out", "set aside as unknown, without area and flow"]
    ]


def test_a_strict_run_stops_at_what_cannot_be_resolved_and_delivers_nothing(valley):
    path = valley(drawn(STREAMS | RING))

    with pytest.raises(InputError, match="a part of the stream network cannot be resolved") as caught:
        run_and_deliver(path, strict=True)

    assert str(caught.value) == (
        "a part of the stream network cannot be resolved\n"
        "  file:      streams.gpkg\n"
        "  expected:  streams that lead to an outlet and fall on the whole\n"
        "  found:     flows in a circle without a way out: ring\n"
        "  fix:       mend these features, or run without --strict: they are then set aside as unknown"
    )
    assert not (path.parent / "out" / "sites.gpkg").exists()


def test_a_strict_run_of_a_sound_network_is_the_same_run(valley, plain):
    path = valley(by_rank(), 'main_path = "column"\nmain_path_column = "rank"')

    assert reaches_of(path, strict=True).equals(plain)


def test_the_summary_counts_repairs_by_problem_in_one_line(valley):
    delivered = run(valley(drawn(STREAMS | RING)))

    text = summary_text(delivered.handover.title, delivered.tables)

    expected = "flows in a circle without a way out (1), side arm of a divergence (1)."
    assert f"Repairs and doubts in the inputs (layer repairs): {expected}" in text.replace("\n", " ")


def test_a_stated_inflow_adds_to_the_area_and_its_edge_makes_no_catchment_incomplete(valley):
    frame = drawn({"river": [(-200, 0), (1012, 0)], "brook": [(400, 200), (400, 0)]})
    # Ground that falls away from all edges but the west, where the river comes in, and the north.
    without = tables_of(valley(frame, divide="false"), "reaches", "screening_cascade")
    bare = without["reaches"]
    frame = frame.assign(outside_km2=[12.5, np.nan])
    path = valley(frame, source=', inflow_area_column = "outside_km2"', divide="false")
    stated = tables_of(path, "reaches")["reaches"]

    on_river = (bare["feature_id"] == "river").to_numpy()
    difference = stated["area_km2"] - bare["area_km2"]
    assert difference[on_river].to_numpy() == pytest.approx(12.5)
    assert (difference[~on_river] == 0).all()
    assert bare["flags"].str.contains("catchment_incomplete").all()
    steps = without["screening_cascade"].set_index("kind")
    unresolved = bare["flags"].str.contains("head_unresolved").sum()
    assert steps.loc["catchment incomplete", "excluded_reaches"] == len(bare) - unresolved > 0
    assert steps.loc["catchment incomplete", "remaining_reaches"] == steps.loc["open", "remaining_reaches"] == 0
    entry = stated[on_river].iloc[0]
    assert entry["to_m"] > 200
    assert "catchment_incomplete" not in entry["flags"]


def test_an_inflow_on_a_line_that_begins_no_stream_is_left_out_and_listed(valley):
    frame = drawn(STREAMS).assign(outside_km2=[np.nan, np.nan, np.nan, 12.5])

    tables = tables_of(valley(frame, source=', inflow_area_column = "outside_km2"'), "reaches", "repairs")

    notes = tables["repairs"].query("feature == 'lower'")
    assert notes[["problem", "action"]].to_numpy().tolist() == [
        ["states an inflow, but begins no stream", "inflow left out"]
    ]
    assert tables["reaches"]["area_km2"].max() < 1.0


def test_columns_that_are_missing_or_hold_nonsense_are_reported_together(valley):
    frame = drawn(STREAMS).assign(rank=["1", "two", "3", None], outside_km2=[-1.0, np.nan, 3.0, -2.0])
    network = 'main_path = "column"\nmain_path_column = "rank"\ncanal_column = "kindd"\ncanal_values = [1]'

    with pytest.raises(InputError, match="the streams layer: 3 problems") as caught:
        read_run(valley(frame, network, ', inflow_area_column = "outside_km2"'))

    assert str(caught.value) == (
        "the streams layer: 3 problems\n"
        "  the streams layer's column outside_km2 holds what it cannot hold\n"
        "    file:      streams.gpkg\n"
        "    expected:  numbers from 0 up, or nothing, as inputs.streams.inflow_area_column names it\n"
        "    found:     -1.0 and such in 2 features: upper, lower\n"
        "    fix:       correct the values, or name another column\n"
        "  the streams layer's column rank holds what it cannot hold\n"
        "    file:      streams.gpkg\n"
        "    expected:  numbers, or nothing, as network.main_path_column names it\n"
        "    found:     'two' and such in 1 features: main\n"
        "    fix:       correct the values, or name another column\n"
        "  the streams layer has no column kindd\n"
        "    file:      streams.gpkg\n"
        "    expected:  the column that network.canal_column names\n"
        "    found:     columns id, name, rank, kind, outside_km2, part\n"
        "    fix:       did you mean kind?"
    )


@pytest.mark.parametrize(
    ("network", "found"),
    [
        ({"main_path": "column"}, 'network: main_path = "column" and main_path_column belong together'),
        ({"main_path_column": "rank"}, 'network: main_path = "column" and main_path_column belong together'),
        ({"canal_column": "kind"}, "network: canal_column and canal_values belong together"),
        ({"divergence_share": 1.5}, "network.divergence_share: input should be less than or equal to 1"),
    ],
)
def test_settings_that_do_not_go_together_are_refused(network, found):
    with pytest.raises(ConfigError, match="network") as caught:
        check_settings({"network": network}, "run.toml")

    assert found in str(caught.value)


def test_columns_of_streams_need_streams(sample_settings):
    without = {**sample_settings, "inputs": {**sample_settings["inputs"]}}
    without["inputs"].pop("streams")
    without["network"] = {"canal_column": "kind", "canal_values": ["canal"]}

    with pytest.raises(ConfigError, match=r"has a column of the streams, but there is no inputs\.streams"):
        check_settings(without, "run.toml")
    assert isinstance(check_settings(sample_settings, "run.toml"), Settings)
