"""Parts of the fit of the long profile one by one: defaults, refusals, what errors and steps do to each other."""

import itertools

import numpy as np
import pytest

from sitefinder.profile import errors
from sitefinder.profile.errors import SIMULATIONS_AT_ONCE, simulate_fit_errors
from sitefinder.profile.fitting import MIN_FLAT_STATIONS, LongProfile, fit_long_profile
from sitefinder.profile.readings import ReadingErrors

STEP_M = 10.0


# One stream of even stations, and its elevations on an even slope.
def river(count, slope):
    downstream, step_m = np.append(np.arange(1, count), -1).astype(np.int32), np.full(count, STEP_M)
    step_m[-1] = 0.0
    return 100.0 - slope * STEP_M * np.arange(count), downstream, step_m


def test_a_fit_is_that_of_the_median_without_an_error_of_place_and_any_run_of_stations_may_be_level():
    raw_m, *stream = river(80, 0.002)
    raw_m += np.random.default_rng(2).normal(0.0, 0.3, 80)
    raw_m[40 : 40 + MIN_FLAT_STATIONS] = 98.9

    plain = fit_long_profile(raw_m, *stream, 0.3, 0.0)

    stated = fit_long_profile(
        raw_m, *stream, 0.3, 0.0, quantile=0.5, min_flat_m=0.0, place_error_m=0.0, known_break=np.zeros(80, bool)
    )
    assert [part.tolist() for part in plain] == [part.tolist() for part in stated]
    assert np.flatnonzero(plain.is_flat).tolist() == list(range(40, 40 + MIN_FLAT_STATIONS))
    # Another quantile is another profile.
    assert plain.profile_m.tolist() != fit_long_profile(raw_m, *stream, 0.3, 0.0, 0.6).profile_m.tolist()


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"downstream": [1, 2, 9, -1]}, "downstream must be -1 or the number of a later station; station 2 and 0"),
        ({"downstream": [1, 1, 3, -1]}, "downstream must be -1 or the number of a later station; station 1 and 0"),
        ({"downstream": [1, 2, -1]}, r"downstream must have shape \(4,\)"),
        ({"to_downstream_m": [10.0, -1.0, 10.0, 0.0]}, "to_downstream_m must be finite and not negative"),
        ({"to_downstream_m": [10.0]}, r"to_downstream_m must have shape \(4,\)"),
        ({"elevation_m": [4.0, np.inf, 2.0, 1.0]}, "elevation_m must be finite or NaN; station 1"),
        ({"quantile": 0.0}, "quantile must be between"),
    ],
)  # fmt: skip
def test_bad_stations_are_refused_before_anything_is_made_of_them(changed, words):
    given = {
        "elevation_m": [4.0, 3.0, 2.0, 1.0],
        "downstream": [1, 2, 3, -1],
        "to_downstream_m": [10.0, 10.0, 10.0, 0.0],
        "rmse_m": 0.1,
        "correlation_length_m": 0.0,
    }

    with pytest.raises(ValueError, match=words):
        fit_long_profile(**given | changed)


@pytest.mark.parametrize(("place_error_m", "is_spike"), [(0.0, True), (20.0, False)])
def test_on_a_steep_stream_the_error_of_place_explains_what_stands_out(place_error_m, is_spike):
    # 1 m a station: 20 m along the stream are 2 m of height, of which a bump of 4 m is no three.
    raw_m, *stream = river(120, 0.1)
    raw_m[60] += 4.0

    found = fit_long_profile(raw_m, *stream, 0.1, 0.0, place_error_m=place_error_m)

    assert np.flatnonzero(found.is_spike).tolist() == [60] * is_spike


@pytest.mark.parametrize("is_known", [True, False])
def test_a_known_step_is_no_slope_that_an_error_of_place_could_act_on(is_known):
    # Over 300 m to either side a step of 30 m is a slope of 5 %, and 20 m of it a metre.
    raw_m, *stream = river(120, 0.001)
    raw_m[:60] += 30.0
    raw_m[75] += 1.5

    found = fit_long_profile(
        raw_m, *stream, 0.1, 0.0, place_error_m=20.0, known_break=(np.arange(120) == 59) & is_known
    )

    assert np.flatnonzero(found.is_spike).tolist() == [75] * is_known
    assert found.is_break[59]
    # Once it is found, the step is left out of the slope in either case.
    assert found.rmse_m[75] == pytest.approx(np.hypot(0.1, 20.0 * 0.001), rel=0.05)


@pytest.mark.parametrize(
    ("off_m", "is_spike"), [(0.29, False), (0.31, True), (0.35, True), (-0.29, False), (-0.31, True)]
)
def test_what_lies_three_standard_errors_off_the_first_fit_is_left_out_above_it_and_below(off_m, is_spike):
    # All but level, with an error of 0.1 m; the fit goes past a single station within a few millimetres. From the
    # neighbours alone, whose mean has an error too, only 0.36 m would stand out.
    raw_m, *stream = river(80, 0.0001)
    raw_m[40] += off_m

    found = fit_long_profile(raw_m, *stream, 0.1, 0.0)

    assert np.flatnonzero(found.is_spike).tolist() == [40] * is_spike


@pytest.mark.parametrize(("stated_m", "is_believed"), [(0.05, False), (0.098, False), (0.0995, True), (0.3, True)])
def test_the_stated_error_is_believed_until_residuals_spread_one_and_a_half_times_as_much(stated_m, is_believed):
    # Readings 0.1 m above and below a level in turn: each is 0.1 m off the fit, and the deviation of a normal
    # error is 1.4826 times its median size (tables of the normal distribution, from memory).
    _, *stream = river(81, 0.0)
    raw_m = 50.0 + 0.1 * (-1.0) ** np.arange(81)

    found = fit_long_profile(raw_m, *stream, stated_m, 0.0)

    assert found.rmse_m[20:-20] == pytest.approx(stated_m if is_believed else 0.14826, rel=1e-9)


def test_surveys_simulated_in_parts_are_those_simulated_at_once():
    count = 60
    _, *stream = river(count, 0.01)
    # More than are held at once, so that a part begins within a block.
    simulations, cuts = SIMULATIONS_AT_ONCE + 9, [0, 3, SIMULATIONS_AT_ONCE + 1, SIMULATIONS_AT_ONCE + 9]
    fitted = fit_long_profile(np.linspace(9.0, 3.0, count), *stream, 0.4, 25.0)
    read = ReadingErrors(np.full(count, 0.1), np.full(count, 0.2), 30.0)

    def simulated(number, first_draw):
        given = fitted, np.ones(count, bool), *stream, 0.4, 25.0, number, 7
        return simulate_fit_errors(*given, readings=read, first_draw=first_draw)

    at_once = simulated(simulations, 0)
    in_parts = [simulated(end - begin, begin) for begin, end in itertools.pairwise(cuts)]

    assert np.concatenate(in_parts, axis=1).tobytes() == at_once.tobytes()
    assert len(np.unique(at_once[0])) == simulations


def test_each_simulated_survey_is_fitted_with_all_that_the_fit_was_given(monkeypatch):
    # A level profile has no roughness, so that what is surveyed differs from it by the noise alone.
    count = 60
    _, *stream = river(count, 0.0)
    known, number = np.arange(count) != 7, np.arange(count)
    is_spike, known_break = np.isin(number, [20, 21]), number == 30
    own_error_m = np.where(number < 40, 0.0, 0.2)
    fitted = LongProfile(np.full(count, 5.0), is_spike, known_break, np.zeros(count, bool), own_error_m)
    asked = []

    def refit(elevation_m, *arguments, **options):
        asked.append((elevation_m, arguments, options))
        return fit_long_profile(elevation_m, *arguments, **options)

    monkeypatch.setattr(errors, "fit_long_profile", refit)
    simulate_fit_errors(fitted, known, *stream, 0.4, 25.0, 3, 1, 0.3, 6.0, known_break)

    assert len(asked) == 3
    for elevation_m, arguments, options in asked:
        # Without the stations that were left out, and with the error that the fit saw.
        assert np.flatnonzero(np.isnan(elevation_m)).tolist() == [7, 20, 21]
        assert np.nanmax(np.abs(elevation_m[:40] - 5.0)) == 0.0
        assert (elevation_m[40:] != 5.0).all()
        assert arguments[2:] == (0.4, 25.0, 0.3)
        assert [given.tolist() for given in arguments[:2]] == [given.tolist() for given in stream]
        assert options["place_error_m"] == 6.0
        assert options["known_break"].tolist() == known_break.tolist()


def test_what_draws_the_first_fit_up_is_left_out_first_and_then_what_it_hid():
    # A weir of 1 m; of the stations below it the second reads 0.8 m too high and the third 1.5 m. This one holds
    # the first fit up, so that the other does not stand out, and the water at the foot of the weir would.
    raw_m, *stream = river(40, 0.001)
    raw_m[:20] += 1.0
    raw_m[21:23] += [0.8, 1.5]

    found = fit_long_profile(raw_m, *stream, 0.1, 0.0)

    assert np.flatnonzero(found.is_spike).tolist() == [21, 22]
    assert np.flatnonzero(found.is_break).tolist() == [19]


@pytest.mark.parametrize("pits", [3, 4, 5])
def test_what_the_fit_goes_through_is_no_spike_though_all_above_it_is_lower(pits):
    # Level water, some of which reads 1 m too low: what follows stands out from what lies upstream.
    _, *stream = river(40, 0.0)
    raw_m = np.where(np.isin(np.arange(40), 20 + np.arange(pits)), 99.0, 100.0)

    found = fit_long_profile(raw_m, *stream, 0.1, 0.0)

    assert np.flatnonzero(found.is_spike).tolist() == list(range(20, 20 + pits))
    assert found.profile_m == pytest.approx(np.full(40, 100.0), abs=1e-6)
