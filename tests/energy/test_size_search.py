"""The search for the best size on a few bins, against all sizes judged one by one."""

import numpy as np
import pytest

from sitefinder.energy import sizing
from sitefinder.energy.hydraulics import waterway
from sitefinder.energy.sizing import ANY, AS_BUILT, CHOICES, COVERED, FLOW, SAFE, SCORE, SUMMED, UNITS
from sitefinder.energy.turbines import turbine_table

BINS, ROWS = 9, 4
SHARES = np.linspace(0.08, 0.92, 13)


class Case:
    """Four places, of which the first two have the same intake, and two classes."""

    def __init__(self, seed, turbine_class, costs, settings, energy, choose_by):
        random = np.random.default_rng(seed)
        settings = settings.model_copy(
            update={
                "energy": settings.energy.model_copy(update={"min_power_kw": 4.0} | energy),
                "ranking": settings.ranking.model_copy(update={"choose_by": choose_by}),
            }
        )
        runner = {"diameter_factor": 0.42, "scale_exponent": 0.3, "source": "an example"}
        curve = ((0.2, 0.5), (0.5, 0.75), (0.8, 0.85), (1.0, 0.83))
        plain = {"units_max": 2, "flow_range_m3s": (0.2, 1.1), "efficiency": curve, "lowest_relative_flow": 0.3}
        self.turbines = turbine_table(
            [turbine_class(**plain, runner=runner), turbine_class(**(plain | {"flow_range_m3s": (0.3, 4.0)}))]
        )
        curve = 1.5 * np.exp(np.sort(random.normal(size=(3, BINS)), axis=1)[:, ::-1])
        self.usable, self.order = sizing.usable_flow(curve, np.full_like(curve, 0.2))
        self.rise = 0.6 * random.uniform(0.5, 1.0) * curve**0.4
        self.intake, self.tailrace = np.array([0, 0, 1, 2]), np.array([1, 2, 2, 2])
        self.held = random.random(ROWS) < 0.5
        self.head = random.uniform(2.0, 6.0, ROWS)
        is_pipe = energy.get("conduit") == "pipe"
        self.conduit_m = random.uniform(50.0, 900.0, ROWS) if is_pipe else np.zeros(ROWS)
        self.place_cost = random.uniform(0.0, 2e4, ROWS)
        self.law = np.column_stack([np.full(ROWS, np.nan), np.zeros((ROWS, 3))])
        self.law[3] = 9000.0, 0.6, 700.0, 0.8
        self.works = random.uniform(1.0, 60.0, (ROWS, 5))
        self.prices, self.way = sizing.search_prices(costs, settings), waterway(settings.energy)
        self.setting = random.uniform(1.0, 1.5, (ROWS, 2))
        self.safe = random.uniform(0.4, 1.6, (ROWS, 2)), random.uniform(0.2, 0.8, (ROWS, 2))
        self.flows = sizing.DesignFlows(SHARES, np.array([0, 7, 12]))
        self.fits = np.array([[True, True], [True, True], [False, True], [True, True]])

    @property
    def arguments(self):
        return self.at([0, 1, 2, 3])

    def at(self, rows):
        """Arguments of the search for some of the places, in any order."""
        return (
            self.usable, self.order, self.rise, self.intake[rows], self.tailrace[rows], self.held[rows],
            self.head[rows], np.zeros(len(rows), dtype=np.int64), self.conduit_m[rows], self.place_cost[rows],
            self.law[rows], self.works[rows], self.flows, self.fits[rows], self.turbines, self.prices, self.way,
            self.setting[rows], tuple(safe[rows] for safe in self.safe),
        )  # fmt: skip

    def one_by_one(self, row, number):
        """The best of all units and flows of a class at a place, per choice, by the parts alone."""
        bins = np.zeros((4, BINS + 1))
        sizing._fill_bins(
            self.usable, self.rise, self.order, self.intake[row], self.tailrace[row], self.held[row],
            self.head[row], bins,
        )  # fmt: skip
        price = np.array(sizing._search_record(self.prices, self.way)).reshape(1).view(np.recarray)[0]
        table, best = self.turbines, [(-np.inf, 0, 0.0)] * CHOICES
        one = np.zeros(1, dtype=sizing.CLASS).view(np.recarray)[0]
        for name in sizing.CLASS.names:
            one[name] = getattr(table, name)[number]
        site = np.zeros(1, dtype=sizing.CLASS_AT_SITE).view(np.recarray)[0]
        site.head, site.conduit_m, site.place_cost = self.head[row], self.conduit_m[row], self.place_cost[row]
        site.setting = self.setting[row, number]
        site.project_law, site.project_law_exponent, site.second_law, site.second_law_exponent = self.law[row]
        site.canal_m, site.penstock_m, site.by_area, site.by_perimeter, site.least_m = self.works[row]
        curve, usable = table.efficiency[number], bins[0, :-1]
        tries = np.interp(SHARES, (np.arange(BINS) + 0.5) / BINS, usable)
        for units in range(1, int(one.units_max) + 1):
            sizing._fill_class(site, units, one, curve[-1], price)
            reached = set()
            for flow in np.minimum(tries, site.flow_max):
                if flow < site.flow_min:
                    continue
                sizes = np.zeros((1, sizing.SIZE_TERMS))
                sizing.fill_size(flow, 0, sizes, price)
                scale, loss = sizing._scale_of(flow, site), sizing._loss_at(0, sizes, site, price)
                for screened in (False, True):
                    is_safe = flow / units >= self.safe[screened][row, number]
                    # A screen is built where that makes a plant safe that is not.
                    if screened and (not is_safe or flow / units >= self.safe[0][row, number]):
                        continue
                    bypass, lost = (price.bypass_share * flow, price.screen_loss_m) if screened else (0.0, 0.0)
                    full = int((usable >= flow + bypass).sum())
                    power = sizing.rated_kw(bins, full, flow, loss, scale, site, curve, price, lost)
                    if power < price.min_power_kw:
                        continue
                    energy = price.mwh_per_kw * sizing.mean_kw(
                        bins, full, flow, power, loss, scale, site, curve, price, bypass, lost
                    )
                    if energy < price.min_capacity_factor * power * 8.766:
                        continue
                    capital = sizing._capital_of(power, 0, sizes, site, price)
                    capital += sizing._screen_of(flow, price) if screened else 0.0
                    score = sizing.score_of(energy, capital, power, price)
                    choices = [SAFE] if screened else [ANY, SAFE, AS_BUILT] if is_safe else [ANY]
                    for choice in choices:
                        if price.min_capacity_factor > 0.0 and (choice in reached):
                            continue
                        reached.add(choice)
                        if score > best[choice][0]:
                            best[choice] = score, units, flow
        return np.array(best)


DESIGNS = [
    ({"conduit": conduit, "design_by": by}, choose_by)
    for conduit in ("canal", "pipe")
    for by, choose_by in (("choice", "net_value"), ("choice", "energy"), ("lcoe_per_kwh", "net_value"))
]


@pytest.mark.parametrize(("seed", "energy", "choose_by"), [(seed, *each) for seed, each in enumerate(DESIGNS)])
def test_the_search_finds_the_best_of_all_sizes_judged_one_by_one(
    seed, energy, choose_by, turbine_class, generic_costs, settings
):
    case = Case(seed, turbine_class, generic_costs, settings, energy, choose_by)
    expected = np.full((ROWS, 2, CHOICES, 3), -np.inf)
    for row, number in np.argwhere(case.fits):
        expected[row, number] = case.one_by_one(row, number)

    each = sizing.best_of_turbines(*case.arguments)
    turbine, found, counts = sizing.best_of_stretches(*case.arguments)

    for row, number in np.argwhere(case.fits):
        is_found = expected[row, number, :, 0] > -np.inf
        own = each[row, number][:, [SCORE, UNITS, FLOW]]
        np.testing.assert_allclose(own[is_found], expected[row, number][is_found], rtol=1e-11)
        assert np.isnan(own[~is_found]).all()
    assert np.isnan(each[~case.fits]).all()
    best = expected[..., 0].max(axis=1)
    assert (best > -np.inf).sum() > 8
    number = np.where(best > -np.inf, expected[..., 0].argmax(axis=1), -1)
    assert turbine.tolist() == number.tolist()
    for row, choice in np.argwhere(number >= 0):
        np.testing.assert_array_equal(found[row, choice], each[row, number[row, choice], choice])
    assert np.isnan(found[number < 0]).all()
    # Bounds spare sums; what no limit keeps out is covered once, for each number of units.
    assert counts[COVERED] == sum(13 * 2 for _ in np.argwhere(case.fits))
    assert counts[SUMMED] < 0.85 * counts[COVERED]
    # With a floor just below the best, the same is found; with one above it, none need be.
    again, same, _ = sizing.best_of_stretches(*case.arguments, wanted=(ANY,), floor=best[:, ANY] - 1e-6)
    assert again[:, ANY].tolist() == number[:, ANY].tolist()
    np.testing.assert_array_equal(same[:, ANY], found[:, ANY])
    assert (again[:, SAFE:] == -1).all()
    other, poor, _ = sizing.best_of_stretches(*case.arguments, wanted=(ANY,), floor=best[:, ANY] + 1.0)
    np.testing.assert_array_equal(np.isnan(poor[:, ANY]).any(axis=1), other[:, ANY] < 0)
    # That is of the middle design flow, whatever is best near it and at other places.
    middle = np.array(
        [np.interp(SHARES[7], (np.arange(BINS) + 0.5) / BINS, case.usable[at]) for at in case.intake]
    )
    assert (other[:, ANY] >= 0).any()
    of_second = other[:, ANY] == 1
    np.testing.assert_allclose(poor[of_second, ANY, FLOW], middle[of_second], rtol=1e-12)
    first, any_will_do, _ = sizing.best_of_stretches(*case.arguments, ceiling=np.full(ROWS, -1e12))
    has_middle = (other[:, ANY] >= 0) & (any_will_do[:, ANY, SCORE] > -1e12)
    assert first[has_middle, ANY].tolist() == other[has_middle, ANY].tolist()
    np.testing.assert_array_equal(any_will_do[has_middle, ANY], poor[has_middle, ANY])
    # From a ceiling on, any plant above it will do, and no other choice has one.
    ceiling = best[:, ANY] - 0.2 * np.abs(best[:, ANY])
    enough, some, _ = sizing.best_of_stretches(*case.arguments, ceiling=ceiling)
    assert (some[:, ANY, SCORE] > ceiling).all()
    assert (some[:, ANY, SCORE] <= best[:, ANY] * (1.0 + np.sign(best[:, ANY]) * 1e-11)).all()
    assert (enough[:, ANY] >= 0).all()
    assert (enough[:, SAFE:] == -1).all()
    assert np.isnan(some[:, SAFE:]).all()


@pytest.mark.parametrize(("conduit", "factor"), [("canal", 0.5), ("pipe", 0.3)])
def test_by_capacity_factor_the_greatest_flow_that_reaches_it_is_taken(
    conduit, factor, turbine_class, generic_costs, settings
):
    energy = {"conduit": conduit, "design_by": "capacity_factor", "design_capacity_factor": factor}
    case = Case(3, turbine_class, generic_costs, settings, energy, "net_value")

    each = sizing.best_of_turbines(*case.arguments)
    turbine, found, _ = sizing.best_of_stretches(*case.arguments)

    best = np.where(np.isnan(each[..., SCORE]), -np.inf, each[..., SCORE])
    for row, choice in np.ndindex(turbine.shape):
        number = best[row, :, choice].argmax()
        assert turbine[row, choice] == (number if best[row, number, choice] > -np.inf else -1)
        np.testing.assert_array_equal(found[row, choice], each[row, number, choice])
    some = 0
    for row, number in np.argwhere(case.fits):
        expected = case.one_by_one(row, number)
        is_found = expected[:, 0] > -np.inf
        own = each[row, number][:, [SCORE, UNITS, FLOW]]
        np.testing.assert_allclose(own[is_found], expected[is_found], rtol=1e-11)
        assert np.isnan(own[~is_found]).all()
        some += is_found.sum()
    assert some > 6


def test_a_place_has_the_same_plants_whichever_places_are_searched_before(
    monkeypatch, turbine_class, generic_costs, settings
):
    case = Case(7, turbine_class, generic_costs, settings, {"conduit": "canal"}, "net_value")
    turbine, found, _ = sizing.best_of_stretches(*case.arguments)
    empty = np.empty
    # Nor does it matter what the room to work in holds before.
    monkeypatch.setattr(np, "empty", lambda *given, **named: _with_rubbish(empty(*given, **named)))

    for rows in ([0], [0, 2, 1, 1], [3, 0, 3]):
        again, same, _ = sizing.best_of_stretches(*case.at(rows))
        assert again.tolist() == turbine[rows].tolist()
        np.testing.assert_allclose(same, found[rows], rtol=1e-12)
    # The class of the place before, at the same intake, may not fit here, or there may be none.
    for fits in ([False, False], [True, True]), ([True, True], [True, False]), ([True, True], [False, True]):
        case.fits[:2] = fits
        alone = [sizing.best_of_stretches(*case.at([row])) for row in (0, 1)]
        again, same, _ = sizing.best_of_stretches(*case.at([0, 1]))
        assert again.tolist() == [*alone[0][0].tolist(), *alone[1][0].tolist()]
        np.testing.assert_allclose(same, np.concatenate([each[1] for each in alone]), rtol=1e-12)


def _with_rubbish(array):
    if array.dtype.kind in "if":
        array[...] = 77777
    return array


@pytest.mark.parametrize("way", ["each", "best"])
def test_of_equal_plants_that_with_fewer_units_is_the_best(way, turbine_class, generic_costs, settings):
    case = Case(7, turbine_class, generic_costs, settings, {}, "energy")
    # The same flow all year, which one unit takes as well as two.
    case.usable[:], case.rise[:] = 1.0, 0.0
    case.turbines = case.turbines._replace(flow_min_m3s=np.array([0.2, 0.3]), flow_max_m3s=np.array([2.0, 2.0]))

    if way == "each":
        found = sizing.best_of_turbines(*case.at([2]))[0, 1]
    else:
        found = sizing.best_of_stretches(*case.at([2]))[1][0]

    assert found[ANY, [UNITS, FLOW]].tolist() == [1.0, 1.0]


@pytest.mark.parametrize(
    ("flow_min", "flow_max", "covered", "flow"),
    [
        (0.9, 0.9, 13, 0.9),
        (3.0, 9.0, 13, 3.0),
        (np.nextafter(3.0, 4.0), 9.0, 0, np.nan),
        (2.9, 9.0, 13, 3.0),
        (4.0, 3.5, 0, np.nan),
        (1.0, 0.9, 0, np.nan),
    ],
)
def test_sizes_are_covered_within_the_limits_of_a_class(
    flow_min, flow_max, covered, flow, turbine_class, generic_costs, settings
):
    case = Case(7, turbine_class, generic_costs, settings, {"min_power_kw": 0.0}, "energy")
    # The greatest flow to try is 3 m³/s, the next far below 2.9.
    case.usable[:], case.rise[:], case.flows = (
        np.linspace(3.0, 0.6, BINS),
        0.0,
        sizing.DesignFlows(np.linspace(0.0, 0.96, 13), np.array([0, 7, 12])),
    )
    case.turbines = case.turbines._replace(
        flow_min_m3s=np.full(2, flow_min), flow_max_m3s=np.full(2, flow_max), units_max=np.array([1, 1])
    )

    _, found, counts = sizing.best_of_stretches(*case.at([2]))

    assert counts[COVERED] == covered
    np.testing.assert_allclose(found[0, ANY, FLOW], flow, rtol=1e-15)


@pytest.mark.parametrize("lowest", [0, 1, 4, BINS - 1])
def test_the_search_sees_a_place_as_it_is(lowest, monkeypatch, turbine_class, generic_costs, settings):
    case = Case(7, turbine_class, generic_costs, settings, {"conduit": "pipe"}, "energy")
    search, seen, room = sizing._search, [], sizing.CLASS_AT_SITE

    def noted(*given):
        seen.extend(each for each in given if getattr(each, "dtype", None) in (room, np.dtype((np.record, room))))
        search(*given)

    if hasattr(search, "compiled"):
        noted.compiled = search.compiled
    # In one bin of the year the water at the intake is not as high as in the others.
    rise = np.full(BINS, 0.5)
    rise[case.order[0, lowest]] = 0.25
    case.rise[0], case.rise[2], case.held[1], case.law[1] = rise, 0.0, False, (11.0, 0.1, 12.0, 0.2)
    monkeypatch.setattr(sizing, "_search", noted)

    sizing.best_of_stretches(*case.at([1]))

    place = seen[0][0]
    assert place["least_head"] == case.head[1] + 0.25
    names = "head", "conduit_m", "place_cost", "canal_m", "penstock_m", "by_area", "by_perimeter", "least_m"
    expected = [case.head[1], case.conduit_m[1], case.place_cost[1], *case.works[1]]
    assert [place[name] for name in names] == expected
    names = "project_law", "project_law_exponent", "second_law", "second_law_exponent"
    assert [place[name] for name in names] == [11.0, 0.1, 12.0, 0.2]
    # The last that is looked at is the second class, with as many units as it may have.
    names = "number", "units", "setting", "safe_as_built_m3s", "safe_screened_m3s"
    assert [place[name] for name in names] == [1, 2, case.setting[1, 1], *(safe[1, 1] for safe in case.safe)]


@pytest.mark.parametrize("coarse", [[0, 5], [0, 3, 5], [0, 1, 2, 3, 5]])
def test_no_list_of_first_flows_and_no_ceiling_hides_a_better_plant(
    coarse, turbine_class, generic_costs, settings
):
    case, shares = Case(7, turbine_class, generic_costs, settings, {}, "energy"), SHARES[::2][:6]
    case.flows = sizing.DesignFlows(shares, np.array(coarse))

    # What each of the flows has alone, of which the best is that of all.
    def alone(share):
        case.flows = sizing.DesignFlows(np.array([share]), np.array([0]))
        return sizing.best_of_turbines(*case.at([2]))[0, 1, ANY, SCORE]

    own = np.array([alone(share) for share in shares])
    case.flows = sizing.DesignFlows(shares, np.array(coarse))
    assert np.isfinite(own).all()
    assert len(set(own)) == len(own)
    assert sizing.best_of_turbines(*case.at([2]))[0, 1, ANY, SCORE] == own.max()
    # From a ceiling on any will do, but not one that is just as good.
    for ceiling in own:
        found = sizing.best_of_stretches(*case.at([2]), ceiling=np.array([ceiling]))[1][0, ANY, SCORE]
        assert found > ceiling or found == own.max()
    # Below a floor that none reaches, the middle one of the first flows is given.
    given = sizing.best_of_stretches(*case.at([2]), floor=np.array([1e12]))[1][0, ANY, FLOW]
    middle = np.interp(shares[coarse[len(coarse) // 2]], (np.arange(BINS) + 0.5) / BINS, case.usable[1])
    assert given == pytest.approx(middle, rel=1e-12)


@pytest.mark.parametrize(("flow", "units"), [(0.5, 1), (1.0, 1), (1.1, 2), (2.0, 2), (2.9, 3), (9.0, 3)])
def test_below_a_floor_as_few_units_are_given_as_take_the_flow(
    flow, units, turbine_class, generic_costs, settings
):
    case = Case(7, turbine_class, generic_costs, settings, {"min_power_kw": 0.0}, "energy")
    case.usable[:], case.rise[:] = flow, 0.0
    case.turbines = case.turbines._replace(
        flow_min_m3s=np.full(2, 0.1), flow_max_m3s=np.full(2, 1.0), units_max=np.array([3, 3])
    )

    found = sizing.best_of_stretches(*case.at([2]), floor=np.array([1e12]))[1][0, ANY]

    assert found[[UNITS, FLOW]].tolist() == [units, min(flow, 3.0)]
