"""Several inventories of weirs and drops: which records are one structure, and what is taken of each.

The stream, the inventories and all figures are made for these tests.
"""

from itertools import pairwise, permutations
from types import SimpleNamespace

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.errors import InputError
from sitefinder.settings import StructureSource
from sitefinder.siting.inventories import (
    _absent_words,
    _plain,
    _Way,
    inventory_of,
    joined_inventories,
    merge_structures,
)
from sitefinder.siting.structures import judge_structures, locate_structures, stated_removed, validate_structures

# The Aune runs east along y = 0 from x = 0, and on below the Beck, which joins it from the north at x = 1000.
SEGMENT_M, JOINS_AT_M = 50.0, 1000.0


def _link(start, end, link):
    length_m = np.hypot(end[0] - start[0], end[1] - start[1])
    count = round(length_m / SEGMENT_M)
    at = [shapely.Point(np.array(start) + (np.array(end) - np.array(start)) * k / count) for k in range(count + 1)]
    lines = [shapely.LineString([a, b]) for a, b in pairwise(at)]
    return [(link, 0.0, None), *((link, SEGMENT_M, line) for line in lines)]


def _network():
    links = [
        _link((0, 0), (JOINS_AT_M, 0), 0),
        _link((JOINS_AT_M, 400), (JOINS_AT_M, 0), 1),
        _link((JOINS_AT_M, 0), (2000, 0), 2),
    ]
    rows = [row for link in links for row in link]
    stations = pd.DataFrame(rows, columns=["link", "segment_length_m", "geometry"])
    below = np.arange(1, len(rows) + 1)
    first_below = len(links[0]) + len(links[1])
    below[len(links[0]) - 1] = below[first_below - 1] = first_below
    below[-1] = -1
    stations["downstream"] = below
    segments = stations.reset_index(names="station").dropna(subset="geometry").reset_index(drop=True)
    return stations.drop(columns="geometry"), segments[["station", "geometry"]]


STATIONS, SEGMENTS = _network()
NAMES = np.array(["Aune", "Beck", "Aune"], dtype=object)


def layer(*places, **columns):
    """A layer as read, its ids 1, 2, …"""
    frame = {"feature_id": [str(number) for number in range(1, len(places) + 1)], **columns}
    return geopandas.GeoDataFrame(frame, geometry=[shapely.Point(place) for place in places], crs="EPSG:32633")


def source(**settings):
    return StructureSource(path="weirs.gpkg", **settings)


def merged(inventories, names=NAMES, distance_m=100.0, drop_tolerance_m=0.3, snap_m=60.0):
    """Structures and repairs from inventories by name, each a layer and its source, in order of priority."""
    frames = [
        inventory_of(frame, own, name, is_first=name == "structures")[0]
        for name, (frame, own) in inventories.items()
    ]
    frame = joined_inventories(frames)
    validate_structures(frame)
    located = locate_structures(frame, SEGMENTS, snap_m)
    found = merge_structures(
        located, frame, STATIONS, names, distance_m=distance_m, drop_tolerance_m=drop_tolerance_m
    )
    return judge_structures(found.table), found.repairs


def test_one_weir_in_three_inventories_up_to_three_hundred_metres_apart_is_one_barrier_with_its_sources():
    inventories = {
        "structures": (layer((300, 5), kind=["weir"], drop_m=[2.0]), source()),
        "region": (layer((350, -8)), source()),
        "state": (layer((595, 40)), source(position_error_m=300.0)),
    }

    table, repairs = merged(inventories)

    assert table["structure_id"].tolist() == ["1"]
    assert table["sources"].tolist() == ["structures:1; region:1; state:1"]
    assert table["is_barrier"].tolist() == [True]
    assert table["drop_m"].tolist() == [2.0]
    # The place is that of the first.
    assert table["geometry"].tolist() == [shapely.Point(300, 5)]
    assert repairs == []


@pytest.mark.parametrize(
    ("x_m", "setting", "error_m", "structures"),
    [
        (400, 100.0, None, 1),
        (401, 100.0, None, 2),
        (401, 101.0, None, 1),
        (401, 0.0, 101.0, 1),
        (402, 0.0, 101.0, 2),
        (300, 0.0, None, 1),
    ],
)
def test_the_distance_is_that_of_the_settings_or_what_the_error_of_the_positions_allows(
    x_m, setting, error_m, structures
):
    inventories = {
        "structures": (layer((300, 0)), source()),
        "state": (layer((x_m, 0)), source(position_error_m=error_m)),
    }

    assert len(merged(inventories, distance_m=setting)[0]) == structures


def test_points_at_one_place_of_the_stream_are_two_where_they_are_far_apart_across_it():
    def across(y_m):
        # The third is less exact, and far from both.
        others = {"region": (layer((1800, 0)), source(position_error_m=200.0))}
        return {"structures": (layer((300, y_m)), source()), "state": (layer((300, -y_m)), source())} | others

    assert len(merged(across(50))[0]) == 2
    assert len(merged(across(51))[0]) == 3


def test_the_errors_of_both_inventories_add_up():
    inventories = {
        "structures": (layer((300, 0)), source(position_error_m=80.0)),
        "state": (layer((450, 0)), source(position_error_m=70.0)),
    }
    nearer = inventories | {"state": (layer((450, 0)), source(position_error_m=69.0))}

    assert len(merged(inventories)[0]) == 1
    assert len(merged(nearer)[0]) == 2


def test_a_point_far_from_its_stream_is_looked_for_as_far_as_its_stated_error():
    inventories = {"structures": (layer((300, 150)), source(position_error_m=200.0))}
    exact = {"structures": (layer((300, 150)), source())}

    assert merged(inventories)[0]["station"].item() >= 0
    table = merged(exact)[0]
    assert (table["station"].item(), table["note"].item()) == (-1, "no stream within 60 m")


def test_two_weirs_of_one_inventory_stay_two_however_near_and_each_takes_the_nearest_of_another():
    inventories = {
        "structures": (layer((300, 0), (380, 0)), source()),
        "state": (layer((310, 0), (365, 0)), source()),
    }

    table, repairs = merged(inventories)

    assert table["sources"].tolist() == ["structures:1; state:1", "structures:2; state:2"]
    assert repairs == []


def test_an_inventory_without_duplicates_never_joins_its_own_and_one_with_them_does():
    places = (300, 0), (310, 0), (900, 0)
    once, often = (
        merged({"structures": (layer(*places), source(holds_duplicates=holds))})[0] for holds in (False, True)
    )

    assert once["sources"].tolist() == ["structures:1", "structures:2", "structures:3"]
    assert often["sources"].tolist() == ["structures:1; structures:2", "structures:3"]


def test_no_chain_of_near_records_joins_what_is_far_apart():
    inventories = {
        "structures": (layer((300, 0)), source()),
        "region": (layer((380, 0)), source()),
        "state": (layer((450, 0)), source()),
    }

    table, repairs = merged(inventories)

    # Of the middle one's two neighbours the nearer is taken; 150 m are no 100.
    assert table["sources"].tolist() == ["structures:1", "region:1; state:1"]
    [row] = repairs
    assert row == (
        "structures",
        "1",
        "possible duplicate, not merged: region 1, 80 m away; a nearer one was merged",
        "both are kept",
    )


def test_a_weir_is_not_joined_across_a_confluence_with_one_on_another_stream_but_on_its_own():
    inventories = {
        "structures": (layer((980, 0)), source()),
        "region": (layer((1000, 25)), source()),
        "state": (layer((1040, 0)), source()),
    }

    table, repairs = merged(inventories)

    assert table["sources"].tolist() == ["structures:1; state:1", "region:1"]
    assert [row[2] for row in repairs] == [
        "possible duplicate, not merged: region 1, 32 m away; on another stream, or too far along it",
        "possible duplicate, not merged: region 1, 47 m away; on another stream, or too far along it",
    ]


def test_where_no_name_says_which_stream_goes_on_at_a_confluence_nothing_is_joined_across_it():
    inventories = {"structures": (layer((980, 0)), source()), "state": (layer((1040, 0)), source())}

    assert len(merged(inventories)[0]) == 1
    table, repairs = merged(inventories, names=np.array(["", "", ""], dtype=object))
    assert len(table) == 2
    assert len(repairs) == 1


def test_a_record_at_no_stream_is_kept_and_listed():
    inventories = {"structures": (layer((300, 0)), source()), "state": (layer((300, 90)), source())}

    table, repairs = merged(inventories)

    assert table["is_barrier"].tolist() == [True, False]
    assert [row[2] for row in repairs] == [
        "possible duplicate, not merged: state 1, 90 m away; no stream is near one of them"
    ]


@pytest.mark.parametrize(
    ("kind", "other", "structures", "repairs"),
    [
        ("weir", "sill", 1, 1),
        ("weir", "", 1, 0),
        ("weir", "unknown", 1, 0),
        ("bridge", "Culvert", 1, 1),
        # A bridge beside a weir is another thing for certain; a fall may be a weir that somebody took for one.
        ("weir", "bridge", 2, 0),
        ("weir", "fall", 2, 1),
        ("Weir ", "weir", 1, 0),
    ],
)
def test_kinds_that_exclude_each_other_are_two_structures(kind, other, structures, repairs):
    inventories = {
        "structures": (layer((300, 0), kind=[kind]), source()),
        "state": (layer((310, 0), kind=[other]), source()),
    }

    table, found = merged(inventories)

    assert (len(table), len(found)) == (structures, repairs)


def test_statements_are_taken_in_order_of_priority_and_what_differs_is_listed():
    inventories = {
        "structures": (
            layer((300, 0), kind=["weir"], use=[None], owner=["unknown"], drop_m=[2.0], drop_error_m=[0.1]),
            source(),
        ),
        "region": (
            layer(
                (310, 0), kind=["dam"], use=["mill"], owner=["A. Miller"], condition=["good"], drop_m=[3.1]
            ).assign(fish_pass=["yes"]),
            source(),
        ),
        "state": (layer((320, 0), use=["MILL "], condition=["poor"], fish_pass=["no"], drop_m=[2.2]), source()),
    }

    table, repairs = merged(inventories)

    [row] = table.to_dict("records")
    taken = {
        name: row[name] for name in ("kind", "use", "owner", "condition", "fish_pass", "drop_m", "drop_error_m")
    }
    assert taken == {
        "kind": "weir",
        "use": "mill",
        "owner": "A. Miller",
        "condition": "good",
        "fish_pass": True,
        "drop_m": 2.0,
        "drop_error_m": 0.1,
    }
    assert [(problem, action) for _, _, problem, action in repairs] == [
        ("inventories differ in kind: weir in structures 1, dam in region 1", "weir is taken, by priority"),
        ("inventories differ in condition: good in region 1, poor in state 1", "good is taken, by priority"),
        ("inventories differ in fish pass: yes in region 1, no in state 1", "yes is taken, by priority"),
        ("inventories differ in drop: 2 m in structures 1, 3.1 m in region 1", "2 m is taken, by priority"),
    ]
    assert row["note"] == "inventories differ in kind, condition, fish pass, drop"


@pytest.mark.parametrize(
    ("other_m", "error_m", "tolerance_m", "differs"),
    [(2.3, None, 0.3, False), (2.31, None, 0.3, True), (2.31, 0.2, 0.3, False), (1.6, 0.2, 0.3, True)]
    + [(2.01, None, 0.0, True), (2.0, None, 0.0, False)],
)
def test_drops_differ_beyond_the_tolerance_and_their_stated_errors(other_m, error_m, tolerance_m, differs):
    inventories = {
        "structures": (layer((300, 0), drop_m=[2.0]), source()),
        "state": (layer((310, 0), drop_m=[other_m], drop_error_m=[error_m]), source()),
    }

    assert bool(merged(inventories, drop_tolerance_m=tolerance_m)[1]) == differs


def test_a_height_of_zero_is_missing_where_the_inventory_says_so_and_the_next_one_is_asked():
    zero = layer((300, 0), (700, 0), height=[0, 1.5])
    state = layer((310, 0), drop_m=[2.5])
    means_missing, is_a_drop = (
        {
            "structures": (zero, source(columns={"drop_m": "height"}, zero_height_is_missing=missing)),
            "state": (state, source()),
        }
        for missing in (True, False)
    )

    assert merged(means_missing)[0]["drop_m"].tolist() == [2.5, 1.5]
    assert merged(means_missing)[1] == []
    table, repairs = merged(is_a_drop)
    assert table["drop_m"].tolist() == [0.0, 1.5]
    assert [row[2] for row in repairs] == ["inventories differ in drop: 0 m in structures 1, 2.5 m in state 1"]
    notes = inventory_of(*means_missing["structures"], "structures", is_first=True)[1]
    assert notes == [("height 0: 1 of 2 structures", "taken as not known")]


def test_heights_in_centimetres_and_words_of_another_language_become_the_programs():
    own = source(
        columns={"drop_m": "Hoehe_cm", "kind": "Typ", "fish_pass": "FAH"},
        kinds={"Durchlass": "culvert", "Wehr": "weir"},
        drop_scale=0.01,
    )
    frame = layer((300, 0), (700, 0), (900, 0), Hoehe_cm=[180, None, 40], Typ=["WEHR", "durchlass", "Rampe"])
    frame["FAH"] = [1, 0, None]

    table = merged({"structures": (frame, own)})[0]

    assert table["drop_m"].tolist() == pytest.approx([1.8, np.nan, 0.4], nan_ok=True)
    assert table["kind"].tolist() == ["weir", "culvert", "Rampe"]
    assert table["is_barrier"].tolist() == [True, False, True]
    assert table["fish_pass"].tolist() == [True, False, False]


STATUS = {
    "status_column": "state",
    "removed_values": ["demolished", 9],
    "removal_planned_values": ["to be removed"],
}


def test_a_removed_weir_is_no_barrier_and_has_no_drop_but_is_shown_and_a_planned_one_has_a_note():
    frame = layer((100, 0), (300, 0), (500, 0), (700, 0), state=["Demolished", "9", "to be removed", "fine"])
    frame = frame.assign(drop_m=2.0, powered=True, fish_pass=True, passable="yes")
    frame.loc[[2, 3], "powered"] = False

    table = merged({"structures": (frame, source(**STATUS))})[0]

    assert table["removed"].tolist() == [True, True, False, False]
    assert table["removal_planned"].tolist() == [False, False, True, False]
    assert table["is_barrier"].tolist() == [False, False, False, True]
    assert table["drop_m"].tolist() == pytest.approx([np.nan, np.nan, 2.0, 2.0], nan_ok=True)
    assert table["powered"].tolist() == table["removed"].tolist()[2:] * 2 == [False] * 4
    assert table["passable"].tolist() == ["", "", "yes", "yes"]
    assert (table["station"] >= 0).all()
    assert table["note"].tolist() == [
        *["removed: no barrier and no head are left"] * 2,
        "removal is planned: its head will go",
        "",
    ]
    assert stated_removed(inventory_of(frame, source(**STATUS), "structures", is_first=True)[0]).tolist() == [
        True,
        True,
        False,
        False,
    ]


def test_the_status_of_the_first_inventory_that_states_one_counts():
    def both(first, second):
        inventories = {
            "structures": (layer((300, 0), drop_m=[2.0], state=[first]), source(**STATUS)),
            "state": (layer((310, 0), drop_m=[9.0], state=[second]), source(**STATUS)),
        }
        table, repairs = merged(inventories)
        return table["removed"].item(), table["is_barrier"].item(), [row[2] for row in repairs]

    assert both("demolished", "") == (True, False, [])
    assert both("", "demolished") == (True, False, [])
    differs = "inventories differ in status: "
    assert both("demolished", "in use") == (
        True,
        False,
        [differs + "removed in structures 1, in place in state 1"],
    )
    # What is gone has no drop to compare.
    assert both("in use", "demolished") == (
        False,
        True,
        [differs + "in place in structures 1, removed in state 1"],
    )


def test_that_no_removal_is_planned_does_not_say_that_a_weir_is_still_there():
    def both(planned):
        inventories = {
            "structures": (layer((300, 0), removal_planned=["no"]), source()),
            "state": (layer((310, 0), state=["demolished"], removal_planned=[planned]), source(**STATUS)),
        }
        table, repairs = merged(inventories)
        return table["removed"].item(), len(repairs)

    assert both("yes") == both(None) == (True, 0)


def test_a_planned_removal_that_one_inventory_does_not_know_of_is_taken_and_one_that_it_denies_is_listed():
    def both(planned):
        inventories = {
            "structures": (layer((300, 0), removal_planned=[planned]), source()),
            "state": (layer((310, 0), state=["to be removed"]), source(**STATUS)),
        }
        table, repairs = merged(inventories)
        return table["removal_planned"].item(), [row[2] for row in repairs]

    assert both(None) == (True, [])
    differs = "inventories differ in status: no removal planned in structures 1, removal planned in state 1"
    assert both("no") == (False, [differs])


def test_a_status_without_a_value_for_plans_does_not_deny_one():
    only_gone = {"status_column": "state", "removed_values": ["demolished"]}
    inventories = {
        "structures": (layer((300, 0), state=["fine"]), source(**only_gone)),
        "state": (layer((310, 0), state=["to be removed"]), source(**STATUS)),
    }

    table, repairs = merged(inventories)

    assert table["removal_planned"].tolist() == [True]
    assert repairs == []


def test_an_inventory_without_status_says_nothing_against_one_that_has_a_weir_removed():
    inventories = {
        "structures": (layer((300, 0), drop_m=[2.0]), source()),
        "state": (layer((310, 0), state=["demolished"]), source(**STATUS)),
    }

    table, repairs = merged(inventories)

    assert table["removed"].tolist() == [True]
    assert np.isnan(table["drop_m"].item())
    assert repairs == []


def test_the_order_of_inventories_changes_what_is_taken_and_not_what_is_joined():
    own = {
        "structures": (layer((300, 0), (380, 0), (980, 0), drop_m=[1.0, 1.1, 1.2]), source()),
        "region": (layer((345, 0), (1040, 0), (1000, 60), drop_m=[2.0, 2.1, 2.2]), source(position_error_m=90.0)),
        "state": (layer((370, 20), (330, 0), (1500, 0), drop_m=[3.0, 3.1, 3.2]), source()),
    }
    joined, drops = set(), {}
    for order in permutations(own):
        table, _ = merged({name: own[name] for name in order})
        joined.add(frozenset(frozenset(sources.split("; ")) for sources in table["sources"]))
        drops[order[0]] = sorted(table["drop_m"])

    assert len(joined) == 1
    assert max(len(sources) for sources in next(iter(joined))) == 3
    assert len({tuple(values) for values in drops.values()}) == 3


def test_ids_of_the_first_inventory_stay_and_those_of_others_begin_with_their_name():
    inventories = {
        "state": (layer((300, 0), (700, 0)), source()),
        "structures": (layer((310, 0), (900, 0)), source()),
    }

    assert merged(inventories)[0]["structure_id"].tolist() == ["state:1", "state:2", "2"]


def test_a_column_that_the_settings_name_and_the_layer_lacks_is_refused_with_all_others():
    wrong = source(columns={"drop_m": "HEIGHT"}, status_column="state", removed_values=["gone"])

    with pytest.raises(InputError) as refused:
        inventory_of(layer((300, 0), Height=[1.0]), wrong, "state", is_first=False)

    text = str(refused.value)
    assert "the layer state: 2 problems" in text
    assert "no column HEIGHT" in text
    assert "expected:  the column that columns.drop_m names" in text
    assert "no column state" in text


def test_a_status_that_no_row_holds_is_listed_since_another_edition_may_hold_it():
    frame = layer((300, 0), state=["demolisched"])

    _, notes = inventory_of(frame, source(**STATUS | {"removal_planned_values": []}), "structures", is_first=True)

    assert notes == [
        ("removed_values: no status is 9", "nothing is taken for it; is it misspelt?"),
        ("removed_values: no status is demolished", "nothing is taken for it; is it misspelt?"),
    ]


def test_problems_of_several_inventories_are_reported_together():
    inventories = {
        "structures": (layer((300, 0), drop_m=[-1.0]), source()),
        "state": (layer((310, 0), drop_m=["two"]), source()),
    }

    with pytest.raises(InputError, match=r"(?s)structures: drop_m must be .*state: drop_m must be"):
        merged(inventories)


def test_layers_are_not_altered():
    frame = layer((300, 0), drop_m=[0.0], kind=["Wehr"], state=["demolished"])
    before = frame.copy()
    own = source(kinds={"Wehr": "weir"}, zero_height_is_missing=True, **STATUS)

    merged({"structures": (frame, own), "state": (frame, own)})

    assert frame.equals(before)


@pytest.mark.parametrize(
    ("name", "value", "compared"),
    [("use", "Unused", "none"), ("use", "no", "none"), ("use", "Mill", "mill"), ("material", "no", "no")],
)
def test_all_words_for_no_use_are_compared_as_one(name, value, compared):
    assert _plain(name, value) == compared


@pytest.mark.parametrize("scale", [0.01, 1.0, 1.1])
def test_drops_and_their_errors_are_scaled_as_the_settings_say(scale):
    frame = layer((300, 0), (700, 0), drop_m=[180, None], drop_error_m=[20, 10])

    own, _ = inventory_of(frame, source(drop_scale=scale), "structures", is_first=True)

    assert own["drop_m"].astype(float).tolist() == pytest.approx([180 * scale, np.nan], nan_ok=True)
    assert own["drop_error_m"].astype(float).tolist() == pytest.approx([20 * scale, 10 * scale])


def test_kinds_of_the_settings_need_no_column_of_kinds():
    own, notes = inventory_of(layer((300, 0)), source(kinds={"Wehr": "weir"}), "structures", is_first=True)

    assert "kind" not in own
    assert notes == []


def test_words_that_no_row_holds_are_listed_and_those_that_one_holds_are_not():
    words = pd.Series(["weir", "sill", ""])

    assert _absent_words({"sill", "ramp", "dam"}, words, "kinds", "kind") == [
        ("kinds: no kind is dam", "nothing is taken for it; is it misspelt?"),
        ("kinds: no kind is ramp", "nothing is taken for it; is it misspelt?"),
    ]


def test_a_column_that_one_inventory_lacks_keeps_its_values_and_has_gaps_and_rows_are_numbered_through():
    first = inventory_of(layer((300, 0), (700, 0), fish_pass=[1, 0]), source(), "structures", is_first=True)[0]
    other = inventory_of(layer((310, 0), kind=["weir"]), source(), "state", is_first=False)[0]

    joined = joined_inventories([first, other])

    assert repr(joined["fish_pass"].tolist()) == "[1, 0, None]"
    assert repr(joined["kind"].tolist()) == "[None, None, 'weir']"
    assert "drop_m" not in joined
    assert joined.index.tolist() == [0, 1, 2]
    assert joined["feature_id"].tolist() == ["1", "2", "state:1"]


def test_a_merged_table_has_the_columns_of_the_records_and_a_note():
    inventories = {"structures": (layer((300, 0)), source()), "state": (layer((310, 0)), source())}
    frames = [inventory_of(*each, name, is_first=name == "structures")[0] for name, each in inventories.items()]
    frame = joined_inventories(frames)
    located = locate_structures(frame, SEGMENTS, 60.0)

    table = merge_structures(located, frame, STATIONS, NAMES, distance_m=100.0, drop_tolerance_m=0.3).table

    assert table.columns.tolist() == [*located.columns, "note"]
    assert table.index.tolist() == [0]


# A segment of 50 m ends at each station but the first of a link; a record stands at a share of it from above.
@pytest.mark.parametrize(
    ("upper", "lower", "within_m", "along_m", "because"),
    [
        ((5, 0.25), (5, 0.75), 25.0, 25.0, ""),
        ((5, 0.25), (5, 0.75), 24.9, 25.0, "too far along the stream"),
        # 37.5 m to the end of its segment, all of those between, and 25 m of the last.
        ((5, 0.25), (6, 0.5), 62.5, 62.5, ""),
        ((5, 0.25), (6, 0.5), 62.4, 62.5, "too far along the stream"),
        ((5, 0.25), (8, 0.5), 162.5, 162.5, ""),
        ((5, 0.25), (6, 0.0), 37.5, 37.5, ""),
        ((5, 0.25), (6, 0.0), 37.4, np.inf, "on another stream, or too far along it"),
        # Through the confluence, where a station follows that has no length, and not from the Beck into the Aune.
        ((20, 0.5), (31, 0.25), 37.5, 37.5, ""),
        ((29, 0.5), (31, 0.25), 900.0, np.inf, "on another stream, or too far along it"),
        ((-1, 0.0), (5, 0.2), 900.0, np.inf, "no stream is near one of them"),
    ],
)
def test_the_way_along_the_stream_leads_from_the_upper_record_down_to_the_lower(
    upper, lower, within_m, along_m, because
):
    for both in ((upper, lower), (lower, upper)):
        station, share_above = np.array([each[0] for each in both]), np.array([each[1] for each in both])
        records = SimpleNamespace(station=station, share_above=share_above)

        found = _Way(STATIONS, NAMES).between(records, 0, 1, within_m)

        assert found == (along_m, because)


def test_a_stream_without_a_name_goes_on_where_nothing_joins():
    records = SimpleNamespace(station=np.array([5, 7]), share_above=np.array([0.25, 0.5]))

    assert _Way(STATIONS, np.full(3, "")).between(records, 0, 1, 900.0) == (37.5 + 50.0 + 25.0, "")


def test_a_second_weir_near_a_record_that_went_to_a_nearer_one_is_listed():
    inventories = {
        "structures": (layer((300, 0), (380, 0)), source()),
        "state": (layer((310, 0)), source()),
    }

    table, repairs = merged(inventories)

    assert table["sources"].tolist() == ["structures:1; state:1", "structures:2"]
    problem = "possible duplicate, not merged: structures 2, 70 m away; a nearer one was merged"
    assert repairs == [("structures", "1", problem, "both are kept")]
