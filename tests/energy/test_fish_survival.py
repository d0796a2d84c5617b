"""Survival of groups of fish: as built and behind a screen, which group decides, and from which size on."""

import numpy as np
import pytest
from plain_turbines import survival

from sitefinder.catalogue.turbines import StrikeLaw
from sitefinder.energy.fish_survival import (
    GRADES,
    Draw,
    _within,
    as_built_share,
    drawn_places,
    least_safe_flow,
    meets_bar,
    of_plants,
    prob_safe,
    screened_share,
    survival_by_group,
    turbine_grade,
    worst_of_groups,
)
from sitefinder.energy.valuation import fish_answers, plant_survival
from sitefinder.settings import FishGroup, FishSettings

TESTED, MODELLED, CLAIMED, NONE = range(4)
SMOLTS = FishGroup(name="smolts", lengths_m=[0.15, 0.2], direction="down")
EELS = FishGroup(name="eels", lengths_m=[0.7], direction="down", min_survival=0.8, thickness_share=0.03)
ADULTS = FishGroup(name="adult trout", lengths_m=[0.4], direction="up")


def fish(*groups, **changes):
    return FishSettings(groups=list(groups), **changes)


def test_the_order_of_grades_is_that_of_the_vocabulary():
    assert GRADES == ("tested", "modelled", "claimed", "none")


def test_behind_a_screen_guidance_does_not_depend_on_the_turbine(turbine_class, screen):
    rack = screen(guidance=((0.1, 0.4), (0.2, 0.8)), bypass_survival=0.95)
    turbines = [turbine_class(name=str(share), survival=survival(share)) for share in (0.9, 0.5, 0.0)]

    found = survival_by_group(turbines, rack, fish(SMOLTS), [0, 1, 2], np.ones(3), np.full(3, 3.0))

    # The worst length is the shorter: 0.6 of it are guided, and 0.95 of these live.
    expected = 0.6 * 0.95 + 0.4 * np.array([0.9, 0.5, 0.0])
    assert found.screened[:, 0] == pytest.approx(expected)
    assert found.as_built[:, 0] == pytest.approx([0.9, 0.5, 0.0])
    # What goes to the turbine is the same share of the fish for each: the slope over its survival.
    assert np.diff(found.screened[:, 0]) / np.diff(found.as_built[:, 0]) == pytest.approx([0.4, 0.4])


@pytest.mark.parametrize(("spacing_mm", "alive"), [(14.9, 0.9), (15.0, 0.9 * 0.5 + 0.5 * 0.2)])
def test_fish_wider_than_the_gap_do_not_reach_the_turbine(screen, spacing_mm, alive):
    rack = screen(bar_spacing_mm=spacing_mm, bypass_survival=0.9)

    # A fish of 0.15 m is 15 mm wide.
    assert screened_share(rack, 0.15, 0.10, 0.2) == pytest.approx(alive)


def test_shorter_fish_than_stated_are_guided_in_proportion(screen):
    rack = screen(guidance=((0.1, 0.4), (0.2, 0.8)))

    assert [rack.guided(length) for length in (0.05, 0.1, 0.15, 0.2, 0.9)] == pytest.approx(
        [0.2, 0.4, 0.6, 0.8, 0.8]
    )


def test_the_group_with_the_least_margin_decides_and_not_the_one_with_the_least_survival(generic_turbines):
    # At a large runner eels, of a bar of 0.5, survive less than smolts, but by more than they must.
    groups = fish(SMOLTS, EELS.model_copy(update={"min_survival": 0.5}), ADULTS)
    found = survival_by_group(generic_turbines, None, groups, [0], [30.0], [3.0])
    share, grade = of_plants(found, [False])

    group, decisive, weakest = worst_of_groups(share, grade, groups)

    assert share[0, 1] < share[0, 0]
    assert np.isnan(share[0, 2])  # nothing goes down of the adults
    assert (group[0], decisive[0], weakest[0]) == (0, share[0, 0], MODELLED)
    # With one bar for all the eels decide.
    alike = fish(SMOLTS, EELS.model_copy(update={"min_survival": None}))
    assert worst_of_groups(share[:, :2], grade[:, :2], alike)[0].tolist() == [1]


def test_where_no_turbine_stands_no_group_decides(generic_turbines):
    found = survival_by_group(generic_turbines, None, fish(SMOLTS), [-1], [1.0], [3.0])
    group, decisive, weakest = worst_of_groups(*of_plants(found, [False]), fish(SMOLTS))

    assert (group[0], weakest[0]) == (-1, -1)
    assert np.isnan(decisive[0])
    assert not meets_bar(*of_plants(found, [False]), fish(SMOLTS, evidence=[*GRADES])).any()


def test_a_share_runs_from_its_worst_to_what_is_stated_and_on_to_its_best():
    # Worst 0, as stated 0.2, best 1: a fifth of the way in the lower half, four fifths in the upper.
    found = _within(0.0, 0.2, 1.0, np.array([0.0, 0.25, 0.5, 0.52, 0.75, 1.0]))

    assert found == pytest.approx([0.0, 0.1, 0.2, 0.2 + 0.04 * 0.8, 0.6, 1.0])


def test_no_more_fish_die_than_there_are(generic_turbines):
    # A runner of a litre a second hits a fish of 0.7 m far more than once.
    assert as_built_share(generic_turbines[0], 0.7, np.array([0.001]), 3.0, 0.8).tolist() == [0.0]


@pytest.mark.parametrize(("below", "is_safe"), [(0.0, True), (1e-10, True), (1e-8, False)])
def test_a_share_at_the_bar_meets_it_and_so_does_one_below_by_rounding_alone(turbine_class, below, is_safe):
    groups = fish(SMOLTS, min_survival=0.9)
    stated = survival(0.9 - below) | {"share_range": (0.9 - below, 0.9 - below)}
    plant = [turbine_class(survival=stated)], None, groups, [0], [1.0], [3.0]

    assert meets_bar(*of_plants(survival_by_group(*plant), [False]), groups).tolist() == [[is_safe]]
    assert prob_safe(*plant, [False], Draw(*np.full((3, 4), 0.3)))[1].tolist() == [float(is_safe)]


def test_a_plant_is_safe_in_a_draw_where_it_is_so_for_every_group(turbine_class):
    stated = survival(0.9) | {"share_range": (0.9, 0.9)}
    groups = fish(SMOLTS, EELS.model_copy(update={"min_survival": 0.95}), min_survival=0.8)

    each, together = prob_safe(
        [turbine_class(survival=stated)], None, groups, [0], [1.0], [3.0], [False], Draw(*np.full((3, 4), 0.5))
    )

    assert (each.tolist(), together.tolist()) == ([[1.0, 0.0]], [0.0])


@pytest.mark.parametrize(("bypass_survival", "least_m3s"), [(0.8, 0.0), (0.79, np.inf)])
def test_behind_a_screen_that_guides_every_fish_the_bypass_alone_decides(
    generic_turbines, screen, bypass_survival, least_m3s
):
    alive = {"bypass_survival": bypass_survival, "bypass_survival_range": (0.7, 0.9)}
    rack = screen(guidance=((0.1, 1.0), (0.9, 1.0)), **alive)

    smolts = fish(SMOLTS, min_survival=0.8, evidence=[*GRADES])
    _, screened = least_safe_flow(generic_turbines, rack, smolts, np.ones(1))

    assert (screened == least_m3s).all()


def test_fish_that_only_go_up_are_not_the_turbines(generic_turbines):
    only_up = fish(ADULTS)
    found = survival_by_group(generic_turbines, None, only_up, [0, -1], [1.0, 1.0], [3.0, 3.0])
    share, grade = of_plants(found, [False, False])

    assert [each.tolist() for each in worst_of_groups(share, grade, only_up)] == [[-1, -1], [1.0, 1.0], [0, 0]]
    assert meets_bar(share, grade, only_up).all()
    assert least_safe_flow(generic_turbines, None, only_up, np.ones(1))[0].max() == 0.0


def test_a_trial_counts_for_the_lengths_that_it_was_made_with(turbine_class, screen):
    stated = survival(0.99)
    stated["trials"] = ({**stated["trials"][0], "lengths_m": (0.1, 0.3)},)
    turbine = turbine_class(survival=stated)

    assert [turbine_grade(turbine, length) for length in (0.09, 0.1, 0.3, 0.31)] == [NONE, TESTED, TESTED, NONE]
    flows = least_safe_flow([turbine], None, fish(SMOLTS), np.ones(1))[0]
    too_long = least_safe_flow([turbine], None, fish(EELS), np.ones(1))[0]
    assert (flows[0, 0], too_long[0, 0]) == (0.0, np.inf)
    # Of fish that the screen lets through, both the screen and the turbine must be known.
    untried = screen(trials=())
    found = survival_by_group([turbine], untried, fish(SMOLTS), [0], [1.0], [3.0])
    assert found.grade_screened.tolist() == [[NONE]]
    narrow = screen(trials=(), bar_spacing_mm=10.0)
    found = survival_by_group([turbine], narrow, fish(SMOLTS), [0], [1.0], [3.0])
    assert found.grade_screened.tolist() == [[MODELLED]]


@pytest.mark.parametrize("bar", [0.5, 0.8, 0.95, 0.99])
@pytest.mark.parametrize(
    "evidence", [["tested"], ["tested", "modelled"], ["tested", "modelled", "claimed", "none"]]
)
def test_a_unit_is_safe_from_the_stated_flow_on_and_not_below(generic_turbines, screen, bar, evidence):
    rack = screen(guidance=((0.1, 0.4), (0.2, 0.8)), bypass_survival=0.97)
    groups = fish(SMOLTS, EELS.model_copy(update={"min_survival": bar - 0.2}), min_survival=bar, evidence=evidence)
    heads = np.array([1.3, 2.5, 6.0])

    as_built, screened = least_safe_flow(generic_turbines, rack, groups, heads)

    finite = 0
    for number in range(len(generic_turbines)):
        for from_m3s, has_screen in ((as_built[:, number], False), (screened[:, number], True)):
            for factor, is_safe in ((1.001, True), (0.999, False)):
                flow = np.where(np.isfinite(from_m3s) & (from_m3s > 0), from_m3s * factor, 1.0)
                found = survival_by_group(generic_turbines, rack, groups, np.full(3, number), flow, heads)
                meets = meets_bar(*of_plants(found, np.full(3, has_screen)), groups).all(axis=1)
                expected = np.where(np.isfinite(from_m3s), np.where(from_m3s > 0, is_safe, True), False)
                assert meets.tolist() == expected.tolist(), (number, has_screen)
                finite += int((np.isfinite(from_m3s) & (from_m3s > 0)).sum())
    assert finite > 0 or evidence == ["tested"]


def test_larger_slower_fewer_bladed_runners_and_shorter_fish_live_more(generic_turbines):
    def alive(length=0.15, flow=10.0, head=3.0, blades=4, load=0.8):
        law = generic_turbines[0].strike.model_copy(update={"blades": blades})
        turbine = generic_turbines[0].model_copy(update={"strike": law})
        group = FishGroup(name="one", lengths_m=[length])
        settings = FishSettings(groups=[group], relative_flow=load)
        return survival_by_group([turbine], None, settings, [0], [flow], [head]).as_built[0, 0]

    # Twice the diameter, so four times the flow, halves the strikes; twice the fish doubles them.
    assert 1 - alive(flow=40.0) == pytest.approx((1 - alive()) / 2)
    assert 1 - alive(length=0.3) == pytest.approx((1 - alive()) * 2)
    assert 1 - alive(blades=3) == pytest.approx((1 - alive()) * 3 / 4)
    assert alive(head=8.0) < alive()
    assert alive(load=0.4) < alive() < alive(load=1.0)


def test_deaths_per_strike_go_with_the_length_and_a_plain_share_holds_for_all(generic_turbines):
    kaplan = generic_turbines[0]

    def killed(length_m, correlation):
        stated = kaplan.strike.model_dump() | {"correlation": correlation, "correlation_range": (0.0, 1.0)}
        turbine = kaplan.model_copy(update={"strike": StrikeLaw.model_validate(stated)})
        return 1 - float(as_built_share(turbine, length_m, 10.0, 3.0, 0.8))

    by_length = [[0.1, 0.1], [0.3, 0.5]]
    # Twice the length is struck twice as often; halfway between the lengths is halfway between the shares.
    assert killed(0.2, by_length) == pytest.approx(killed(0.1, by_length) * 2 * 3)
    assert killed(0.05, by_length) == pytest.approx(killed(0.1, by_length) / 2)
    assert killed(0.4, by_length) == pytest.approx(killed(0.3, by_length) * 4 / 3)
    assert killed(0.2, 0.3) == pytest.approx(killed(0.2, by_length))
    assert killed(0.4, 0.3) == pytest.approx(killed(0.2, 0.3) * 2)


def test_the_range_of_guidance_goes_with_the_length(screen):
    rack = screen(guidance=((0.1, 0.5), (0.2, 0.9)), guidance_spread=((0.1, 0.4), (0.2, 0.2)))
    plain = screen(guidance=((0.1, 0.5), (0.2, 0.9)), guidance_spread=0.2)

    # What a turbine that kills all leaves is the guidance itself, with a bypass that kills none.
    drawn = [
        [float(screened_share(each, length, 0.05, 0.0, Draw(guidance=place))) for place in (0.0, 0.5, 1.0)]
        for each, length in ((rack, 0.1), (rack, 0.15), (rack, 0.2), (plain, 0.1))
    ]

    # No share is above 1.
    assert drawn == [
        pytest.approx(shares) for shares in ([0.1, 0.5, 0.9], [0.4, 0.7, 1.0], [0.7, 0.9, 1.0], [0.3, 0.5, 0.7])
    ]


def test_the_probability_is_the_share_of_the_range_that_meets_the_bar(turbine_class, screen):
    # Between 0.8 and 0.9 on the lower half of the draws, 0.9 and 1.0 on the upper one: straight, as it happens.
    stated = survival(0.9) | {"share_range": (0.8, 1.0)}
    turbine = turbine_class(survival=stated)
    draws = Draw(*np.tile((np.arange(1000) + 0.5) / 1000, (3, 1)))
    groups = fish(SMOLTS, min_survival=0.85)

    each, together = prob_safe([turbine], None, groups, [0, -1], [1.0, 1.0], [3.0, 3.0], [False, False], draws)

    assert together[0] == pytest.approx(0.75, abs=0.002)
    assert each[0] == pytest.approx([0.75], abs=0.002)
    assert np.isnan(together[1])
    # Evidence that does not count makes no plant safe, however likely its share.
    claimed = turbine_class(survival=survival(0.99, "claimed"))
    assert prob_safe([claimed], None, groups, [0], [1.0], [3.0], [False], draws)[1].tolist() == [0.0]
    # A screen that guides all for certain leaves the turbine no say.
    rack = screen(guidance=((0.001, 1.0),), bypass_survival_range=(1.0, 1.0))
    assert prob_safe([turbine], rack, groups, [0], [1.0], [3.0], [True], draws)[1].tolist() == [1.0]
    # A plant without it is as it was.
    assert (
        prob_safe([turbine], rack, groups, [0], [1.0], [3.0], [False], draws)[1].tolist() == together[:1].tolist()
    )


def test_fish_meet_one_unit_so_that_two_of_half_the_flow_strike_as_one_of_that_flow(
    generic_turbines, generic_costs
):
    def alive(units, flow_design_m3s):
        plants = {"turbine": [0], "units": [units], "flow_design_m3s": [flow_design_m3s]}
        return plant_survival(generic_turbines, generic_costs, fish(SMOLTS), plants, [3.0]).as_built[0, 0]

    assert alive(2, 10.0) == alive(1, 5.0) < alive(1, 10.0)


def test_draws_are_of_the_seed_alone():
    one, again, other = drawn_places(3, 50), drawn_places(3, 50), drawn_places(4, 50)

    assert np.array_equal(one.turbine, again.turbine)
    assert not np.array_equal(one.turbine, other.turbine)
    assert not np.array_equal(one.turbine, one.guidance)


def test_without_groups_an_assumed_one_is_taken_and_said_to_be_assumed():
    settings = FishSettings()

    assert settings.groups_are_assumed
    assert [group.lengths_m for group in settings.migrating] == [[0.15, 0.2]]
    assert not fish(SMOLTS).groups_are_assumed


def test_a_plant_is_safe_as_built_or_behind_its_screen_as_the_question_asks(turbine_class, screen):
    # As built 0.95 and 0.7; half of the fish go round the screen, so that of the second 0.85 survive.
    turbines = [turbine_class(name=str(share), survival=survival(share)) for share in (0.95, 0.7, 0.5)]
    groups = fish(SMOLTS, ADULTS, min_survival=0.8)
    found = survival_by_group(turbines, screen(), groups, [0, 1, 1, 2, -1], np.ones(5), np.full(5, 3.0))
    screened = [False, True, False, True, False]

    by_screen = fish_answers(found, screened, groups.model_copy(update={"safe": "screened"}))
    as_built = fish_answers(found, screened, groups.model_copy(update={"safe": "as_built"}))

    assert by_screen["fish_safe"].tolist() == [True, True, False, False, False]
    assert as_built["fish_safe"].tolist() == [True, False, False, False, False]
    for answers in (by_screen, as_built):
        assert answers["fish_safe_as_built"].tolist() == [True, False, False, False, False]
