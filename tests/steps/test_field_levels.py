"""What was measured on the bank, in a run of the sample region: it holds there and changes nothing else."""

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from sitefinder.profile.errors import head_standard_error
from sitefinder.steps.candidates import list_stretches
from sitefinder.steps.flags import flag_stations, flags_of_stretches
from sitefinder.steps.heads import find_water_depths, place_field_levels, use_field_levels


@pytest.fixture(scope="module")
def results(sample_run):
    return sample_run.results


@pytest.fixture(scope="module")
def stem(results):
    """Six stations in a row within a link, of which the first falls to the last."""
    segment_m = results["stationing"].stations["segment_length_m"].to_numpy()
    fall_m = results["long_profile"].profile_m
    row = next(
        i
        for i in range(len(segment_m) - 6)
        if (segment_m[i + 1 : i + 6] > 0).all() and fall_m[i] - fall_m[i + 5] > 2
    )
    return np.arange(row, row + 6)


# Measurements between places on the network.
def measured(results, *rows):
    table = pd.DataFrame(rows, columns=["level_id", "upper", "lower", "drop_m", "error_m", "date"])
    inputs = results["inputs"]._replace(field_levels=table)
    stationing = place_field_levels(results["settings"], inputs, results["stationing"], results["long_profile"])
    return stationing, use_field_levels(
        results["settings"], results["stationing"], results["long_profile"], stationing
    )


def place(results, station):
    return shapely.Point(*results["stationing"].stations.loc[station, ["x_m", "y_m"]])


def test_a_measured_drop_holds_with_its_error_and_heads_elsewhere_stay(results, stem):
    long_profile = results["long_profile"]
    upper, lower = stem[1], stem[4]

    stationing, heads = measured(
        results, ("A1", place(results, upper), place(results, lower), 1.25, 0.04, "2026-05-01")
    )

    found = head_standard_error(heads.errors_m, np.array([upper]), np.array([lower]))
    assert heads.profile_m[upper] - heads.profile_m[lower] == pytest.approx(1.25, abs=1e-3)
    assert found[0] == pytest.approx(0.04, rel=0.01)
    stations = results["stationing"].stations
    downstream = stations["downstream"].to_numpy()
    inside = np.zeros(len(stations), dtype=bool)
    inside[upper:lower] = True
    at = np.flatnonzero((downstream >= 0) & ~inside)
    before, after = (part.profile_m[at] - part.profile_m[downstream[at]] for part in (long_profile, heads))
    np.testing.assert_allclose(after, before, atol=1e-9)
    assert np.flatnonzero(stationing.measured).tolist() == list(range(upper + 1, lower + 1))


def test_what_a_measurement_changed_is_listed(results, stem):
    long_profile = results["long_profile"]
    upper, lower = stem[1], stem[4]
    said = long_profile.profile_m[upper] - long_profile.profile_m[lower]

    repairs = measured(results, ("A1", place(results, upper), place(results, lower), 1.25, 0.04, "2026-05-01"))[
        0
    ].repairs

    row = repairs.iloc[0]
    assert row["problem"].startswith("drop measured: 1.25 m with an error of 0.04 m, 2026-05-01; the DEM says ")
    assert f"{said:.2f} m" in row["problem"]
    assert row["action"] == f"head changed by {1.25 - said:+.2f} m there"


def test_the_more_precise_of_two_measurements_is_met_whichever_comes_first(results, stem):
    precise = ("A1", place(results, stem[1]), place(results, stem[4]), 1.0, 0.02, "2026")
    rough = ("A2", place(results, stem[0]), place(results, stem[4]), 5.0, 0.5, "2025")

    for rows in ((precise, rough), (rough, precise)):
        _, heads = measured(results, *rows)

        assert heads.profile_m[stem[1]] - heads.profile_m[stem[4]] == pytest.approx(1.0, abs=1e-3)


def test_measurements_that_cannot_be_used_are_reported_and_change_nothing(results, stem):
    away = shapely.Point(0.0, 0.0)
    up = ("A1", place(results, stem[4]), place(results, stem[1]), 1.0, 0.02, "2026")
    far = ("A2", away, place(results, stem[1]), 1.0, 0.02, "2026")

    stationing, heads = measured(results, up, far)

    assert heads is results["long_profile"]
    assert stationing.repairs["action"].tolist() == ["not used", "not used"]
    assert stationing.repairs["problem"].str.split("; ").str[-1].tolist() == [
        "one of its places is not downstream of the other",
        "no stream within 60 m",
    ]


def test_stretches_that_hold_a_measurement_have_its_head_and_are_flagged(results, stem):
    names = ("stationing", "channels", "catchments")
    row = ("A1", place(results, stem[0]), place(results, stem[5]), 3.0, 0.03, "2026")
    stationing, heads = measured(results, row)
    parts = [results[name] for name in names]

    stretches = list_stretches(
        results["settings"],
        results["inputs"],
        parts[0],
        parts[1],
        heads,
        results["water_bodies"],
        parts[2],
        results["flows"],
        results["channel_shapes"],
        results["stream_things"],
    )
    flags = flag_stations(
        results["settings"],
        results["inputs"],
        results["network"],
        *parts,
        stationing,
        results["water_bodies"],
        results["dem_seams"],
        results["dem_errors"],
    )

    table = stretches.table
    own = np.flatnonzero(
        (table["scheme_type"] == "diversion") & (table["intake"] == stem[0]) & (table["tailrace"] == stem[5])
    )
    assert table["head_uncorrected_m"].to_numpy()[own] == pytest.approx([3.0], abs=1e-3)
    assert table["head_uncorrected_se_m"].to_numpy()[own] == pytest.approx([0.03], rel=0.01)
    # What heads are likely here hardly moves so precise a measurement.
    assert table["head_m"].to_numpy()[own] == pytest.approx([3.0], abs=0.1 * 0.03)
    assert table["head_se_m"].to_numpy()[own] == pytest.approx([0.03], rel=0.01)
    assert flags_of_stretches(flags, stretches, own)["head_measured"].tolist() == [True]
    # Those further down are not, not even new weirs whose pond lies on measured ground.
    below = np.flatnonzero(table["intake"] == stem[5])
    assert not flags_of_stretches(flags, stretches, below)["head_measured"].any()


def test_a_rating_holds_along_its_stream_as_far_as_the_settings_say(results, stem):
    settings, stations = results["settings"], results["stationing"].stations
    settings = settings.model_copy(
        update={"tailwater": settings.tailwater.model_copy(update={"rating_reach_m": 60.0})}
    )
    table = geopandas.GeoDataFrame(
        {"rating_id": "R1", "flow_m3s": [0.0, 1.0], "level_m": [10.0, 12.0]},
        geometry=[place(results, stem[2])] * 2,
        crs=settings.run.crs,
    )
    inputs = results["inputs"]._replace(ratings=table)

    stationing = place_field_levels(settings, inputs, results["stationing"], results["long_profile"])
    depths = find_water_depths(settings, results["flows"], stationing, results["channel_shapes"])

    # Stations stand up to 50 m apart: one on each side is within 60 m.
    held = stationing.ratings[0].stations
    assert held.tolist() == stem[1:4].tolist()
    assert (stations["distance_m"].to_numpy()[held] - stations["distance_m"][stem[2]]).max() <= 60.0
    # The rating is a straight line of 2 m for 1 m³/s.
    curve = results["flows"].estimate.curve_m3s[held]
    np.testing.assert_allclose(depths.depth_m[held], 2.0 * curve)
    elsewhere = np.setdiff1d(np.arange(len(stations)), held)
    np.testing.assert_array_equal(depths.depth_m[elsewhere], results["water_depths"].depth_m[elsewhere])


def test_a_rating_far_from_any_stream_is_reported(results):
    table = geopandas.GeoDataFrame(
        {"rating_id": "R1", "flow_m3s": [0.0, 1.0], "level_m": [10.0, 12.0]}, geometry=[shapely.Point(0, 0)] * 2
    )
    inputs = results["inputs"]._replace(ratings=table)

    stationing = place_field_levels(results["settings"], inputs, results["stationing"], results["long_profile"])

    assert stationing.ratings == []
    assert stationing.repairs["problem"].tolist() == ["rating: no stream within 60 m"]
