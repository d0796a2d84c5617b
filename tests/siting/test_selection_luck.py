"""Luck of the chosen: the mean of the greatest of several normals, in worlds where that is all there is to it."""

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from sitefinder.siting.candidates import Stretches
from sitefinder.siting.selection_luck import Worth, luck_in_heads_m, luck_of_chosen
from sitefinder.steps.graph import STEPS

HEAD_M, SE_M, SURVEYS = 6.0, 0.4, 4000
LIMITS_M = (1.0, 10.0)


# Mean of the greatest of n independent standard normals, by its own integral.
def greatest_of(count):
    return quad(lambda x: x * count * norm.pdf(x) * norm.cdf(x) ** (count - 1), -9.0, 9.0)[0]


# Diversions from each station of a stream to its last: all take its last segment, so that one can be chosen. The
# errors of the heads are independent, for the last station has none.
def stream(count, **columns):
    downstream = np.append(np.arange(1, count + 1), -1).astype(np.int32)
    stations = pd.DataFrame({"downstream": downstream, "to_downstream_m": np.append(np.full(count, 50.0), 0.0)})
    table = {
        "scheme_type": "diversion",
        "intake": np.arange(count),
        "tailrace": count,
        "head_m": HEAD_M,
        "head_se_m": SE_M,
        "head_uncorrected_m": HEAD_M,
        "head_uncorrected_se_m": SE_M,
        "weir_height_m": 0.0,
        "head_surveyed": False,
    }
    taken = [station for intake in range(count) for station in range(count, intake, -1)]
    start = np.concatenate([[0], np.cumsum(np.arange(count, 0, -1))])
    table = pd.DataFrame(table | columns, index=range(count))
    return Stretches(table, start, start[1:], np.array(taken, dtype=np.int32)), stations


def errors(count, seed, se_m=SE_M, surveys=SURVEYS):
    drawn = se_m * np.random.default_rng(seed).standard_normal((count, surveys))
    return np.vstack([drawn, np.zeros(surveys)]).astype(np.float32)


def worth(stretches, per_m=1.0):
    head_m = stretches.table["head_m"].to_numpy()
    return Worth(per_m * head_m, np.full(len(head_m), per_m))


@pytest.mark.parametrize("count", [1, 2, 5, 20])
def test_luck_is_that_of_the_greatest_of_so_many(count):
    stretches, stations = stream(count)

    sums = luck_of_chosen(stretches, stations, errors(count, count), worth(stretches), LIMITS_M)

    assert sums.loc["diversion", "sites"] == SURVEYS
    # Four standard errors of the mean of these surveys.
    assert sums.loc["diversion", "luck"] / SURVEYS == pytest.approx(greatest_of(count), abs=4.0 / SURVEYS**0.5)


def test_the_correction_takes_off_what_another_survey_makes_too_much():
    count = 8
    stretches, stations = stream(count)
    sums = luck_of_chosen(stretches, stations, errors(count, 1), worth(stretches), LIMITS_M)
    # Other surveys of the same truth: of each, the best is stated.
    stated_m = (HEAD_M + errors(count, 2)[:-1]).max(axis=0)
    before_m = stated_m.mean() - HEAD_M

    after_m = before_m - luck_in_heads_m(stretches.table, sums, 0.0)[0]

    assert before_m == pytest.approx(greatest_of(count) * SE_M, abs=0.03)
    assert after_m == pytest.approx(0.0, abs=0.03)


def test_shrinkage_leaves_only_its_share_of_the_luck():
    count, shrunk_m = 5, 0.5 * SE_M
    stretches, stations = stream(count, head_se_m=shrunk_m)

    sums = luck_of_chosen(stretches, stations, errors(count, 3), worth(stretches), LIMITS_M)

    # A measured error counts by the ratio of the variances, 1/4: greatest_of · s/4, over s/2.
    assert sums.loc["diversion", "luck"] / SURVEYS == pytest.approx(0.5 * greatest_of(count), abs=0.04)


def test_a_world_without_noise_is_left_as_it_is():
    stretches, stations = stream(5)

    sums = luck_of_chosen(stretches, stations, errors(5, 4, se_m=0.0), worth(stretches), LIMITS_M)

    assert luck_in_heads_m(stretches.table, sums, 8.0).tolist() == [0.0] * 5


def test_no_head_is_raised_where_the_chosen_are_unlucky():
    stretches, stations = stream(2)
    lean = errors(2, 5) - np.array([[2.0], [2.0], [0.0]], dtype=np.float32)

    sums = luck_of_chosen(stretches, stations, lean, worth(stretches), LIMITS_M)

    assert sums.loc["diversion", "luck"] < 0.0
    assert luck_in_heads_m(stretches.table, sums, 0.0).tolist() == [0.0, 0.0]


def test_a_surveyed_head_neither_has_luck_nor_is_touched():
    stretches, stations = stream(3, head_surveyed=[True, False, False])
    # The surveyed one has a higher value than any luck of the others.
    value = Worth(np.array([100.0, 6.0, 6.0]), np.ones(3))

    sums = luck_of_chosen(stretches, stations, errors(3, 6), value, LIMITS_M)
    pair = luck_of_chosen(stretches, stations, errors(3, 6), worth(stretches), LIMITS_M)

    assert sums.loc["diversion"].tolist() == [0.0, 0.0]
    assert luck_in_heads_m(stretches.table, pair, 0.0)[0] == 0.0
    assert luck_in_heads_m(stretches.table, pair, 0.0)[1] > 0.0


def test_what_does_not_pay_is_chosen_by_luck_alone():
    stretches, stations = stream(1)
    # Pays from one standard error above its true head on.
    value = Worth(np.array([-SE_M]), np.ones(1))

    sums = luck_of_chosen(stretches, stations, errors(1, 7), value, LIMITS_M)

    above = norm.pdf(1.0) / norm.sf(1.0)
    assert sums.loc["diversion", "sites"] / SURVEYS == pytest.approx(norm.sf(1.0), abs=0.025)
    assert sums.loc["diversion", "luck"] / sums.loc["diversion", "sites"] == pytest.approx(above, abs=0.08)


def test_heads_beyond_the_limits_are_not_chosen():
    stretches, stations = stream(1, head_m=10.0, head_uncorrected_m=10.0)

    sums = luck_of_chosen(stretches, stations, errors(1, 8), worth(stretches), LIMITS_M)

    # The half of the surveys that finds less than 10 m: the mean of the lower half of a normal.
    assert sums.loc["diversion", "sites"] / SURVEYS == pytest.approx(0.5, abs=0.03)
    half = -((2.0 / np.pi) ** 0.5)
    assert sums.loc["diversion", "luck"] / sums.loc["diversion", "sites"] == pytest.approx(half, abs=0.06)


def test_of_a_new_weir_no_more_is_taken_than_the_stream_falls():
    table, _ = stream(2, scheme_type="new_weir", weir_height_m=[5.9, 4.0])
    sums = pd.DataFrame({"sites": [10.0], "luck": [10.0]}, index=["new_weir"])

    assert luck_in_heads_m(table.table, sums, 0.0).tolist() == pytest.approx([0.1, SE_M])


def test_a_scheme_type_that_is_seldom_chosen_has_mostly_the_luck_of_all():
    stretches, _ = stream(2, scheme_type=["diversion", "new_weir"])
    sums = pd.DataFrame({"sites": [90.0, 10.0], "luck": [18.0, 12.0]}, index=["diversion", "new_weir"])

    taken_m = luck_in_heads_m(stretches.table, sums, 10.0)

    # Of all 0.3: (18 + 3) / (90 + 10) and (12 + 3) / (10 + 10).
    assert taken_m.tolist() == pytest.approx([0.21 * SE_M, 0.75 * SE_M])


def test_no_rule_or_layer_of_one_has_a_say():
    reads = {stage.name: stage.reads for stage in STEPS}
    needed, left = set(), ["selection_luck"]
    while left:
        needed.add(name := left.pop())
        left += [other for other in reads.get(name, ()) if other not in needed]

    assert "found_candidates" in needed
    assert not needed & {"rule_overlaps", "verdicts", "closed_months", "best_case", "energy"}


# One survey of one stream, with these errors of the heads [m].
def one_survey(errors_m, value=None, **columns):
    count = len(errors_m)
    stretches, stations = stream(count, **columns)
    drawn = np.append(np.array(errors_m, dtype=float), 0.0)[:, None].astype(np.float32)
    value = Worth(np.full(count, 100.0), np.ones(count)) if value is None else value
    return luck_of_chosen(stretches, stations, drawn, value, LIMITS_M)


@pytest.mark.parametrize(
    ("error_m", "columns", "luck"),
    [
        # Heads at the limits are within them, by what is measured and by what is claimed.
        (4.0, {}, 10.0),
        (4.125, {}, None),
        (-5.0, {}, -12.5),
        (-5.125, {}, None),
        # Errors count by a quarter where the standard error was halved, but what is measured has its limits too.
        (3.0, {"head_se_m": 0.2}, 3.75),
        (4.125, {"head_se_m": 0.2}, None),
        (-5.0, {"head_se_m": 0.2}, -6.25),
        (-5.125, {"head_se_m": 0.2}, None),
        # A head that was raised by 4 m is claimed to be that of the survey and these once more.
        (0.0, {"head_uncorrected_m": 2.0}, 10.0),
        (0.125, {"head_uncorrected_m": 2.0}, None),
        (-2.0, {"head_uncorrected_m": 2.0}, 5.0),
    ],
)
def test_luck_is_what_is_claimed_beyond_the_truth_in_standard_errors(error_m, columns, luck):
    sums = one_survey([error_m], **columns)

    assert sums.loc["diversion"].tolist() == pytest.approx([0.0, 0.0] if luck is None else [1.0, luck], abs=1e-5)


def test_a_head_without_an_error_is_chosen_beyond_the_limits_and_has_no_luck():
    certain = {"head_m": [20.0, 6.0], "head_se_m": [0.0, 0.4], "head_uncorrected_se_m": [0.0, 0.4]}

    # It takes what the other one would, whatever the survey says of it.
    sums = one_survey([0.5, 0.5], Worth(np.array([100.0, 99.0]), np.ones(2)), **certain)
    surveyed = one_survey([0.5, 0.5], Worth(np.array([100.0, 99.0]), np.ones(2)), head_surveyed=[True, False])

    assert sums.loc["diversion"].tolist() == [0.0, 0.0]
    assert surveyed.loc["diversion"].tolist() == [0.0, 0.0]


@pytest.mark.parametrize(
    ("value", "per_m", "chosen"),
    [(100.0, 1.0, 1.0), (np.nan, 1.0, 0.0), (100.0, np.nan, 0.0), (-0.5, 1.0, 0.0), (-0.25, 1.0, 1.0)],
)
def test_where_no_plant_fits_or_pays_nothing_is_chosen(value, per_m, chosen):
    sums = one_survey([0.5], Worth(np.array([value]), np.array([per_m])))

    assert sums.loc["diversion", "sites"] == chosen


def test_a_surveyed_head_gains_nothing_by_a_survey_and_an_error_is_that_of_both_ends():
    # The first, of 100, is surveyed; the second, of 99.5, gains what its intake is off more than the tailrace.
    stretches, stations = stream(2, head_surveyed=[True, False])
    given = Worth(np.array([100.0, 99.5]), np.ones(2)), LIMITS_M

    def luck(intake_m, tailrace_m):
        drawn = np.array([[9.0], [intake_m], [tailrace_m]], dtype=np.float32)
        return luck_of_chosen(stretches, stations, drawn, *given).loc["diversion"].tolist()

    assert luck(0.75, 0.0) == pytest.approx([1.0, 0.75 / SE_M], abs=1e-6)
    assert luck(0.75, 0.125) == pytest.approx([1.0, 0.625 / SE_M], abs=1e-6)
    assert luck(0.75, 0.375) == [0.0, 0.0]


def test_a_scheme_type_that_was_never_chosen_has_the_luck_of_all_and_a_surveyed_head_none():
    stretches, _ = stream(3, scheme_type=["diversion", "new_weir", "new_weir"], head_surveyed=[False, False, True])
    sums = pd.DataFrame({"sites": [90.0], "luck": [27.0]}, index=["diversion"])

    assert luck_in_heads_m(stretches.table, sums, 10.0).tolist() == pytest.approx([0.3 * SE_M, 0.3 * SE_M, 0.0])


def test_a_metre_of_head_adds_its_value_to_what_is_compared():
    # Of two with 10 each the second gains 0.4 and the first 0.3 by the survey.
    sums = one_survey([0.3, 0.1], Worth(np.full(2, 10.0), np.array([1.0, 4.0])))

    assert sums.loc["diversion"].tolist() == pytest.approx([1.0, 0.25], abs=1e-6)


def test_luck_counts_to_two_digits_and_without_any_site_nothing_is_taken_off():
    stretches, _ = stream(1)

    def taken_m(sites, luck):
        sums = pd.DataFrame({"sites": [sites], "luck": [luck]}, index=["diversion"])
        return luck_in_heads_m(stretches.table, sums, 0.0).tolist()

    assert taken_m(1000.0, 123.4) == pytest.approx([0.12 * SE_M])
    assert taken_m(1000.0, 126.0) == pytest.approx([0.13 * SE_M])
    assert taken_m(1000.0, -126.0) == [0.0]
    assert taken_m(0.0, 0.0) == [0.0]
    # No more than there is of the head, and nothing off one whose error is not known.
    assert taken_m(1.0, 1000.0) == [HEAD_M]
    unknown = stretches.table.assign(head_se_m=np.nan)
    sums = pd.DataFrame({"sites": [1.0], "luck": [1.0]}, index=["diversion"])
    assert luck_in_heads_m(unknown, sums, 0.0).tolist() == [0.0]


def test_plants_keep_their_distance_in_the_surveys_too():
    # Two diversions one above the other with 50 m between them.
    downstream = np.array([1, 2, 3, -1], dtype=np.int32)
    stations = pd.DataFrame({"downstream": downstream, "to_downstream_m": [50.0, 50.0, 50.0, 0.0]})
    table = stream(2)[0].table.assign(intake=[0, 2], tailrace=[1, 3])
    stretches = Stretches(table, np.array([0, 1, 2]), np.array([1, 2]), np.array([1, 3], dtype=np.int32))
    value = Worth(np.array([100.0, 90.0]), np.zeros(2))

    def sites(*free_m):
        sums = luck_of_chosen(stretches, stations, np.zeros((4, 1), np.float32), value, LIMITS_M, *free_m)
        return sums.loc["diversion", "sites"]

    assert [sites(free_m) for free_m in (0.0, 50.0, 50.5)] == [2.0, 2.0, 1.0]
    # Where no distance is given, half a metre is enough.
    stations["to_downstream_m"] = [0.5, 0.5, 0.5, 0.0]
    assert [sites(), sites(1.0)] == [2.0, 1.0]
