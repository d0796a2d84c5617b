"""What scale and zero of heights must not change: twice the heights and errors give twice the profile."""

import numpy as np
import pytest

from sitefinder.profile.breaks import find_breaks, find_steps, slopes_around
from sitefinder.profile.fitting import find_spikes, fit_long_profile, slopes_along
from sitefinder.profile.monotone import monotone_profile

# A stem of 120 stations about 10 m apart, and a tributary of 50 that joins it below its 60th.
TRIBUTARY, ABOVE, COUNT = 50, 60, 170
DOWNSTREAM = np.append(np.arange(1, COUNT), -1).astype(np.int32)
DOWNSTREAM[TRIBUTARY - 1] = TRIBUTARY + ABOVE
STEP_M = np.append(np.linspace(8.0, 12.0, COUNT - 1), 0.0)


# Steep enough for the program's least slope not to count, with a bridge, a pit, a weir of 3 m, a gap and a pond.
def survey(seed):
    rng = np.random.default_rng(seed)
    true_m = np.zeros(COUNT)
    for i in range(COUNT - 2, -1, -1):
        slope = 0.004 + 0.012 * (i % 40) / 40
        true_m[i] = true_m[DOWNSTREAM[i]] + slope * STEP_M[i] + (3.0 if i == 140 else 0.0)
    raw_m = true_m + 40.0 + rng.normal(0.0, 0.3, COUNT)
    raw_m[75:77] += 6.0
    raw_m[95] -= 5.0
    raw_m[20:24] = np.nan
    raw_m[100:108] = raw_m[100]
    return raw_m


OPTIONS = (
    {"rmse_m": 0.3, "correlation_length_m": 25.0, "min_flat_m": 40.0, "place_error_m": 4.0},
    {"rmse_m": 0.3, "correlation_length_m": 0.0, "place_error_m": 15.0},
    {"rmse_m": 0.05, "correlation_length_m": 60.0, "quantile": 0.4},
)


def fitted(raw_m, *, scale=1.0, **options):
    options = options | {"rmse_m": scale * options["rmse_m"]}
    return fit_long_profile(scale * raw_m, DOWNSTREAM, STEP_M, **options)


@pytest.mark.parametrize("options", OPTIONS)
@pytest.mark.parametrize("scale", [2.0, 8.0])
def test_heights_in_another_scale_give_the_same_profile_in_that_scale(options, scale):
    # Powers of two, so that rounding is the same; the errors of the place go with the slope and need no factor.
    raw_m = survey(3)

    plain, scaled = fitted(raw_m, **options), fitted(raw_m, scale=scale, **options)

    assert plain.is_spike[75:77].all()
    assert not np.array_equal(plain.profile_m, monotone_profile(raw_m, None, DOWNSTREAM, 0.5, STEP_M))
    assert scaled.profile_m == pytest.approx(scale * plain.profile_m, rel=1e-12)
    assert scaled.rmse_m == pytest.approx(scale * plain.rmse_m, rel=1e-12)
    for name in ("is_spike", "is_break", "is_flat"):
        assert getattr(scaled, name).tolist() == getattr(plain, name).tolist()


@pytest.mark.parametrize("options", OPTIONS)
def test_heights_above_another_zero_give_the_same_profile_above_it(options):
    raw_m = survey(5)

    plain, raised = fitted(raw_m, **options), fitted(raw_m + 256.0, **options)

    assert raised.profile_m - 256.0 == pytest.approx(plain.profile_m, abs=1e-8)
    assert raised.rmse_m == pytest.approx(plain.rmse_m, rel=1e-8)
    for name in ("is_spike", "is_break", "is_flat"):
        assert getattr(raised, name).tolist() == getattr(plain, name).tolist()


def test_the_error_of_a_place_adds_its_slope_times_itself_to_that_of_the_heights():
    # An even slope without noise beyond the stated: 20 m of 1 % are 0.2 m beside 0.15 m, together 0.25 m.
    count = 80
    downstream, step_m = np.append(np.arange(1, count), -1), np.append(np.full(count - 1, 10.0), 0.0)
    raw_m = 100.0 - 0.1 * np.arange(count)

    found = fit_long_profile(raw_m, downstream.astype(np.int32), step_m, 0.15, 0.0, place_error_m=20.0)

    assert found.rmse_m[5:-5] == pytest.approx(0.25, rel=1e-6)


# The parts on their own: a main stem without tributaries, its elevations, and what each part asks besides.
STEM = np.append(np.arange(1, 60), -1).astype(np.int32)
MAIN = np.append(-1, np.arange(59)).astype(np.int32)
STEM_M = np.append(np.linspace(6.0, 14.0, 59), 0.0)


def stem(seed):
    rng = np.random.default_rng(seed)
    fall_m = 0.01 * STEM_M
    raw_m = 80.0 - np.append(0.0, np.cumsum(fall_m[:-1])) + rng.normal(0.0, 0.2, 60)
    raw_m[:31] += 2.5
    raw_m[45] += 3.0
    return raw_m


@pytest.mark.parametrize("length_m", [0.0, 30.0])
def test_spikes_and_breaks_are_found_by_ratios_of_heights_alone(length_m):
    usable, none = np.ones(60, dtype=bool), np.zeros(60, dtype=bool)
    places = usable, MAIN, STEM, STEM_M
    lengths = np.full(60, length_m)

    found = []
    for scale, zero in ((1.0, 0.0), (8.0, 0.0), (1.0, 512.0)):
        raw_m, error_m = scale * stem(2) + zero, np.full(60, 0.2 * scale)
        slope, over_m = slopes_along(monotone_profile(raw_m, None, STEM, 0.5, STEM_M), MAIN, STEM, STEM_M, none)
        spikes = find_spikes(raw_m, *places, error_m, lengths)
        breaks = find_breaks(raw_m, *places, slope, over_m, error_m, lengths, none)
        found.append((spikes.tolist(), breaks.tolist()))

    assert found[0] == found[1] == found[2]
    assert found[0][0][45]
    assert not any(found[0][0][:40])
    assert found[0][1][30]


def test_steps_stand_out_in_any_scale_by_their_standard_errors_and_a_least_drop():
    profile_m = 80.0 - 0.05 * np.arange(40.0)
    profile_m[:21] += 1.0
    downstream = np.append(np.arange(1, 40), -1).astype(np.int32)
    segment_m = np.append(0.0, np.full(39, 10.0))

    for scale in (1.0, 4.0):
        slopes = slopes_around(scale * profile_m, downstream, segment_m)
        assert slopes.above[21] == pytest.approx(scale * 0.005)
        assert slopes.below[21] == pytest.approx(scale * 0.005)
        found = [
            find_steps(
                scale * profile_m, np.full(40, scale * error_m), slopes, segment_m, min_m=scale * min_m,
                standard_errors=2.0,
            )
            for error_m, min_m in ((0.1, 0.5), (0.49, 0.99), (0.51, 0.5), (0.1, 1.01))
        ]  # fmt: skip
        assert [stations.tolist() for stations, _ in found] == [[21], [21], [], []]
        assert found[0][1] == pytest.approx([scale * 1.0])


def test_a_survey_without_any_error_is_taken_as_it_is():
    rng = np.random.default_rng(9)
    raw_m = np.zeros(COUNT)
    for i in range(COUNT - 2, -1, -1):
        raw_m[i] = raw_m[DOWNSTREAM[i]] + rng.uniform(0.001, 0.03) * STEP_M[i]
    known = np.ones(COUNT, dtype=bool)
    known[130:133] = False

    found = fit_long_profile(np.where(known, raw_m, np.nan), DOWNSTREAM, STEP_M, 0.0, 0.0)

    assert not found.is_spike.any()
    assert found.profile_m[known].tolist() == raw_m[known].tolist()
    assert found.rmse_m.tolist() == [0.0] * COUNT
    # Between the two known ones a gap falls evenly.
    fall_m = raw_m[129] - raw_m[133]
    along_m = np.cumsum(STEP_M[129:132])
    assert found.profile_m[130:133] == pytest.approx(raw_m[129] - fall_m * along_m / STEP_M[129:133].sum())
