"""Parts of the search for the best size, each against what its formula says on a few bins."""

from types import SimpleNamespace

import numpy as np
import pytest

from sitefinder.energy import sizing
from sitefinder.energy.operation import plant_flow_head
from sitefinder.energy.sizing import (
    ABOVE,
    ANY,
    AS_BUILT,
    AT,
    BAR,
    BELOW,
    CAPITAL,
    CHOICES,
    ENERGY,
    FLOW,
    FLOW_AT,
    FRICTION,
    HEAD,
    HELD,
    PIPE_M,
    POWER,
    SAFE,
    SCORE,
    SCREENED,
    SIZE_TERMS,
    UNITS,
    USABLE,
    YEARLY,
)
from sitefinder.energy.turbines import never_throttled_from

# An efficiency curve of five nodes that is best at three quarters.
CURVE = np.array([0.3, 0.5, 0.7, 0.8, 0.76])
KW = 9.81
HOURS = 8.76


def site(**changes):
    usual = {
        "head": 4.0, "conduit_m": 0.0, "place_cost": 0.0, "number": 0, "units": 1, "flow_min": 0.0,
        "flow_max": np.inf, "power_max": np.inf, "full_efficiency": CURVE[-1], "peak_efficiency": CURVE.max(),
        "open_from": never_throttled_from(CURVE, 0.3), "least_head": 0.0, "lowest_relative_flow": 0.3,
        "safe_as_built_m3s": 0.0, "safe_screened_m3s": 0.0, "scale_gain": 1.0, "scale_loss": 0.0,
        "scale_exponent": 0.0,
    }  # fmt: skip
    return SimpleNamespace(**(usual | changes))


def prices(**changes):
    usual = dict.fromkeys((*sizing.Prices._fields, *sizing.Works._fields), 0.0)
    usual |= {
        "kw_per_m3s_m": KW, "mwh_per_kw": HOURS, "capital_factor": 1.0, "operation_law": np.inf,
        "velocity_m_s": 2.0, "by_manning": 1, "manning_n": 0.01, "form_loss": 0.5, "gravity_m_s2": 9.81,
    }  # fmt: skip
    return SimpleNamespace(**(usual | changes))


def filled_bins(usable, head):
    """The table of bins by what its rows stand for."""
    usable, head = np.asarray(usable, dtype=float), np.asarray(head, dtype=float)
    bins = np.zeros((4, len(usable) + 1))
    bins[USABLE, :-1], bins[HEAD, :-1] = usable, head
    bins[ABOVE, 1:] = np.cumsum(head)
    bins[BELOW, :-1] = np.cumsum((usable * head)[::-1])[::-1]
    return bins


@pytest.mark.parametrize("usable", [[], [3.0], [5.0, 3.0, 3.0, 3.0, 1.0, 0.0, 0.0], [4.0, 4.0]])
def test_the_number_of_bins_with_a_flow_is_that_counted_one_by_one(usable):
    bins = filled_bins(usable, [1.0] * len(usable))

    for flow in (0.0, 0.5, 1.0, 2.0, 3.0, 3.5, 4.0, 4.5, 5.0, 6.0):
        assert sizing._bins_above(bins, flow) == sum(each >= flow for each in usable)


@pytest.mark.parametrize("held", [True, False])
def test_heads_of_bins_fall_with_the_tailwater_and_rise_with_an_intake_that_is_not_held(held):
    usable = np.array([[9.0, 9.0, 9.0], [5.0, 2.0, 1.0]])
    rise = np.array([[0.5, 0.2, 0.1], [0.3, 0.1, 0.4]])
    order = np.array([[0, 1, 2], [2, 0, 1]])
    bins = np.zeros((4, 4))

    sizing._fill_bins(usable, rise, order, 1, 0, held, 0.45, bins)

    # Net head less the rise at the tailrace in bins 2, 0 and 1 of the curve, and never less than nothing; by hand.
    heads = [0.35, 0.0, 0.25] if held else [0.75, 0.25, 0.35]
    np.testing.assert_allclose(bins, filled_bins([5.0, 2.0, 1.0], heads), atol=1e-15)


def test_design_flows_lie_on_the_curve_between_midpoints_of_bins():
    usable = [8.0, 5.0, 4.0, 0.0]
    bins = filled_bins(usable, [1.0] * 4)
    shares = np.array([0.0, 0.1, 0.125, 0.2, 0.375, 0.5, 0.7, 0.875, 0.9, 1.0])
    sizes, full = np.full((len(shares) + 2, SIZE_TERMS), np.nan), np.zeros(len(shares), dtype=np.int64)

    sizing._fill_tries(bins, shares, sizes, full, prices())

    expected = np.interp(shares, [0.125, 0.375, 0.625, 0.875], usable)
    np.testing.assert_allclose(sizes[:-2, FLOW_AT], expected, rtol=1e-14)
    assert full.tolist() == [sum(each >= flow for each in usable) for flow in sizes[:-2, FLOW_AT]]
    # π/4 · D² · v is the flow; Manning's friction goes by (D/4)^(4/3). Without flow there is no pipe.
    np.testing.assert_allclose(np.pi / 4.0 * sizes[:-2, PIPE_M] ** 2 * 2.0, expected, rtol=1e-14)
    np.testing.assert_allclose(sizes[:-2, FRICTION], (sizes[:-2, PIPE_M] / 4.0) ** (4.0 / 3.0), rtol=1e-14)
    assert sizes[-3, PIPE_M] == sizes[-3, FRICTION] == 0.0
    assert np.isnan(sizes[-2:]).all()


def test_the_row_of_a_flow_is_its_own_that_of_the_class_or_the_other():
    sizes, price = np.full((4, SIZE_TERMS), np.nan), prices()
    for row, flow in enumerate((3.0, 2.0)):
        sizing.fill_size(flow, row, sizes, price)
    at_site = site(flow_max=2.5)

    assert sizing._row_of(2.0, 1, sizes, at_site, price) == 1
    assert sizing._row_of(2.5, 0, sizes, at_site, price) == 2
    assert sizing._row_of(1.5, 0, sizes, at_site, price) == 3
    assert sizes[:, FLOW_AT].tolist() == [3.0, 2.0, 2.5, 1.5]
    # What is filled is not worked out again, and another flow takes its place.
    sizes[2, PIPE_M] = sizes[3, PIPE_M] = 77.0
    assert sizing._row_of(2.5, 0, sizes, at_site, price) == 2
    assert sizing._row_of(1.5, 0, sizes, at_site, price) == 3
    assert sizes[2:, PIPE_M].tolist() == [77.0, 77.0]
    assert sizing._row_of(1.0, 0, sizes, at_site, price) == 3
    assert sizes[3, FLOW_AT] == 1.0
    assert sizes[3, PIPE_M] == pytest.approx(np.sqrt(2.0 / np.pi))


def test_the_pipe_of_a_row_takes_head_where_there_are_a_pipe_and_water():
    sizes, price = np.full((2, SIZE_TERMS), np.nan), prices()
    sizing.fill_size(np.pi / 2.0, 0, sizes, price)
    sizing.fill_size(0.0, 1, sizes, price)

    # Diameter 1 m at 2 m/s: 100 m · n² · v² / R^(4/3) and half a velocity head.
    loss = 100.0 * 1e-4 * 4.0 / 0.25 ** (4.0 / 3.0) + 0.5 * 4.0 / (2.0 * 9.81)
    assert sizing._loss_at(0, sizes, site(conduit_m=100.0), price) == pytest.approx(loss, rel=1e-13)
    assert sizing._loss_at(0, sizes, site(conduit_m=0.5), price) > 0.1
    assert sizing._loss_at(0, sizes, site(), price) == sizing._loss_at(1, sizes, site(conduit_m=9.0), price) == 0.0
    sizing.fill_size(0.5, 1, sizes, price)
    assert sizing._loss_at(1, sizes, site(conduit_m=9.0), price) > 0.1


def test_factors_of_size_are_worked_out_once_for_the_flows_to_try():
    sizes, scales = np.zeros((4, SIZE_TERMS)), np.full((2, 3, 2), np.nan)
    sizes[:, FLOW_AT] = [8.0, 4.0, 2.0, 1.0]
    at_site = site(number=1, units=2, scale_gain=1.2, scale_loss=0.4, scale_exponent=0.5)
    by_hand = [1.2 - 0.4 / np.sqrt(flow / 2.0) for flow in (8.0, 4.0, 2.0, 1.0)]

    assert [sizing._scale_at(row, sizes, scales, at_site) for row in range(4)] == pytest.approx(by_hand)
    assert scales[1, 1].tolist() == pytest.approx(by_hand[:2])
    assert np.isnan(scales).sum() == 10
    scales[1, 1] = 0.25
    assert [sizing._scale_at(row, sizes, scales, at_site) for row in (0, 1)] == [0.25, 0.25]
    assert sizing._scale_at(0, sizes, scales, site(scale_gain=0.9)) == 0.9


# A year's payment by hand: 2 % of 1.1 times the capital, or 3 · √power if that is less, at least `least`.
@pytest.mark.parametrize(
    ("law", "least", "operation"), [(np.inf, 0.0, 22.0), (3.0, 0.0, 15.0), (9.0, 0.0, 22.0), (3.0, 17.0, 17.0)]
)
def test_a_years_payment_is_capital_operation_and_the_fee_for_power(law, least, operation):
    price = prices(
        capital_factor=1.1, yearly_capital_factor=0.06, operation_share=0.02, operation_min=least,
        operation_law=law, operation_law_exponent=0.5, water_fee_per_kw=4.0, water_fee_per_mwh=2.0,
        price_per_mwh=70.0, own_price_per_mwh=100.0, own_share=0.5, own_max_mwh=12.0,
    )  # fmt: skip
    payment = 66.0 + operation + 100.0

    assert sizing.yearly_payment(1000.0, 25.0, price) == pytest.approx(payment, rel=1e-14)
    # Of 20 MWh the half is used at 100 instead of 70, of 40 MWh no more than 12.
    for energy, earned in ((20.0, 1400.0 + 300.0), (40.0, 2800.0 + 360.0)):
        assert sizing.score_of(energy, 1000.0, 25.0, price) == pytest.approx(earned - payment, rel=1e-13)
        price.by_cost = True
        assert sizing.score_of(energy, 1000.0, 25.0, price) == pytest.approx(-payment / energy, rel=1e-14)
        assert sizing.score_of(0.5, 1000.0, 25.0, price) == pytest.approx(-payment / 0.5, rel=1e-14)
        assert sizing.score_of(0.0, 1000.0, 25.0, price) == -np.inf
        price.by_cost, price.by_energy = False, True
        assert sizing.score_of(energy, 1000.0, 25.0, price) == energy
        price.by_energy = False


def test_the_fee_for_water_is_by_energy_and_by_the_water_that_it_takes():
    # 2 m³/s make 50 kW: a megawatt-hour takes 20 hours of it, 144 000 m³.
    assert sizing.water_fee(30.0, 2.0, 50.0, prices(water_fee_per_mwh=3.0)) == pytest.approx(90.0)
    both = prices(water_fee_per_mwh=3.0, water_fee_per_m3=1e-3)
    assert sizing.water_fee(30.0, 2.0, 50.0, both) == pytest.approx(30.0 * (3.0 + 144.0), rel=1e-14)


@pytest.mark.parametrize("number", [1, 3])
def test_units_are_safe_from_their_own_flow_on(number):
    at_site = site(units=number)

    assert sizing._is_safe(number * 0.7, at_site, 0.7)
    assert sizing._is_safe(number * 0.7 * (1.0 - 1e-13), at_site, 0.7)
    assert not sizing._is_safe(number * 0.7 * (1.0 - 1e-11), at_site, 0.7)
    # The margin is a part in 10¹² to a twentieth of itself.
    assert not sizing._is_safe(1e12 * (1.0 - 1.05e-12), site(), 1e12)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.8, 1.0])
@pytest.mark.parametrize(("head", "loss"), [(4.0, 0.0), (4.0, 1.0), (4.0, 3.0), (1.5, 4.0), (0.0, 2.0)])
def test_the_most_behind_a_pipe_is_that_of_all_shares(share, head, loss):
    tried = np.linspace(0.0, share, 4001)

    most = sizing._most_behind_pipe(share, head, loss)

    assert most == pytest.approx((tried * (head - loss * tried**2)).max(), rel=1e-6, abs=1e-12)


@pytest.mark.parametrize("units", [1, 2, 3])
@pytest.mark.parametrize("lowest", [0.0, 0.3, 0.5, 0.6, 1.0])
def test_the_best_efficiency_is_that_of_any_number_of_units(units, lowest):
    pieces, nodes = 4, 4 * units
    own = np.full(((nodes + 1).bit_length(), nodes + 1), np.nan)

    sizing._fill_best_efficiency(own, units, CURVE, lowest)

    for place in range(nodes + 1):
        best = [0.0]
        for running in range(1, units + 1):
            # Of all units the share is place / nodes; these have this relative flow.
            relative = place / (running * pieces)
            if relative >= 1.0:
                best.append(CURVE[-1] / relative)
            elif relative + 1.0 / pieces >= lowest:
                best.append(np.interp(relative, np.arange(5) / 4.0, CURVE))
        assert own[0, place] == pytest.approx(max(best), rel=1e-14)
    for level in range(1, own.shape[0]):
        wide = 2**level
        expected = [own[0, place : place + wide].max() for place in range(nodes + 2 - wide)]
        assert own[level, : len(expected)].tolist() == expected
        assert np.isnan(own[level, len(expected) :]).all()


USABLE_FLOWS = [3.0, 2.5, 2.0, 1.6, 1.2, 0.9, 0.7, 0.45, 0.3, 0.05, 0.0]
HEADS = [2.0, 0.05, 3.0, 3.5, 4.0, 0.0, 4.2, 4.4, 4.6, 4.7, 5.0]


# What each bin gives by the plain function, and no more than the rated power.
def plain_mean_kw(flow, rated, loss, scale, at_site, bypass=0.0, screen_loss=0.0):
    total = 0.0
    for usable, head in zip(USABLE_FLOWS, HEADS, strict=True):
        left, lowest = max(head - screen_loss, 0.0), at_site.lowest_relative_flow
        if usable - bypass > 0.0:
            may_take = min(usable - bypass, flow)
            given = plant_flow_head(may_take, flow, at_site.units, CURVE, lowest, left, loss)[1]
            total += min(KW * scale * given, rated)
    return total / len(HEADS)


@pytest.mark.parametrize("units", [1, 2, 3])
@pytest.mark.parametrize("lowest", [0.0, 0.3, 0.5])
@pytest.mark.parametrize("flow", [2.8, 2.0, 1.0])
@pytest.mark.parametrize("rated", [25.0, np.inf])
def test_the_mean_power_is_that_of_all_bins(units, lowest, flow, rated):
    bins, full = filled_bins(USABLE_FLOWS, HEADS), sum(each >= flow for each in USABLE_FLOWS)
    at_site = site(units=units, lowest_relative_flow=lowest, open_from=never_throttled_from(CURVE, lowest))
    given = at_site, CURVE, prices()

    for loss in (0.0, 0.4, 1.5):
        for bypass, screen_loss in ((0.0, 0.0), (0.05, 0.1)):
            enough = sum(each - bypass >= flow for each in USABLE_FLOWS)
            mean = sizing.mean_kw(bins, enough, flow, rated, loss, 0.9, *given, bypass, screen_loss)
            expected = plain_mean_kw(flow, rated, loss, 0.9, at_site, bypass, screen_loss)
            assert mean == pytest.approx(expected, rel=1e-12)
    # The same by what bins take, which is kept in a row and found there again.
    held, taken = np.full((2, 3, 2), -1), np.zeros((4, len(HEADS) + 1))
    taken[3, 0] = 1.0
    place = sizing._row_taken(bins, full, flow, 1, at_site, CURVE, held, taken)
    assert place == held[0, units - 1, 1] == 1
    assert taken[3, 0] == 2.0
    mean = sizing._mean_kw_by_taken(bins, full, flow, rated, 0.9, at_site, prices(), taken, place)
    assert mean == pytest.approx(plain_mean_kw(flow, rated, 0.0, 0.9, at_site), rel=1e-12)
    before = taken.copy()
    assert sizing._row_taken(bins, full, flow, 1, at_site, CURVE, held, taken) == 1
    assert (taken == before).all()


def test_there_is_no_row_where_there_is_no_room_or_full_gate_may_not_be_best():
    bins, held, taken = filled_bins(USABLE_FLOWS, HEADS), np.full((1, 1, 3), -1), np.zeros((3, len(HEADS) + 1))

    assert sizing._row_taken(bins, 2, 2.5, 0, site(open_from=np.inf), CURVE, held, taken) == -1
    rows = [sizing._row_taken(bins, 2, 2.5, index, site(), CURVE, held, taken) for index in range(3)]

    assert rows == [0, 1, -1]
    assert held[0, 0].tolist() == [0, 1, -1]
    assert taken[2, 0] == 2.0
    # The first is found again; below 0.3 of 2.5 m³/s nothing runs, which leaves six bins.
    assert sizing._row_taken(bins, 2, 2.5, 0, site(), CURVE, held, taken) == 0
    assert taken[0, len(HEADS)] == sum(each >= 0.75 for each in USABLE_FLOWS) == 6


@pytest.mark.parametrize("loss", [0.0, 0.5, 1.2, 2.0])
@pytest.mark.parametrize("full", [0, 1, 2, 4])
def test_a_plant_is_rated_at_the_head_of_the_last_bin_with_its_flow(loss, full):
    bins, at_site, lowest = filled_bins(USABLE_FLOWS, HEADS), site(power_max=60.0), 0.3
    for screen_loss in (0.0, 0.1, 2.5):
        head = max(HEADS[max(full - 1, 0)] - screen_loss, 0.0)
        given = plant_flow_head(1.5, 1.5, 1, CURVE, lowest, head, loss)[1]

        rated = sizing.rated_kw(bins, full, 1.5, loss, 1.1, at_site, CURVE, prices(), screen_loss)

        assert rated == pytest.approx(min(KW * given * 1.1, 60.0), rel=1e-12)
        at_site.power_max = 5.0
        assert sizing.rated_kw(bins, full, 1.5, loss, 1.1, at_site, CURVE, prices(), screen_loss) == pytest.approx(
            min(KW * given * 1.1, 5.0), rel=1e-12
        )
        at_site.power_max = 60.0


@pytest.mark.parametrize("full", [0, 3, 11])
@pytest.mark.parametrize(("units", "minimum"), [(1, 2.0), (2, 2.0), (1, 3.0), (1, 0.0)])
def test_the_bound_of_an_interval_is_full_units_and_then_the_peak_efficiency(full, units, minimum):
    usable, head = np.array(USABLE_FLOWS), np.array(HEADS)
    bins, at_site = filled_bins(usable, head), site(units=units, least_head=1.0)
    runs = (usable >= 0.3 * minimum / units - 1e-12) & (np.arange(11) >= full)
    partial = (usable * head)[runs].sum() * 0.8

    # Pipes take head only where no bin is throttled: the lowest head of 1 m is over or under 3.6 losses.
    ratio = at_site.open_from
    for loss, narrowest, counts in ((0.0, 0.0, 0.0), (0.1, 1.0 / ratio, 0.1), (0.1, 1.01 / ratio, 0.0)):
        bound = sizing._energy_bound_mwh(bins, full, 2.0, minimum, loss, narrowest, 0.9, at_site, prices())
        above = (head[:full] - counts).sum()
        expected = KW * 0.9 * (above * 2.0 * 0.76 + partial) / 11.0 * HOURS
        assert bound == pytest.approx(expected, rel=2e-9)
        assert bound > expected * (1.0 + 0.9e-9)
    at_site.least_head = 99.0
    nothing = sizing._energy_bound_mwh(bins, full, 2.0, minimum, 9.0, 9.0, 0.9, at_site, prices())
    assert nothing == pytest.approx(KW * 0.9 * partial / 11.0 * HOURS, rel=2e-9)


# What the note at `_bound_by_share_mwh` says, for the most that a bin makes of the head [m].
def most_of_bin(usable, head, is_full, flow, minimum, loss, at_site, best_efficiency):
    units, nodes, limit = at_site.units, 4 * at_site.units, 0.76 / 0.8
    is_open = minimum == flow and head >= at_site.open_from * loss
    if is_full:
        return limit * (head - loss) if is_open else sizing._most_behind_pipe(limit, head, loss)
    if usable <= 0.0 or usable < 0.3 * minimum / units * (1.0 - 1e-10):
        return 0.0
    # The best efficiency of all nodes around the shares that this water is of the greatest and the smallest flow.
    first, last = int(usable / flow * nodes - 1e-11), min(int(usable / minimum * nodes + 1e-11) + 1, nodes)
    share = min(usable / flow * max(best_efficiency[min(first, nodes - 1) : last + 1]) / 0.8, limit)
    if not is_open:
        return sizing._most_behind_pipe(share, head, loss)
    running = int(usable / flow * units) / units
    parts = [share * (head - loss * (usable / flow) ** 2)]
    if units > 1:
        parts.append(limit * running * (head - loss * running**2))
    return max(parts)


@pytest.mark.parametrize("units", [1, 2, 3])
@pytest.mark.parametrize(("flow", "minimum"), [(2.8, 2.8), (1.3, 1.3), (1.3, 0.9), (2.8, 0.4), (0.6, 0.55)])
@pytest.mark.parametrize("rated", [20.0, np.inf])
def test_the_bound_bin_by_bin_is_the_share_that_the_pipe_and_the_efficiency_leave(units, flow, minimum, rated):
    bins, full = filled_bins(USABLE_FLOWS, HEADS), sum(each >= flow for each in USABLE_FLOWS)
    nodes = 4 * units
    at_site, best_at = site(units=units, number=1), np.full((2, 3, nodes.bit_length(), nodes + 1), np.nan)
    own = np.full((nodes.bit_length(), nodes + 1), np.nan)
    sizing._fill_best_efficiency(own, units, CURVE, 0.3)

    for loss in (0.01, 0.5, 1.1, 3.0):
        bound = sizing._bound_by_share_mwh(
            bins, full, flow, minimum, rated, loss, 0.9, at_site, CURVE, prices(), best_at
        )
        most = [
            most_of_bin(usable, head, place < full, flow, minimum, loss, at_site, own[0])
            for place, (usable, head) in enumerate(zip(USABLE_FLOWS, HEADS, strict=True))
        ]
        expected = np.minimum(KW * 0.8 * flow * 0.9 * np.array(most), rated).mean() * HOURS
        assert bound == pytest.approx(expected, rel=2e-9)
        assert bound > expected * (1.0 + 0.9e-9)
    # What was worked out for these units is kept where it belongs, and used again.
    np.testing.assert_array_equal(best_at[1, units - 1], own)
    assert np.isnan(np.delete(best_at.reshape(6, -1), 3 + units - 1, axis=0)).all()
    best_at[1, units - 1] = 0.0
    of_full = np.minimum(KW * 0.8 * flow * 0.9 * np.array(most[:full]), rated).sum() / len(HEADS) * HOURS
    without = sizing._bound_by_share_mwh(
        bins, full, flow, minimum, rated, loss, 0.9, at_site, CURVE, prices(), best_at
    )
    if units == 1 or minimum < flow:
        assert without == pytest.approx(of_full, rel=2e-9)


@pytest.mark.parametrize("units", [1, 2, 3])
@pytest.mark.parametrize(("flow", "minimum"), [(2.8, 2.8), (1.3, 1.3), (1.3, 1.1), (2.8, 1.4), (0.6, 0.55)])
def test_the_bound_by_groups_of_bins_is_a_little_more_than_that_bin_by_bin(units, flow, minimum, monkeypatch):
    usable = np.append(np.geomspace(3.0, 0.04, 58), [0.0, 0.0])
    bins, full = filled_bins(usable, 2.0 + 0.3 * np.cos(np.arange(60))), int((usable >= flow).sum())
    at_site, best_at = site(units=units), np.full((1, 3, 4, 4 * units + 1), np.nan)
    at_site.least_head = bins[HEAD, :60].min()

    for loss in (0.01, 0.2, at_site.least_head / 3.0):
        given = bins, full, flow, minimum
        closer = sizing._bound_by_share_mwh(
            *given, np.inf, loss, 0.9, at_site, CURVE, prices(), best_at[:, :, : (4 * units + 1).bit_length()]
        )
        for size, most in ((1, 1.01), (8, 1.18)):
            monkeypatch.setattr(sizing, "BINS_IN_GROUP", size)
            bound = sizing._bound_by_groups_mwh(*given, loss, 0.9, at_site, CURVE, prices(), best_at)
            assert closer * (1.0 - 1e-12) <= bound <= closer * most


def test_the_least_power_and_the_lowest_head_of_an_interval():
    bins = filled_bins(USABLE_FLOWS, HEADS)

    for first, last in ((0, 0), (0, 1), (1, 1), (2, 2), (3, 5), (4, 8), (7, 11), (1, 4)):
        assert sizing._lowest_head(bins, first, last) == min(HEADS[max(first - 1, 0) : max(last, 1)])
    at_site = site(power_max=30.0)
    assert sizing._least_power(2.0, 1.5, 0.5, 0.9, at_site, prices()) == pytest.approx(KW * 1.5 * 1.5 * 0.76 * 0.9)
    assert sizing._least_power(9.0, 1.5, 0.5, 0.9, at_site, prices()) == 30.0
    assert sizing._least_power(0.5, 1.5, 0.6, 0.9, at_site, prices()) == 0.0


def test_a_score_beats_that_of_a_choice_for_which_the_plant_counts():
    best = np.zeros((CHOICES, HELD))
    best[:, BAR] = [3.0, 2.0, 1.0]

    assert [sizing._beats(score, True, best) for score in (3.5, 2.5, 1.5, 1.0)] == [True, True, True, False]
    assert [sizing._beats(score, False, best) for score in (3.5, 3.0, 2.5)] == [True, False, False]
    best[:, BAR] = [3.0, 1.0, 2.0]
    assert [sizing._beats(score, True, best) for score in (1.5, 1.0)] == [True, False]
    np.testing.assert_array_equal(sizing._screen_of(2.0, prices(screen_fixed=5.0, screen_per_m3s=3.0)), 11.0)


@pytest.mark.parametrize("by", ["value", "cost", "energy"])
def test_a_size_is_kept_that_is_better_or_as_good_with_a_greater_flow(by):
    price = prices(
        capital_factor=2.0, yearly_capital_factor=0.1, water_fee_per_mwh=3.0, price_per_mwh=70.0,
        by_cost=by == "cost", by_energy=by == "energy",
    )  # fmt: skip
    # 20 MWh: 1400 earned, 200 paid for capital and 60 for water.
    score = {"value": 1140.0, "cost": -13.0, "energy": 20.0}[by]
    kept = [score, 2.0, 1.5, 25.0, 20.0, 2000.0, 260.0, 1.0]
    columns = [SCORE, UNITS, FLOW, POWER, ENERGY, CAPITAL, YEARLY, SCREENED]

    def keep(bar, at):
        best = np.full((CHOICES, HELD), np.nan)
        best[SAFE, BAR], best[SAFE, AT] = bar, at
        sizing._keep_better(SAFE, 4, 1.5, 25.0, 20.0, 1000.0, 1.0, site(units=2), price, best)
        assert np.isnan(best[[ANY, AS_BUILT]]).all()
        return best[SAFE]

    for bar, at in ((score - 0.5, 0.0), (-np.inf, -1.0)):
        found = keep(bar, at)
        assert found[columns].tolist() == pytest.approx(kept, rel=1e-14)
        assert found[AT] == 4.0
        assert found[BAR] == found[SCORE]
    exact = keep(-np.inf, -1.0)[BAR]
    assert keep(exact, 5.0)[AT] == 4.0
    for bar, at in ((exact, 4.0), (exact, -1.0), (score + 0.5, 9.0)):
        assert np.isnan(keep(bar, at)[SCORE])


def test_a_plant_without_energy_costs_endlessly_much():
    best = np.full((CHOICES, HELD), np.nan)
    best[ANY, BAR], best[ANY, AT] = -np.inf, 9.0

    sizing._keep_better(ANY, 4, 1.5, 25.0, 0.0, 1000.0, 0.0, site(), prices(by_cost=True), best)

    assert best[ANY, SCORE] == -np.inf
    # Half a megawatt-hour also pays for its water: 5 a megawatt-hour.
    price = prices(by_cost=True, yearly_capital_factor=0.1, water_fee_per_mwh=5.0)
    sizing._keep_better(ANY, 4, 1.5, 25.0, 0.5, 1000.0, 0.0, site(), price, best)
    assert best[ANY, SCORE] == pytest.approx(-205.0, rel=1e-14)


@pytest.mark.parametrize("per_unit", [0, 1])
@pytest.mark.parametrize("project_law", [np.nan, 7000.0])
def test_units_of_a_class_at_a_place_by_hand(per_unit, project_law):
    one = SimpleNamespace(
        scale_gain=1.25, scale_loss=0.0, scale_exponent=0.0, power_max_kw=50.0, flow_min_m3s=0.2, flow_max_m3s=9.0,
        peak_efficiency=0.8, open_from=3.5, lowest_relative_flow=0.3, law_coefficient=900.0,
        law_head_exponent=-0.5, law_power_exponent=0.7, law_per_unit=per_unit, law_fixed=40.0, civil_factor=1.5,
    )  # fmt: skip
    at_site = site(project_law=project_law, project_law_exponent=0.6, setting=1.2)
    price = prices(kw_per_m3s_m=10.0, powerhouse=100.0, powerhouse_head_exponent=1.5)

    sizing._fill_class(at_site, 3, one, 0.5, price)

    # A cubic metre gives 10 · 4 · 0.5 · 1.25 = 25 kW, so a unit takes 2 m³/s for its 50 kW.
    found = at_site.units, at_site.flow_min, at_site.flow_max, at_site.power_max, at_site.full_efficiency
    assert found == pytest.approx((3, 0.6, 6.0, 150.0, 0.5))
    assert at_site.powerhouse == pytest.approx(100.0 * 8.0 * 1.5 * 1.2)
    known = "peak_efficiency", "open_from", "lowest_relative_flow", "scale_gain", "scale_loss", "scale_exponent"
    assert [getattr(at_site, name) for name in known] == [getattr(one, name) for name in known]
    law = at_site.law, at_site.law_power_exponent, at_site.bought, at_site.fixed
    is_own = np.isnan(project_law)
    assert law == pytest.approx((450.0, 0.7, 3 if per_unit else 1, 40.0) if is_own else (7000.0, 0.6, 1, 0.0))


def test_the_capital_is_that_of_the_place_the_laws_and_the_works():
    # The powerhouse alone of the works costs: 31 at any flow.
    sizes, price = np.full((2, SIZE_TERMS), np.nan), prices(transformer=0.0)
    sizing.fill_size(2.0, 1, sizes, price)
    at_site = site(
        place_cost=1000.0, law=200.0, law_power_exponent=0.5, bought=4, fixed=7.0, second_law=0.5,
        second_law_exponent=1.5, powerhouse=31.0, canal_m=0.0, penstock_m=0.0, by_area=0.0, by_perimeter=0.0,
        least_m=0.0,
    )  # fmt: skip

    # Four of 25 kW at 200 · √25 and 7 each, and half of 100^1.5.
    plain = 1000.0 + 4.0 * (1000.0 + 7.0) + 31.0
    assert sizing._capital_of(100.0, 1, sizes, at_site, price) == pytest.approx(plain + 500.0, rel=1e-14)
    at_site.second_law = 0.0
    assert sizing._capital_of(100.0, 1, sizes, at_site, price) == pytest.approx(plain, rel=1e-14)


def test_the_class_is_noted_of_the_choices_whose_score_rose():
    best, to_beat, turbine = np.zeros((CHOICES, HELD)), np.array([1.0, 2.0, 3.0]), np.full((2, CHOICES), -1)
    best[:, BAR] = [1.5, 2.0, 2.5]

    sizing._note_class(1, 7, best, to_beat, turbine)

    assert turbine.tolist() == [[-1, -1, -1], [7, -1, -1]]
    assert to_beat.tolist() == [1.5, 2.0, 3.0]


FIVE_FLOWS, FIVE_HEADS = [3.0, 2.5, 2.0, 1.6, 0.9], [2.0, 2.5, 3.0, 3.5, 4.0]


# A place whose works cost nothing but what is named, and room for a search over some design flows there.
def free_place(flows, **changes):
    nothing = dict.fromkeys(
        (
            "law", "law_power_exponent", "fixed", "second_law", "second_law_exponent", "powerhouse", "canal_m",
            "penstock_m", "by_area", "by_perimeter", "least_m",
        ),
        0.0,
    )  # fmt: skip
    at_site = site(**(nothing | {"bought": 1} | changes))
    bins, price = filled_bins(FIVE_FLOWS, FIVE_HEADS), prices(min_power_kw=0.0)
    sizes = np.full((len(flows) + 2, SIZE_TERMS), np.nan)
    for row, flow in enumerate(flows):
        sizing.fill_size(flow, row, sizes, price)
    full = np.array([sum(each >= flow for each in FIVE_FLOWS) for flow in flows])
    scales, held = np.full((1, 1, len(flows)), np.nan), np.full((1, 1, len(flows)), -1)
    best_at = np.full((1, 1, 3, 5), np.nan)
    best = np.full((CHOICES, HELD), np.nan)
    best[:, BAR], best[:, AT] = -np.inf, -1.0
    return at_site, price, bins, sizes, full, scales, held, np.zeros((2, 6)), best_at, best


@pytest.mark.parametrize("screened", [False, True])
def test_a_size_is_judged_that_gives_the_minimum_power_and_not_less(screened):
    # As built 2 m³/s have the head of the third bin. The screen's bypass of 0.6 m³/s leaves them that of the
    # first, less 0.25 m.
    full_kw, screened_kw = KW * 0.76 * 3.0 * 2.0, KW * 0.76 * 1.75 * 2.0
    limit_kw = screened_kw if screened else full_kw
    for minimum_kw, is_found in ((limit_kw * (1.0 - 1e-9), True), (None, True), (limit_kw * (1.0 + 1e-9), False)):
        at_site, price, bins, sizes, full, scales, held, taken, best_at, best = free_place(
            [2.0], safe_as_built_m3s=np.inf if screened else 0.0, safe_screened_m3s=2.0
        )
        price.bypass_share, price.screen_loss_m, price.by_energy, price.screen_fixed = 0.3, 0.25, True, 7.0
        exact_kw = sizing.rated_kw(
            bins, 1 if screened else 3, 2.0, 0.0, 1.0, at_site, CURVE, price, 0.25 if screened else 0.0
        )
        assert exact_kw == pytest.approx(limit_kw)
        price.min_power_kw = exact_kw if minimum_kw is None else minimum_kw
        counts = np.zeros(2, dtype=np.int64)

        sizing.judge(bins, sizes, full, 0, at_site, CURVE, price, scales, held, taken, best_at, counts, best)

        power = best[:, POWER]
        if screened:
            assert power[[ANY, SAFE]] == pytest.approx([full_kw, screened_kw if is_found else np.nan], nan_ok=True)
            assert np.isnan(power[AS_BUILT])
            built = [0.0, 0.0, *([1.0, 7.0] if is_found else [np.nan, np.nan])]
            assert best[[ANY, SAFE]][:, [SCREENED, CAPITAL]].ravel() == pytest.approx(built, nan_ok=True)
            assert counts.tolist() == [0, 1 + is_found]
        else:
            assert power == pytest.approx([full_kw if is_found else np.nan] * 3, nan_ok=True)
            assert counts.tolist() == [0, is_found]
            assert best[:, SCREENED] == pytest.approx([0.0 if is_found else np.nan] * 3, nan_ok=True)
        # Bounds bin by bin are drawn behind a pipe alone.
        assert np.isnan(best_at).all()


@pytest.mark.parametrize(
    ("tried", "flow", "head", "limits"),
    [
        (0.9, 0.9, 4.0, {"flow_min": 0.9}),
        (0.9, np.nan, np.nan, {"flow_min": 0.9 * (1.0 + 1e-9)}),
        (0.9, np.nan, np.nan, {"flow_min": 1.0}),
        (0.0, np.nan, np.nan, {}),
        (2.5, 1.0, 3.5, {"flow_max": 1.0}),
        (2.5, 2.5, 2.5, {"flow_max": 2.5}),
        (2.5, np.nan, np.nan, {"flow_min": 1.1, "flow_max": 1.0}),
    ],
)
def test_a_size_is_judged_within_the_limits_of_its_class(tried, flow, head, limits):
    at_site, price, bins, sizes, full, scales, held, taken, best_at, best = free_place([tried], **limits)
    price.by_energy, counts = True, np.zeros(2, dtype=np.int64)

    sizing.judge(bins, sizes, full, 0, at_site, CURVE, price, scales, held, taken, best_at, counts, best)

    # What is safe as built is not judged once more with a screen.
    assert counts.tolist() == [0, int(flow > 0.0)]
    # Rated at the head of the last bin with its flow. All that counts for one choice counts for all.
    for choice in range(CHOICES):
        expected = [flow, KW * 0.76 * head * flow]
        assert best[choice, [FLOW, POWER]] == pytest.approx(expected, rel=1e-12, nan_ok=True)
    # A size that is tried as it is keeps what bins take of it, for other places with the same intake.
    assert held.item() == (0 if flow == tried else -1)
    if flow > 0.0:
        most_kw = KW * 0.76 * head * flow
        expected_kw = 0.0
        for usable, at in zip(FIVE_FLOWS, FIVE_HEADS, strict=True):
            share = min(usable / flow, 1.0)
            efficiency = np.interp(share, np.linspace(0.0, 1.0, 5), CURVE) if share >= 0.3 else 0.0
            expected_kw += min(KW * efficiency * share * flow * at, most_kw) / 5.0
        assert best[ANY, ENERGY] == pytest.approx(expected_kw * HOURS, rel=1e-12)


def test_an_interval_may_beat_the_score_of_a_choice_for_which_it_may_count():
    def may_beat(energy, bars, as_built, screened, price):
        at_site, _, bins, sizes, *_, best = free_place(
            [2.0, 1.0], safe_as_built_m3s=as_built, safe_screened_m3s=screened
        )
        best[:, BAR] = bars
        bins[HEAD, 1], bins[HEAD, 3:5] = 2.1, (2.2, 0.5)
        return sizing._may_beat(bins, 2.0, 1.0, energy, 0.0, 0.0, 0.2, 1.0, 1, sizes, at_site, price, best)

    price, never = prices(by_energy=True), np.inf
    for energy, bars, as_built, screened, is_better in (
        (10.5, (10.0, 99.0, 99.0), never, never, True),
        (10.0, (10.0, 5.0, 7.0), never, never, False),
        (6.0, (10.0, 5.0, 7.0), 2.0, 0.0, True),
        (6.0, (10.0, 7.0, 5.0), 2.0, 0.0, True),
        (6.0, (10.0, 6.0, 6.0), 2.0, 0.0, False),
        (6.0, (10.0, 5.0, 5.0), 2.1, 2.1, False),
        (6.0, (10.0, 5.0, 7.0), 2.1, 2.0, True),
        (5.0, (10.0, 5.0, 1.0), 2.1, 2.0, False),
    ):
        assert may_beat(energy, bars, as_built, screened, price) == is_better
    # With a bypass of a quarter 2.5 and 1.25 m³/s are needed, which two and four bins hold: their lowest head is
    # 2.1 m. Screen and pipe take 0.7 m of it, so that 1 m³/s makes KW · 1.4 · 0.76 kW, each for a tenth; the
    # screen costs 3 + 2.
    price = prices(
        price_per_mwh=1.0, yearly_capital_factor=1.0, water_fee_per_kw=0.1, bypass_share=0.25, screen_loss_m=0.5,
        screen_fixed=3.0, screen_per_m3s=2.0,
    )  # fmt: skip
    least = 50.0 - 5.0 - 0.1 * KW * 1.4 * 0.76
    assert may_beat(50.0, (99.0, least - 1e-9, 0.0), never, 2.0, price)
    assert not may_beat(50.0, (99.0, least + 1e-9, 0.0), never, 2.0, price)


def test_an_interval_is_bounded_bin_by_bin_behind_a_pipe_with_water_alone():
    def may_hold(bar, flows=(2.5, 1.6), **changes):
        at_site, price, bins, sizes, full, scales, *_, best_at, best = free_place(list(flows), **changes)
        price.by_energy = True
        best[:, BAR] = bar
        found = sizing._may_hold(bins, sizes, full, 0, 1, at_site, CURVE, price, scales, best_at, best)
        return found, not np.isnan(best_at).all()

    assert may_hold(0.0) == (True, False)
    assert may_hold(0.0, conduit_m=300.0) == (True, True)
    assert may_hold(0.0, conduit_m=0.5) == (True, True)
    assert may_hold(0.0, flows=(2.5, 0.0), conduit_m=300.0) == (True, False)
    assert may_hold(1e9, conduit_m=300.0) == (False, False)
    assert may_hold(0.0, flows=(0.9, 0.5), conduit_m=300.0) == (True, True)
    # What the class limits to 1 m³/s is bounded by all four bins that hold it.
    limited = {"flows": (2.5, 0.9), "flow_max": 1.0}
    at_site, price, bins, *_ = free_place([2.5, 0.9])
    most = sizing._energy_bound_mwh(bins, 4, 1.0, 0.9, 0.0, 0.0, 1.0, at_site, price)
    assert most < 0.99 * sizing._energy_bound_mwh(bins, 2, 1.0, 0.9, 0.0, 0.0, 1.0, at_site, price)
    assert may_hold(most * (1.0 - 1e-9), **limited) == (True, False)
    assert may_hold(most * (1.0 + 1e-9), **limited) == (False, False)
    # Nothing fits between limits of the class that cross, nor where there is no water.
    assert may_hold(0.0, flow_min=2.5) == (True, False)
    assert may_hold(0.0, flow_min=2.6) == (False, False)
    assert may_hold(0.0, flow_max=2.0, flow_min=2.0) == (True, False)
    assert may_hold(0.0, flow_max=2.0, flow_min=2.1) == (False, False)
    assert may_hold(-1.0, flows=(0.0, 0.0)) == (False, False)


@pytest.mark.parametrize("screened", [False, True])
def test_the_greatest_flow_that_reaches_the_capacity_factor_is_kept_up_to_the_limit(screened):
    flows = [2.5, 2.0, 1.6, 0.9]

    def kept(factor, least_kw=0.0, **changes):
        at_site, price, bins, sizes, full, scales, *_, best = free_place(
            flows,
            safe_as_built_m3s=np.inf if screened else 0.0,
            safe_screened_m3s=0.0 if screened else np.inf,
            **changes,
        )
        price.by_energy, price.min_capacity_factor, price.min_power_kw = True, factor, least_kw
        price.bypass_share, price.screen_loss_m, price.mwh_per_kw = 0.02, 0.1, sizing.MWH_PER_KW_YEAR
        counts = np.zeros(2, dtype=np.int64)
        sizing._keep_greatest_that_runs(bins, sizes, full, at_site, CURVE, price, scales, counts, best)
        return best[SAFE]

    factors = []
    for flow in flows:
        found = kept(1e-9, flow_max=flow)
        assert (found[FLOW], found[SCREENED]) == (flow, screened)
        reached = found[ENERGY] / found[POWER] / sizing.MWH_PER_KW_YEAR
        factors.append(reached)
        # A limit of power that this flow just meets, and misses.
        assert kept(1e-9, found[POWER], flow_max=flow)[FLOW] == flow
        assert kept(1e-9, found[POWER] * (1.0 + 1e-9), flow_max=flow)[FLOW] != flow
        # And the smallest flow of the class, which it just meets, and misses.
        assert kept(1e-9, flow_max=flow, flow_min=flow)[FLOW] == flow
        assert np.isnan(kept(1e-9, flow_max=flow, flow_min=flow * (1.0 + 1e-9))[FLOW])
    # The first flow that reaches a factor is kept, just below and just above the factor of each; above all, none.
    for own in factors:
        for factor in (own * (1.0 - 1e-8), own * (1.0 + 1e-8)):
            first = next((flow for flow, each in zip(flows, factors, strict=True) if each >= factor), np.nan)
            assert kept(factor)[FLOW] == pytest.approx(first, rel=1e-15, nan_ok=True)


# A place at which 2 m³/s make this power [kW], as built and with a screen, and no power is too little.
def place_with_power(kw, screened_kw, **changes):
    at_site, price, bins, sizes, full, scales, held, taken, best_at, best = free_place(
        [2.0], **({"safe_as_built_m3s": np.inf, "safe_screened_m3s": 2.0} | changes)
    )
    price.by_energy, price.screen_fixed, price.mwh_per_kw = True, 7.0, sizing.MWH_PER_KW_YEAR
    bins[:] = filled_bins(FIVE_FLOWS, np.full(5, kw / (KW * 0.76 * 2.0)))
    price.screen_loss_m = (kw - screened_kw) / (KW * 0.76 * 2.0)
    return at_site, price, bins, sizes, full, scales, held, taken, best_at, best


@pytest.mark.parametrize("by_factor", [False, True])
@pytest.mark.parametrize(("kw", "screened_kw"), [(0.0, 0.0), (1.5, 0.0), (1.5, -1.0), (0.6, 0.5), (1.5, 1.2)])
def test_a_size_without_power_is_none_and_one_with_little_power_is_one(by_factor, kw, screened_kw):
    at_site, price, bins, sizes, full, scales, held, taken, best_at, best = place_with_power(kw, screened_kw)
    counts, known = np.zeros(2, dtype=np.int64), (scales, held, taken, best_at)
    price.bypass_share = 0.3

    if by_factor:
        price.min_capacity_factor = 0.1
        sizing._keep_greatest_that_runs(bins, sizes, full, at_site, CURVE, price, scales, counts, best)
    else:
        sizing.judge(bins, sizes, full, 0, at_site, CURVE, price, *known, counts, best)

    expected = [kw if kw > 0.0 else np.nan, screened_kw if screened_kw > 0.0 else np.nan, np.nan]
    assert best[:, POWER] == pytest.approx(expected, rel=1e-12, nan_ok=True)
    is_found = np.isfinite(expected)
    assert best[:2, [SCREENED, CAPITAL]][is_found[:2]].tolist() == [[0.0, 0.0], [1.0, 7.0]][: is_found.sum()]
    assert counts.tolist() == [0, is_found.sum()]
    if is_found[SAFE]:
        # The bypass of 0.6 m³/s leaves 2, 1.9, 1.4, 1 and 0.3 m³/s, of which the last is too little.
        given = [
            1.0,
            *(share * np.interp(share, np.linspace(0.0, 1.0, 5), CURVE) / 0.76 for share in (0.95, 0.7, 0.5)),
        ]
        energy = screened_kw * sum(np.minimum(given, 1.0)) / 5.0 * sizing.MWH_PER_KW_YEAR
        assert best[SAFE, ENERGY] == pytest.approx(energy, rel=1e-12)


@pytest.mark.parametrize("by_factor", [False, True])
def test_a_flow_of_nothing_is_no_size_though_small_runners_lose_endlessly_much(by_factor):
    at_site, price, bins, sizes, full, scales, held, taken, best_at, best = place_with_power(
        1.5, 1.2, scale_loss=0.1, scale_exponent=0.5, safe_screened_m3s=0.0
    )
    counts = np.zeros(2, dtype=np.int64)
    sizing.fill_size(0.0, 0, sizes, price)

    if by_factor:
        sizing._keep_greatest_that_runs(bins, sizes, full, at_site, CURVE, price, scales, counts, best)
    else:
        sizing.judge(bins, sizes, full, 0, at_site, CURVE, price, scales, held, taken, best_at, counts, best)

    assert np.isnan(best[:, SCORE]).all()
    assert np.isnan(scales).all()
    assert counts.tolist() == [0, 0]


@pytest.mark.parametrize(("conduit_m", "is_bounded"), [(0.0, False), (0.5, True), (300.0, True)])
def test_a_size_is_bounded_bin_by_bin_behind_any_pipe(conduit_m, is_bounded):
    at_site, price, bins, sizes, full, scales, held, taken, best_at, best = place_with_power(
        60.0, 50.0, conduit_m=conduit_m
    )
    counts = np.zeros(2, dtype=np.int64)

    sizing.judge(bins, sizes, full, 0, at_site, CURVE, price, scales, held, taken, best_at, counts, best)

    assert np.isnan(best_at).all() != is_bounded
    # What bins take of the flow is kept where there is no pipe, and taken from there the next time.
    assert held.item() == (-1 if is_bounded else 0)
    energy = best[ANY, ENERGY]
    taken[0, :5] *= 0.5
    best[:, BAR] = -np.inf
    sizing.judge(bins, sizes, full, 0, at_site, CURVE, price, scales, held, taken, best_at, counts, best)
    if is_bounded:
        assert best[ANY, ENERGY] == energy
    else:
        # Three bins hold the flow; 1.6 and 0.9 m³/s give half of what they did.
        of_partial = sum(
            flow * np.interp(flow / 2.0, np.linspace(0.0, 1.0, 5), CURVE) / (2.0 * 0.76) for flow in (1.6, 0.9)
        )
        assert best[ANY, ENERGY] == pytest.approx(60.0 * (3.0 + 0.5 * of_partial) / 5.0 * sizing.MWH_PER_KW_YEAR)


@pytest.mark.parametrize("units", [1, 2])
def test_the_bound_bin_by_bin_counts_a_bin_with_just_the_lowest_flow_of_a_unit(units):
    at_site, best_at = site(units=units, lowest_relative_flow=0.5), np.full((1, 2, 4, 9), np.nan)
    for usable, counts in ((0.5 / units * (1.0 - 1e-8), False), (0.5 / units, True)):
        bins = filled_bins([usable], [3.0])
        bound = sizing._bound_by_share_mwh(
            bins,
            0,
            1.0,
            1.0,
            np.inf,
            0.1,
            1.0,
            at_site,
            CURVE,
            prices(),
            best_at[:, :, : units + 2, : 4 * units + 1],
        )
        assert (bound > 0.0) == counts
