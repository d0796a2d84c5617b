"""Hydraulics of the sample region: slopes against its truth, and depths that a reader finds again."""

import json
from typing import NamedTuple

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.spatial import cKDTree

from sitefinder.steps.flows import find_channel_shapes
from sitefinder.steps.heads import find_water_slopes
from sitefinder.units import GRAVITY_M_S2, METRES_PER_FOOT
from sitefinder.vocabulary import HYDRAULIC_GEOMETRY, HYDRAULICS_METHODS, MANNING, MEASURED_SECTION


class Truth(NamedTuple):
    """Of the made streams, at each station."""

    slope: np.ndarray
    raised_m: np.ndarray
    away_m: np.ndarray


@pytest.fixture(scope="module")
def results(sample_run):
    return sample_run.results


@pytest.fixture(scope="module")
def reaches(sample_run):
    return sample_run.delivered.tables["reaches"]


@pytest.fixture(scope="module")
def truth(results, repository):
    """Slope of the made streams at each station, how high weirs raise their water, and how far away they are."""
    made = json.loads((repository / "sample-region" / "truth.json").read_text(encoding="utf-8"))
    places, slopes, raised_m = [], [], []
    for stream in made["streams"]:
        distance_m, level_m = np.array(stream["distance_m"]), np.array(stream["natural_level_m"])
        upper, lower = np.maximum(distance_m - 50.0, 0.0), np.minimum(distance_m + 50.0, distance_m[-1])
        fall_m = np.interp(upper, distance_m, level_m) - np.interp(lower, distance_m, level_m)
        places.append(np.column_stack([stream["x_m"], stream["y_m"]]))
        slopes.append(fall_m / (lower - upper))
        raised_m.append(np.array(stream["level_m"]) - level_m)
    stations = results["stationing"].stations
    away_m, nearest = cKDTree(np.concatenate(places)).query(stations[["x_m", "y_m"]].to_numpy())
    return Truth(np.concatenate(slopes)[nearest], np.concatenate(raised_m)[nearest], away_m)


def test_slopes_are_those_of_the_made_streams_without_their_weirs(results, truth):
    found = results["water_slopes"].slope
    flows_freely = (np.abs(truth.raised_m) < 0.05) & (truth.away_m < 30.0)
    known = ~np.isnan(found) & flows_freely

    ratio = found[known] / truth.slope[known]

    # Above a weir water hardly falls; the main river has many.
    assert known.sum() > 0.95 * flows_freely.sum()
    assert flows_freely.sum() > 0.5 * len(found)
    # Measured: 1.00 in the median; more than nine in ten within a factor of 1.5, confluences among them.
    assert np.median(ratio) == pytest.approx(1.0, abs=0.03)
    assert np.mean(np.abs(np.log(ratio)) < np.log(1.5)) > 0.9


def test_most_stations_without_a_slope_are_in_water_that_a_weir_holds_back(results, truth):
    unknown = np.isnan(results["water_slopes"].slope)

    assert unknown.any()
    assert np.mean(truth.raised_m[unknown] > 0.05) > 0.9


def test_standing_water_has_no_slope(results):
    standing = results["water_bodies"].standing
    stations = results["stationing"].stations
    within = standing & standing[stations["downstream"].to_numpy()]

    assert within.sum() > 5
    assert np.isnan(results["water_slopes"].slope[within]).all()


def test_a_reader_finds_depth_and_velocity_again_from_the_row_of_a_reach(results, reaches, truth):
    rows = reaches[reaches["hydraulics_method"] == MANNING]
    channel = results["settings"].channel
    columns = ["flow_mean_m3s", "width_m", "water_slope", "depth_m", "speed_m_s"]

    assert rows.index.equals(reaches.index[reaches["water_slope"].notna()])
    # Nearly all reaches whose end no weir backs up, but for those with a section that was measured.
    ends = results["stationing"].reaches.set_index("reach_id")["last_station"].loc[reaches["reach_id"]].to_numpy()
    flows_freely = (np.abs(truth.raised_m[ends]) < 0.05) & (reaches["hydraulics_method"] != MEASURED_SECTION)
    assert (reaches.loc[flows_freely, "hydraulics_method"] == MANNING).mean() > 0.9
    assert len(rows) > 0.5 * len(reaches)
    for flow_m3s, width_m, slope, depth_m, speed_m_s in rows[columns].itertuples(index=False, name=None):
        by_jarrett = slope >= channel.jarrett_from_slope
        args = (flow_m3s, width_m, slope, None if by_jarrett else channel.manning_n)
        normal_m = brentq(missing_m3s, 1e-6, 100.0, args)
        critical_m = (flow_m3s**2 / width_m**2 / GRAVITY_M_S2) ** (1 / 3)
        assert depth_m == pytest.approx(max(normal_m, critical_m), rel=1e-5)
        assert speed_m_s == pytest.approx(flow_m3s / (width_m * depth_m), rel=1e-5)


# What a depth carries less than a flow, by Manning, or with the n of Jarrett (1984) where none is given.
def missing_m3s(depth_m, flow_m3s, width_m, slope, n):
    radius_m = width_m * depth_m / (width_m + 2 * depth_m)
    n = n or 0.39 * slope**0.38 * (radius_m / METRES_PER_FOOT) ** -0.16
    return flow_m3s - width_m * depth_m * radius_m ** (2 / 3) * slope**0.5 / n


def test_reaches_without_a_slope_have_the_depth_of_hydraulic_geometry(results, reaches):
    rows = reaches[reaches["hydraulics_method"] == HYDRAULIC_GEOMETRY]
    tailwater = results["settings"].tailwater

    assert set(reaches["hydraulics_method"]) <= {"", *HYDRAULICS_METHODS}
    assert len(rows)
    assert rows["water_slope"].isna().all()
    depth_m = tailwater.depth_at_1_m3s_m * rows["flow_mean_m3s"] ** tailwater.downstream_exponent
    np.testing.assert_allclose(rows["depth_m"], depth_m, rtol=1e-6)


def test_hydraulic_geometry_holds_everywhere_where_the_user_says_so(results):
    settings = results["settings"]
    tailwater = settings.tailwater.model_copy(update={"method": "hydraulic_geometry"})
    asked = settings.model_copy(update={"tailwater": tailwater})
    names = ("stationing", "heads", "field_levels", "flows", "water_bodies")

    slopes = find_water_slopes(asked, *(results[name] for name in names))
    given = (results["stationing"], results["flows"], slopes)
    unsurveyed = find_channel_shapes(asked, results["inputs"]._replace(sections=None), *given).shapes
    surveyed = find_channel_shapes(asked, results["inputs"], *given).shapes

    assert set(unsurveyed.method) == {HYDRAULIC_GEOMETRY}
    # Sections that the user measured hold all the same, and nothing else does.
    assert surveyed.is_measured.any()
    assert set(surveyed.method[surveyed.is_measured]) == {MEASURED_SECTION}
    assert set(surveyed.method[~surveyed.is_measured]) == {HYDRAULIC_GEOMETRY}
