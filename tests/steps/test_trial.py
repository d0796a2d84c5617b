"""A trial shows a part of a region: each reach and site in it as a run of the whole region gives it."""

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.errors import InputError
from sitefinder.io.settings_files import read_settings
from sitefinder.preparation import output_folder, store_folder
from sitefinder.rules.confidentiality import published_overrides
from sitefinder.running import run
from sitefinder.settings import Settings
from sitefinder.steps.trial import Trial, candidates_in, find_trial, places_in, things_in, upstream_of

# Layers with a row, or rows, of each reach, site or structure, and the column that says of which.
BY_KEY = {
    "reaches": "reach_id",
    "rule_hits": "reach_id",
    "reach_districts": "reach_id",
    "reach_features": "reach_id",
    "fish_reaches": "reach_id",
    "hydrokinetic": "reach_id",
    "sites": "site_id",
    "stretches": "stretch_id",
    "conduits": "site_id",
    "catchments": "site_id",
    "structures": "structure_id",
    "stretch_structures": "site_id",
    "turbine_options": "site_id",
    "site_costs": "site_id",
    "flow_curves": "site_id",
    "site_simulations": "site_id",
    "site_months": "site_id",
    "depleted_reaches": "site_id",
    "site_profiles": "site_id",
    "fish_groups": "site_id",
    "fish_sites": "site_id",
}
# What says how a site stands among all that are shown.
AMONG_ALL = ["rank", "prob_in_top_n"]
# Where the Oskery flows into the Ardelm.
MOUTH = "405949,4407704"


@pytest.fixture(scope="module")
def of_sample(sample_run, tmp_path_factory):
    """A function that gives the tables of a trial of the sample region, from what its whole run kept."""
    store = sample_run.copy_store(tmp_path_factory.mktemp("trial") / "store")

    def of(within):
        return run(read_settings(sample_run.settings, within=within), store=store)

    return of


@pytest.fixture(scope="module")
def at_mouth(of_sample):
    return of_sample(MOUTH)


def compared(whole, part, key):
    """Rows of the whole that have a key of the part, and those of the part, in one order."""
    tables = (whole[whole[key].isin(set(part[key]))], part)
    return [
        table.assign(place=table.groupby(key).cumcount())
        .sort_values([key, "place"])
        .drop(columns=[name for name in ("place", *AMONG_ALL) if name in table])
        .reset_index(drop=True)
        for table in tables
    ]


@pytest.mark.parametrize("layer", BY_KEY)
def test_each_row_of_a_trial_is_as_in_the_whole_run(sample_run, at_mouth, layer):
    whole, part = compared(sample_run.delivered.tables[layer], at_mouth.tables[layer], BY_KEY[layer])

    assert 0 < len(part) < len(sample_run.delivered.tables[layer])
    # Lengths in districts are differences of sums over all lines.
    exact = layer != "reach_districts"
    rounding = {"check_exact": True} if exact else {"rtol": 1e-10}
    pd.testing.assert_frame_equal(pd.DataFrame(part), pd.DataFrame(whole), **rounding)


def test_a_trial_shows_all_that_drains_to_its_place_and_nothing_else(sample_run, at_mouth):
    # By links of the network alone: those that end in the place, and all that lead to these.
    network, stationing = (sample_run.results[name] for name in ("network", "stationing"))
    below = network.links["downstream_link"].to_numpy()
    end = shapely.get_point(network.links["geometry"].to_numpy(), -1)
    inside = shapely.distance(end, shapely.Point(*map(float, MOUTH.split(",")))) < 2.0
    assert inside.sum() == 2
    for _ in range(len(below)):
        inside = inside | (inside[below] & (below >= 0))
    link = stationing.stations["link"].to_numpy()[stationing.reaches["last_station"].to_numpy()]
    ids = set(stationing.reaches["reach_id"][inside[link]])

    assert set(at_mouth.reaches.reach_id) == ids & set(sample_run.delivered.tables["reaches"].reach_id)


def test_a_trial_of_another_drainage_system_works_out_no_candidate_elsewhere(sample_run, of_sample, tmp_path):
    systems = sample_run.results["systems"]
    stations, reaches = (getattr(sample_run.results["stationing"], name) for name in ("stations", "reaches"))
    own = stations[systems.of_station == 0]
    lines = reaches.geometry.iloc[own.reach[own.reach >= 0].unique()]
    path = tmp_path / "catchment.gpkg"
    geopandas.GeoDataFrame(geometry=shapely.buffer(lines, 5.0), crs="EPSG:32633").to_crs(4326).to_file(path)

    part = of_sample(str(path))

    intake = part._results["stretches"].table["intake"].to_numpy()
    assert (systems.of_station[intake] == 0).all()
    delivered = set(sample_run.delivered.tables["reaches"].reach_id)
    assert set(part.reaches.reach_id) == set(reaches.reach_id[lines.index]) & delivered
    whole, rows = compared(sample_run.delivered.tables["reaches"], part.reaches, "reach_id")
    pd.testing.assert_frame_equal(pd.DataFrame(rows), pd.DataFrame(whole), check_exact=True)


def test_a_trial_names_itself_and_goes_into_a_folder_of_its_own(sample_run):
    whole, part = read_settings(sample_run.settings), read_settings(sample_run.settings, within=MOUTH)

    assert part.run.name == f"{whole.run.name} (trial)"
    assert output_folder(part) == output_folder(whole).with_name("out-trial")
    assert store_folder(part) == store_folder(whole)


def test_provenance_says_what_the_command_line_changed(at_mouth):
    table = at_mouth.tables["provenance"]

    [row] = table[table.source == "the command line"].to_dict("records")
    assert (row["name"], row["value"]) == ("--within", MOUTH)
    assert set(table[table.name == "run.within_upstream_of_m"].value) == {"[405949.0, 4407704.0]"}
    assert "A trial shows a part of the region" in at_mouth.summary


def test_changes_of_the_command_line_are_listed_by_their_keys_and_those_of_secret_rules_are_not(repository):
    changes = ["run.seed=3", 'rules_changed."gorge".buffer_m = 5.0']
    settings = read_settings(repository / "config" / "sample.toml", changes)
    secret = [rule.model_copy(update={"publish": "hidden"}) for rule in settings.rules]

    assert published_overrides(settings.overrides, settings.rules) == [
        ("--set run.seed", "3"),
        ('--set rules_changed."gorge".buffer_m', "5.0"),
    ]
    assert published_overrides(settings.overrides, secret) == [
        ("--set run.seed", "3"),
        ("--set (2)", "not published"),
    ]


# Two streams, a main one and a tributary, as stations every 100 m; a reach is two segments.
#
#   0 → 1 → 2 → 3 ↘
#                  8 → 9        and 10 → 11 → 12 apart
#   4 → 5 → 6 → 7 ↗
DOWNSTREAM = np.array([1, 2, 3, 8, 5, 6, 7, 8, 9, -1, 11, 12, -1])
REACH = np.array([-1, 0, 0, 0, -1, 1, 1, 1, 2, 2, -1, 3, 3])
X_M = np.array([0, 100, 200, 300, 0, 100, 200, 300, 400, 500, 0, 100, 200.0])
Y_M = np.array([100, 100, 100, 100, -100, -100, -100, -100, 0, 0, 900, 900, 900.0])


class Given:
    """What `find_trial` looks at."""

    def __init__(self, **run):
        polygons = run.pop("polygons", None)
        self.run = Settings.model_fields["run"].annotation(name="a", crs="EPSG:32633", output_folder="out", **run)
        self.stretches = Settings.model_fields["stretches"].default
        frame = geopandas.GeoDataFrame(geometry=polygons)
        self.layers = {} if polygons is None else {"within": type("Layer", (), {"frame": frame})}


@pytest.fixture
def stationing():
    stations = pd.DataFrame({"x_m": X_M, "y_m": Y_M, "downstream": DOWNSTREAM, "reach": REACH})
    own = np.flatnonzero(REACH >= 0)
    # The station above: on the main stream below the confluence it is that of either stream.
    ends = [((X_M[at - 1], Y_M[at - 1]) if at != 8 else (300.0, 100.0), (X_M[at], Y_M[at])) for at in own.tolist()]
    segments = pd.DataFrame({"station": own, "geometry": [shapely.LineString(each) for each in ends]})
    reaches = pd.DataFrame({"first_station": [0, 4, 8, 10], "last_station": [3, 7, 9, 12]})
    return type("Stationing", (), {"stations": stations, "segments": segments, "reaches": reaches})


@pytest.fixture
def systems():
    return type("Systems", (), {"names": ["apart", "main"], "of_station": np.array([1] * 10 + [0] * 3)})


@pytest.mark.parametrize(
    ("part", "reaches"),
    [
        ({"within_box_m": [-10, 50, 310, 150]}, [True, False, False, False]),
        ({"within_box_m": [90, -150, 410, 150]}, [True, True, True, False]),
        ({"within_upstream_of_m": [250, -110]}, [False, True, False, False]),
        ({"within_upstream_of_m": [460, 20]}, [True, True, True, False]),
        ({"polygons": [shapely.box(0, 890, 90, 910), shapely.box(90, 890, 300, 910)]}, [False] * 3 + [True]),
    ],
)
def test_reaches_of_a_trial_by_their_middle(stationing, systems, part, reaches):
    given = Given(**part)

    trial = find_trial(given, given, stationing, systems)

    assert trial.reaches.tolist() == reaches
    # A system is whole or left out.
    assert trial.stations.tolist() == [any(reaches[:3])] * 10 + [reaches[3]] * 3
    assert (trial.area is None) == ("within_upstream_of_m" in part)


def test_no_part_is_no_trial(stationing, systems):
    assert find_trial(Given(), Given(), stationing, systems) is None


def test_a_part_without_a_reach_is_an_error(stationing, systems):
    given = Given(within_box_m=[700, 700, 800, 800])

    with pytest.raises(InputError, match="no reach lies in the part") as caught:
        find_trial(given, given, stationing, systems)

    assert "found:     streams from 0,-100 to 500,900 in EPSG:32633" in str(caught.value)


def test_a_place_far_from_all_streams_is_an_error_with_the_nearest_one(stationing, systems):
    given = Given(within_upstream_of_m=[150, 500])

    with pytest.raises(InputError, match="no stream is near the place") as caught:
        find_trial(given, given, stationing, systems)

    assert "150,500, 400 m from the nearest stream" in str(caught.value)
    assert "the nearest one, 150," in str(caught.value)


def test_a_site_over_the_border_is_shown_and_one_outside_is_not(stationing):
    trial = Trial(np.array([True, False, False, False]), np.ones(13, dtype=bool), None)
    ends = pd.DataFrame({"intake": [1, 3, 8, 5], "tailrace": [2, 8, 9, 6]})

    assert candidates_in(trial, stationing, ends).tolist() == [True, True, False, False]
    assert candidates_in(None, stationing, ends).all()


def test_things_lie_in_a_part_by_their_reach_and_else_by_their_place(stationing):
    station, places = np.array([2, 9, -1, -1]), shapely.points([900, 0, 0, 900], [0, 0, 0, 0])
    box = Trial(np.array([True, False, False, False]), np.ones(13, dtype=bool), shapely.box(-1, -1, 1, 1))

    assert things_in(box, stationing, station, places).tolist() == [True, False, True, False]
    assert places_in(box, np.array([0.0, 2.0]), np.zeros(2)).tolist() == [True, False]
    assert not places_in(box._replace(area=None), np.zeros(2), np.zeros(2)).any()
    assert upstream_of(DOWNSTREAM, 8).tolist() == [True] * 9 + [False] * 4
