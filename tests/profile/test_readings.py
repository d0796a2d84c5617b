"""Errors of elevations as they are read, against what plane geometry and known noise make of them."""

import numpy as np
import pytest

from sitefinder.profile.errors import head_standard_error, simulate_fit_errors
from sitefinder.profile.fitting import fit_long_profile
from sitefinder.profile.readings import ALIKE_CELLS, ReadingErrors, _roughness, reading_errors

STEP_M, SLOPE, RMSE_M, LENGTH_M, PLACE_M = 10.0, 0.02, 0.15, 60.0, 3.0


def river(count, step_m=STEP_M):
    """One stream of even stations: downstream neighbours, distances, and elevations that fall evenly."""
    downstream = np.append(np.arange(1, count), -1).astype(np.int32)
    return downstream, np.append(np.full(count - 1, step_m), 0.0), 500.0 - SLOPE * step_m * np.arange(count)


def readings_of(raw_m, offset_m, profile_m, step_m, *, link=None, cell_m=STEP_M, rmse_m=RMSE_M):
    count = len(raw_m)
    downstream, along_m, _ = river(count, step_m)
    link = np.zeros(count, dtype=np.int64) if link is None else link
    return reading_errors(
        raw_m,
        offset_m,
        link,
        downstream,
        along_m,
        profile_m,
        np.zeros(count, dtype=bool),
        np.full(count, rmse_m),
        np.full(count, LENGTH_M),
        PLACE_M,
        cell_m,
    )


@pytest.mark.parametrize("angle_deg", [3.0, 15.0, 40.0])
def test_a_straight_channel_that_is_not_parallel_is_met_as_far_off_as_geometry_says(angle_deg):
    angle = np.radians(angle_deg)
    at_m = STEP_M * np.arange(1, 9)
    # The line runs along y = 0, the channel from the origin at the angle; elevations fall along the channel.
    met_m, nearest_m = at_m / np.cos(angle), at_m * np.cos(angle)
    profile_m = 100.0 - SLOPE * at_m

    found = readings_of(profile_m, at_m * np.tan(angle), profile_m, STEP_M)

    assert found.read_m == pytest.approx(SLOPE * (met_m - nearest_m))


def test_a_line_parallel_to_its_channel_is_in_doubt_only_at_the_ends_of_links():
    _, _, level_m = river(40)
    link = np.repeat([0, 1], 20)

    found = readings_of(level_m, np.full(40, 50.0), level_m, STEP_M, link=link)

    ends = [0, 19, 20, 39]
    assert (found.read_m == 0.0).all()
    # As far off along the stream as across it, less what the error of the cell's place holds already.
    assert found.ends_m[ends] == pytest.approx(SLOPE * np.sqrt(50.0**2 - PLACE_M**2))
    assert (np.delete(found.ends_m, ends) == 0.0).all()


def test_a_line_on_its_channel_has_no_error_of_place():
    _, _, level_m = river(40)

    found = readings_of(level_m, np.zeros(40), level_m, STEP_M)

    assert (found.read_m == 0.0).all()
    assert (found.ends_m == 0.0).all()


def chain(rng, count, step_m, length_m):
    """A Markov chain of variance 1 along stations."""
    rho, noise = np.exp(-step_m / length_m), rng.standard_normal(count)
    for i in range(1, count):
        noise[i] = rho * noise[i - 1] + np.sqrt(1.0 - rho**2) * noise[i]
    return noise


@pytest.mark.parametrize(("cell_m", "more_m"), [(10.0, 0.0), (10.0, 0.3), (10.0, 1.0), (50.0, 0.0), (50.0, 2.0)])
def test_roughness_from_cell_to_cell_is_found_beside_the_error_of_the_dem(cell_m, more_m):
    count = 4000
    _, _, level_m = river(count, cell_m)
    rng = np.random.default_rng(5)
    of_dem, of_cells = chain(rng, count, cell_m, LENGTH_M), chain(rng, count, cell_m, ALIKE_CELLS * cell_m)
    raw_m = level_m + RMSE_M * of_dem + more_m * of_cells

    found = readings_of(raw_m, np.zeros(count), level_m, cell_m, cell_m=cell_m)

    # A median of 31 has an error of its own, which where there is no roughness leaves some of one sign.
    assert np.sqrt(np.mean(found.read_m**2)) == pytest.approx(more_m, rel=0.15, abs=0.4 * RMSE_M)


def test_roughness_is_what_a_chord_between_neighbours_leaves_of_correlated_errors():
    # Readings a above and below a level in turn are off the chord between their neighbours by 2a. An error of unit
    # variance, of correlation w with each neighbour and w² between these, is off it with a variance of
    # 1 + 1/4 + 1/4 - 2w + w²/2. The median of a normal error's size is 1/1.4826 of its standard deviation.
    count, w = 41, np.exp(-1.0 / ALIKE_CELLS)
    downstream, step_m, _ = river(count)
    raw_m = 0.25 * (-1.0) ** np.arange(count)
    main = np.arange(-1, count - 1)
    nothing = np.zeros(count)

    found_m = _roughness(raw_m, main, downstream, step_m, nothing, nothing, nothing, STEP_M)

    expected_m = 1.4826 * 2 * 0.25 / np.sqrt(1.5 - 2 * w + w**2 / 2)
    assert found_m[5:-5] == pytest.approx(np.full(count - 10, expected_m), rel=1e-6)


def test_roughness_shows_where_elevations_fall_by_themselves_and_the_fit_leaves_nothing():
    count = 400
    downstream, along_m, _ = river(count)
    level_m = 900.0 - 2.0 * np.arange(count)
    raw_m = level_m + 0.5 * chain(np.random.default_rng(6), count, STEP_M, ALIKE_CELLS * STEP_M)
    fitted = fit_long_profile(raw_m, downstream, along_m, RMSE_M, LENGTH_M)

    found = readings_of(raw_m, np.zeros(count), fitted.profile_m, STEP_M)

    assert (np.diff(raw_m) < 0.0).all()
    assert np.abs(fitted.profile_m - raw_m).max() < 1e-9
    assert np.median(found.read_m) == pytest.approx(0.5, rel=0.25)


def test_stations_without_an_elevation_and_single_ones_are_let_pass():
    _, _, level_m = river(30)
    raw_m = np.where(np.arange(30) % 3 == 0, np.nan, level_m)

    assert np.isfinite(readings_of(raw_m, np.full(30, 20.0), level_m, STEP_M).read_m).all()
    assert readings_of(level_m[:1], np.zeros(1), level_m[:1], STEP_M).read_m.tolist() == [0.0]


# A fit to even slopes and its simulated errors.
def simulated(readings, simulations=200):
    downstream, along_m, level_m = river(60)
    # Two stations at one place, as where one link ends and the next begins.
    along_m[29] = 0.0
    level_m[30:] += SLOPE * STEP_M
    fitted = fit_long_profile(level_m, downstream, along_m, RMSE_M, LENGTH_M)
    known = np.ones(60, dtype=bool)
    return simulate_fit_errors(
        fitted, known, downstream, along_m, RMSE_M, LENGTH_M, simulations, seed=3, readings=readings
    )


def test_the_error_of_ends_is_whole_in_the_errors_and_shared_at_one_place():
    ends_m = np.where(np.isin(np.arange(60), [0, 29, 30, 59]), 2.0, 0.0)
    none, with_ends = (simulated(ReadingErrors(np.zeros(60), m, 5.0)) for m in (np.zeros(60), ends_m))

    added_m = (with_ends - none).astype(float)
    assert (added_m[ends_m == 0.0] == 0.0).all()
    # A standard deviation of 200 normals is known to 5 %.
    assert added_m[[0, 29, 59]].std(axis=1) == pytest.approx(2.0, rel=0.15)
    assert added_m[29] == pytest.approx(added_m[30], abs=1e-5)
    assert abs(np.corrcoef(added_m[0], added_m[59])[0, 1]) < 0.25


def test_the_error_of_readings_widens_the_error_of_heads_and_leaves_the_simulations_their_numbers():
    readings = ReadingErrors(np.full(60, 1.0), np.zeros(60), 5.0)

    few, many = simulated(readings, 20), simulated(readings, 40)

    assert few.tobytes() == np.ascontiguousarray(many[:, :20]).tobytes()
    ends = np.array([5]), np.array([50])
    assert head_standard_error(many, *ends)[0] > 1.5 * head_standard_error(simulated(None, 40), *ends)[0]
