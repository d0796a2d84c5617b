"""Draws of energy and cost: one error at a time against its closed form, and what the region shares."""

import numpy as np
import pandas as pd
import pytest
from one_plant import level_model, plant_output
from scipy import stats

from sitefinder.energy.costs import value_of_energy
from sitefinder.energy.hydraulics import WaterDepths, net_head_m
from sitefinder.energy.operation import plant_flow_head
from sitefinder.energy.plant import yearly_energy_mwh
from sitefinder.energy.runners import scale_factors
from sitefinder.energy.turbines import efficiency_table, never_throttled_from, turbine_table
from sitefinder.energy.uncertainty import (
    SOURCES,
    _even_normals,
    _even_uniforms,
    _mean_power_simulations,
    _own_normals,
    _shuffled_columns,
    _variance_of_known,
    energy_simulations,
    intervals,
    nested_normals,
    net_depths,
    prob_in_top_n,
)
from sitefinder.settings import ReleaseSettings

SIMULATIONS = 10_000
NO_ERROR = {"shared_flow_share": 0.5, "year_to_year_sd": 0.0, "efficiency_sd": 0.0, "cost_sd": 0.0}
# Simulations come in pairs of opposite errors, so that of squares only half are independent. A sampled standard
# deviation of n normals is off by 1 / sqrt(2 n) of itself; four times that is allowed, and the seed is fixed, so
# these tests always end alike.
PAIRS = SIMULATIONS // 2
SPREAD_TOLERANCE = 4 / np.sqrt(2 * PAIRS)


@pytest.fixture
def drawn(turbine_class, generic_costs, settings):
    """A maker of simulations for sites whose turbine takes all the water: energy goes with flow and head."""

    def draw(
        sites=1,
        *,
        curve=None,
        environmental_share=0.0,
        log_sd=0.0,
        head_errors=None,
        seed=1,
        tailrace=None,
        given=None,
        of_shares=False,
        more=None,
        turbine=None,
        releases=None,
        **spread,
    ):
        spread = settings.uncertainty.model_copy(update={"simulations": SIMULATIONS} | NO_ERROR | spread)
        table = pd.DataFrame(
            {
                "tailrace": np.arange(sites) * 7 if tailrace is None else tailrace,
                "turbine": 0,
                "units": 1,
                "flow_design_m3s": 1000.0,
                # No turbine of these tests is rated so high that this would limit it.
                "power_kw": 1e6,
                "head_m": 2.2,
                "conduit_length_m": 0.0,
                "capital_cost": 100_000.0,
                "scheme_type": "at_barrier",
                "has_fish_pass": False,
            }
        ).assign(**(more or {}))
        curve = np.tile([3.0, 2.0, 1.0, 0.5], (sites, 1)) if curve is None else curve
        flows = settings.flows.model_copy(update={"releases": releases or settings.flows.releases})
        simulations, shares = energy_simulations(
            table,
            level_model(curve, log_sd, environmental_share),
            np.zeros((sites, 100), dtype=np.float32) if head_errors is None else head_errors,
            [turbine or turbine_class()],
            generic_costs,
            settings.model_copy(update={"uncertainty": spread, "flows": flows}),
            seed,
            **(given or {}),
        )
        return shares if of_shares else simulations

    return draw


def test_without_errors_every_simulation_is_the_plain_energy(drawn, turbine_class, settings):
    simulations = drawn(sites=3)

    head = net_head_m(2.2, 0.0, settings.energy)
    output = plant_output([3.0, 2.0, 1.0, 0.5], 0.0, head, 1000.0, efficiency_table(turbine_class()))
    energy = yearly_energy_mwh(output.power_mean_kw, settings.energy.availability)
    np.testing.assert_allclose(simulations.energy_mwh, energy, rtol=1e-12)
    assert np.ptp(simulations.lcoe_per_kwh) == 0


def test_the_numbers_of_a_seed_are_those_of_its_streams_in_their_order(drawn, settings):
    # Five simulations, three drawn and two mirrored, at a site of less than a kilowatt: it takes all the water, so
    # that all errors are factors. A change of the streams would move every interval of a delivery.
    curve, errors = np.array([[0.03, 0.02, 0.01, 0.005]]), np.array([[-0.3, 0.1, 0.5]])
    spread = {"shared_flow_share": 0.3, "year_to_year_sd": 0.1, "efficiency_sd": 0.05, "cost_sd": 0.25}
    plain = drawn(curve=curve, simulations=1)

    found = drawn(curve=curve, log_sd=0.2, head_errors=errors, tailrace=[4], seed=9, simulations=5, **spread)

    region = np.random.Generator(np.random.Philox(np.random.SeedSequence(9, spawn_key=(0,))))
    first = _even_normals(region, 3, 2)
    of_flow, of_year = np.concatenate([first, -first])[:5].T
    _even_uniforms(region, 3, 1)
    error_m = errors[0, _shuffled_columns(region, 3, 5)]
    own = _own_normals([4], 3, 5, 9, 1)[0]
    better, dearer, year = (
        np.exp(sd * normal) / np.exp(sd * normal).mean()
        for sd, normal in ((0.05, own[:, 0]), (0.25, own[:, 1]), (0.1, of_year))
    )
    # The net head is 2.0 m, and errors are counted from their mean.
    flow = np.exp(0.2 * (np.sqrt(0.3) * of_flow + np.sqrt(0.7) * own[:, 2]))
    head = 1.0 + (error_m - error_m.mean()) / 2.0
    # A year's energy is scaled so that its mean is that of the long term.
    year *= (flow * head).mean() / (flow * head * year).mean()
    kwh = 1000.0 * found.energy_long_term_mwh[0]
    np.testing.assert_allclose(found.energy_long_term_mwh[0] / plain.energy_mwh[0], flow * head * better)
    np.testing.assert_allclose(found.energy_mwh[0] / plain.energy_mwh[0], flow * head * better * year)
    np.testing.assert_allclose(found.power_kw[0] / plain.power_kw[0], head * better)
    np.testing.assert_allclose(found.yearly_cost[0] / plain.yearly_cost[0], dearer)
    np.testing.assert_allclose(found.lcoe_per_kwh[0], found.yearly_cost[0] / kwh)
    value = value_of_energy(kwh, settings.costs)
    np.testing.assert_allclose(found.net_annual_value[0], value - found.yearly_cost[0])


def test_a_stream_of_hardly_any_water_is_dear_and_one_of_none_gives_nothing(drawn):
    hardly = drawn(curve=np.full((1, 4), 1e-8), simulations=4)
    none = drawn(curve=np.zeros((1, 4)), year_to_year_sd=0.1, simulations=4)

    assert 0.0 < hardly.energy_mwh.max() < 1e-3
    assert hardly.lcoe_per_kwh.tolist() == (hardly.yearly_cost / hardly.energy_mwh / 1000.0).tolist()
    assert none.energy_mwh.tolist() == [[0.0] * 4]
    assert np.isposinf(none.lcoe_per_kwh).all()


def test_a_screen_takes_its_bypass_from_the_water_and_its_loss_from_the_head(
    drawn, turbine_class, generic_costs, settings
):
    screen = generic_costs.screen.design
    assert screen.bypass_share > 0
    assert screen.head_loss_m > 0
    more = {"flow_design_m3s": 2.0, "screened": True}

    found = drawn(more=more, head_errors=np.array([[-0.5, 0.5]]), simulations=2)

    table = efficiency_table(turbine_class())
    for head_m, place in ((1.5, found.power_kw[0].argmin()), (2.5, found.power_kw[0].argmax())):
        left_m = head_m - screen.head_loss_m
        output = plant_output([3.0, 2.0, 1.0, 0.5], 2.0 * screen.bypass_share, left_m, 2.0, table)
        energy = yearly_energy_mwh(output.power_mean_kw, settings.energy.availability)
        assert found.energy_mwh[0, place] == pytest.approx(energy)
        # It is rated for what the screen leaves of 2.0 m.
        assert found.power_kw[0, place] == pytest.approx(1e6 * left_m / (2.0 - screen.head_loss_m))


def test_each_site_has_the_levels_of_its_own_row(drawn, turbine_class, settings):
    # Net head 2.0 m, of which floods take some at the second site, and at the third more than there is.
    rise_m = np.array([[0.0] * 4, [0.9, 0.4, 0.1, 0.0], [2.5, 1.0, 0.2, 0.0]])
    depths = WaterDepths(rise_m + 0.3, np.full(3, 0.3))

    found = drawn(3, given={"depths": depths}, simulations=2).energy_mwh

    for row, rise in enumerate(rise_m):
        head = np.maximum(2.0 - rise, 0.0)
        output = plant_output([3.0, 2.0, 1.0, 0.5], 0.0, head, 1000.0, efficiency_table(turbine_class()))
        energy = yearly_energy_mwh(output.power_mean_kw, settings.energy.availability)
        assert found[row].tolist() == pytest.approx([energy] * 2)


def test_units_have_the_efficiency_of_their_own_size(drawn, turbine_class):
    law = {"diameter_factor": 0.42, "scale_exponent": 0.2, "source": "an example"}
    turbine, curve = turbine_class(runner=law), np.full((1, 4), 2.0)
    one = {"flow_design_m3s": 2.0}

    single = drawn(turbine=turbine, curve=curve, more=one, simulations=1).energy_mwh
    double = drawn(
        turbine=turbine, curve=2 * curve, more={"flow_design_m3s": 4.0, "units": 2}, simulations=1
    ).energy_mwh
    plain = drawn(curve=curve, more=one, simulations=1).energy_mwh

    assert double == pytest.approx(2.0 * single)
    factor = scale_factors(turbine_table([turbine]), np.array([0]), np.array([2.0]))
    assert factor[0] < 1.0
    assert single / plain == pytest.approx(factor[None])


def test_what_a_site_leaves_in_the_stream_goes_by_its_scheme_type(drawn):
    # Nothing over the crest of a barrier; below an intake half of the mean flow.
    releases, at_intake = ReleaseSettings(crest_share=0.0), {"scheme_type": "diversion"}

    def energy(**given):
        return drawn(simulations=1, **given).energy_mwh[0, 0]

    assert energy(environmental_share=0.5, releases=releases) == pytest.approx(energy())
    diverted = energy(environmental_share=0.5, releases=releases, more=at_intake)
    assert diverted == pytest.approx(energy(environmental_share=0.5))
    assert diverted < energy()


def test_the_variance_of_what_is_known_leaves_out_the_rest():
    values = np.array([[np.nan, 3.0, np.nan], [1.0, 3.0, np.nan], [np.nan] * 3])

    assert _variance_of_known(values).tolist() == [0.0, 1.0, 0.0]


def test_even_normals_are_below_nothing_where_the_number_drawn_for_their_sign_is_below_one_half():
    generator, again = np.random.default_rng(4), np.random.default_rng(4)

    normals = _even_normals(generator, 10_000, 2)

    # Four standard errors of a mean of signs.
    assert np.sign(normals).mean(axis=0) == pytest.approx([0.0, 0.0], abs=0.04)
    _even_uniforms(again, 10_000, 2)
    assert np.array_equal(normals < 0, again.random((10_000, 2)) < 0.5)


def test_each_source_and_component_of_a_site_has_numbers_of_its_own():
    normals = _own_normals([4, 7], 3, 6, 9, 2)

    # Efficiency, cost and two components; the second half mirrors the first.
    assert normals.shape == (2, 6, 2 + 2)
    assert len(np.unique(normals)) == normals.size


def test_of_a_hundred_simulations_the_tenth_the_fiftieth_and_the_ninetieth_are_given():
    hundred = np.arange(100.0, 0.0, -1.0)[None, :]

    assert [part.tolist() for part in intervals(hundred)] == [[10.0], [50.0], [90.0]]
    assert [part.tolist() for part in intervals(hundred, of_cost=True)] == [[90.0], [50.0], [10.0]]


@pytest.mark.parametrize(
    "one_error",
    [
        {"log_sd": 0.15, "shared_flow_share": 0.0},
        {"log_sd": 0.15, "shared_flow_share": 1.0},
        {"log_sd": 0.15, "shared_flow_share": 0.3},
        {"year_to_year_sd": 0.15},
        {"efficiency_sd": 0.15},
    ],
    ids=["own flow", "shared flow", "both flows", "year", "efficiency"],
)
def test_one_lognormal_error_at_a_time_gives_a_lognormal_energy(drawn, one_error):
    simulations = drawn(**one_error).energy_mwh[0]

    spread = np.log(simulations).std()
    assert spread == pytest.approx(0.15, rel=SPREAD_TOLERANCE)
    # One-sided 90 % of a lognormal with 0.15: 0.8251148 of the median.
    careful = intervals(simulations[None])
    assert careful.p90[0] / careful.p50[0] == pytest.approx(0.8251148, abs=0.01)


def test_the_error_of_cost_leaves_energy_alone(drawn):
    simulations = drawn(cost_sd=0.25)

    assert np.ptp(simulations.energy_mwh) == 0
    # Operation is a share of capital here, so the yearly cost goes with the capital.
    assert np.log(simulations.lcoe_per_kwh[0]).std() == pytest.approx(0.25, rel=SPREAD_TOLERANCE)
    # The stated cost is the expected one.
    assert simulations.lcoe_per_kwh[0].mean() == pytest.approx(drawn().lcoe_per_kwh[0, 0], rel=0.005)


def test_head_errors_move_energy_in_proportion_and_are_used_alike(drawn):
    errors = np.array([[-0.5, -0.25, 0.0, 0.25, 0.5]], dtype=np.float32)

    energy = drawn(head_errors=errors).energy_mwh[0] / drawn().energy_mwh[0, 0]

    # Net head 2.0 m: the errors are -25 % to +25 %.
    ratios, counts = np.unique(np.round(energy, 9), return_counts=True)
    np.testing.assert_allclose(ratios, [0.75, 0.875, 1.0, 1.125, 1.25], rtol=1e-6)
    assert counts.tolist() == [SIMULATIONS // 5] * 5


def test_a_head_that_the_error_takes_away_gives_no_energy_at_infinite_cost(drawn):
    simulations = drawn(head_errors=np.array([[-5.0, 5.0]]))

    none = simulations.energy_mwh == 0
    assert none.mean() == 0.5
    assert np.all(np.isinf(simulations.lcoe_per_kwh[none]))
    assert np.all(simulations.net_annual_value[none] < 0)
    assert np.all(np.isfinite(simulations.lcoe_per_kwh[~none]))


def test_a_head_that_is_less_than_its_penstock_takes_gives_no_power(drawn):
    # The penstock takes 0.12 m and more of the net head: one velocity head at 1.5 m/s, and friction.
    penstock = {"headrace_length_m": 0.0, "penstock_length_m": 10.0}
    for error_m in (-5.0, -1.95):
        power = drawn(head_errors=np.array([[error_m, -error_m]]), more=penstock).power_kw

        assert (power == 0).mean() == 0.5
        assert power[power != 0].min() > 1.9e6


def test_totals_spread_by_shared_and_own_errors(drawn):
    # Variance of the total = (sum E)² s_shared² + sum E² s_own², for small errors.
    log_sd, share, sites = 0.04, 0.4, 8
    curve = np.linspace(1.0, 5.0, sites)[:, None] * np.array([3.0, 2.0, 1.0, 0.5])

    simulations = drawn(sites, curve=curve, log_sd=log_sd, shared_flow_share=share)

    energy = drawn(sites, curve=curve).energy_mwh[:, 0]
    variance = energy.sum() ** 2 * share * log_sd**2 + (energy**2).sum() * (1 - share) * log_sd**2
    # A sampled variance is off by sqrt(2 / n) of itself, and a lognormal's is log_sd² greater than a normal's.
    assert simulations.energy_mwh.sum(axis=0).var() == pytest.approx(
        variance, rel=4 * np.sqrt(2 / PAIRS) + 3 * log_sd**2
    )


def test_the_spread_of_a_shared_error_hardly_depends_on_the_seed(drawn):
    own = {"log_sd": 0.2, "shared_flow_share": 1.0}

    spreads = [np.log(drawn(seed=seed, **own).energy_mwh[0]).std() for seed in range(12)]

    # Drawn without strata, each would be off by 1 / sqrt(2 n).
    assert np.abs(np.array(spreads) / 0.2 - 1.0).max() < 0.2 / np.sqrt(2 * PAIRS)


def test_sites_share_the_shared_error_and_nothing_else(drawn):
    shared = np.log(drawn(2, log_sd=0.2, shared_flow_share=1.0).energy_mwh)
    own = np.log(drawn(2, log_sd=0.2, shared_flow_share=0.0).energy_mwh)
    half = np.log(drawn(2, log_sd=0.2, shared_flow_share=0.5).energy_mwh)

    assert np.corrcoef(shared)[0, 1] == pytest.approx(1.0)
    # A sampled correlation of n pairs is off by 1 / sqrt(n).
    assert np.corrcoef(own)[0, 1] == pytest.approx(0.0, abs=4 / np.sqrt(PAIRS))
    assert np.corrcoef(half)[0, 1] == pytest.approx(0.5, abs=4 / np.sqrt(PAIRS))


def test_careful_values_are_in_order(drawn):
    simulations = drawn(log_sd=0.15, efficiency_sd=0.05, cost_sd=0.25)

    p99, p90, p75, p50 = np.quantile(simulations.energy_mwh[0], [0.01, 0.10, 0.25, 0.50])
    energy = intervals(simulations.energy_mwh)
    cost = intervals(simulations.lcoe_per_kwh, of_cost=True)
    assert p99 < p90 < p75 < p50
    assert energy.p90[0] < energy.p50[0] < energy.p10[0]
    # For cost the careful end is the expensive one.
    assert cost.p90[0] > cost.p50[0] > cost.p10[0]
    assert (simulations.energy_mwh[0] > energy.p90[0]).mean() == pytest.approx(0.9)
    assert (simulations.lcoe_per_kwh[0] <= cost.p90[0]).mean() == pytest.approx(0.9)


def test_the_environmental_flow_moves_with_the_estimate_but_not_with_the_year(drawn):
    curve = np.full((1, 4), 2.0)

    estimate = drawn(curve=curve, environmental_share=0.75, log_sd=0.05).energy_mwh[0]
    year = drawn(curve=curve, environmental_share=0.75, year_to_year_sd=0.05).energy_mwh[0]

    assert np.log(estimate).std() == pytest.approx(0.05, rel=SPREAD_TOLERANCE)
    # Usable is 2 f - 1.5: a year's 5 % of 2.0 is 20 % of the 0.5 left, and the lognormal makes it a little more.
    assert year.std() / year.mean() == pytest.approx(0.20, rel=0.05)


def test_one_seed_gives_one_answer_whatever_other_sites_are_there(drawn):
    spread = {"log_sd": 0.2, "efficiency_sd": 0.05, "cost_sd": 0.25}

    three = drawn(3, tailrace=[5, 9, 30], **spread)
    again = drawn(3, tailrace=[5, 9, 30], **spread)
    two = drawn(2, tailrace=[30, 5], **spread)
    other = drawn(3, tailrace=[5, 9, 30], seed=2, **spread)

    for name in ("energy_mwh", "lcoe_per_kwh", "net_annual_value"):
        assert np.array_equal(getattr(three, name), getattr(again, name))
        assert np.array_equal(getattr(three, name)[[2, 0]], getattr(two, name))
        assert not np.array_equal(getattr(three, name), getattr(other, name))


def test_a_site_without_a_turbine_is_refused(turbine_class, generic_costs, settings):
    sites = pd.DataFrame({"tailrace": [1, 2], "turbine": [0, -1]}, index=["a", "b"])

    with pytest.raises(ValueError, match=r"every site needs a turbine \(rows b have none\)"):
        energy_simulations(sites, None, None, [turbine_class()], generic_costs, settings, 1)


def test_no_sites_give_no_rows(drawn):
    simulations = drawn(0, curve=np.empty((0, 4)))

    assert simulations.energy_mwh.shape == (0, SIMULATIONS)
    assert (
        intervals(simulations.energy_mwh).p90.shape == prob_in_top_n(simulations.net_annual_value, 3).shape == (0,)
    )


def test_places_among_the_best_are_shared_out_whole():
    random = np.random.default_rng(11)
    value = random.normal(np.arange(20)[:, None], 3.0, (20, 500))

    chance = prob_in_top_n(value, 5)

    assert chance.sum() == pytest.approx(5.0)
    assert chance[:10].max() < chance[-1]
    assert prob_in_top_n(value, 50).tolist() == [1.0] * 20


def test_ties_go_to_the_earlier_row():
    assert prob_in_top_n(np.ones((3, 4)), 2).tolist() == [1.0, 1.0, 0.0]


# Two streams of two sites each, the lower one with four times the ground, and one alone.
NESTS = np.array([1, -1, 3, -1, -1]), np.array([1.0, 4.0, 2.0, 8.0, 3.0])


def test_totals_over_nested_catchments_spread_by_the_ground_that_they_share(drawn):
    log_sd, share, sites = 0.04, 0.4, 5
    curve = np.linspace(1.0, 5.0, sites)[:, None] * np.array([3.0, 2.0, 1.0, 0.5])
    own = nested_normals(*NESTS, np.arange(sites), SIMULATIONS, 1)

    simulations = drawn(sites, curve=curve, log_sd=log_sd, shared_flow_share=share, given={"own_flow": own})

    energy = drawn(sites, curve=curve).energy_mwh[:, 0]
    alike = np.eye(sites)
    # The square root of 1/4, by the areas.
    alike[0, 1] = alike[1, 0] = alike[2, 3] = alike[3, 2] = 0.5
    variance = log_sd**2 * (share * energy.sum() ** 2 + (1 - share) * energy @ alike @ energy)
    assert simulations.energy_mwh.sum(axis=0).var() == pytest.approx(
        variance, rel=4 * np.sqrt(2 / PAIRS) + 3 * log_sd**2
    )


def test_careful_values_of_power_energy_and_cost_are_in_order_at_every_site(drawn):
    errors = np.random.default_rng(5).normal(0.0, 0.2, (3, 64))
    simulations = drawn(3, log_sd=0.2, year_to_year_sd=0.1, efficiency_sd=0.05, cost_sd=0.25, head_errors=errors)

    for amount in (simulations.power_kw, simulations.energy_mwh):
        p99, p90, p75, p50 = np.quantile(amount, [0.01, 0.10, 0.25, 0.50], axis=1)
        assert (p99 < p90).all()
        assert (p90 < p75).all()
        assert (p75 < p50).all()
    dear = intervals(simulations.lcoe_per_kwh, of_cost=True)
    assert (dear.p90 > dear.p50).all()
    assert (dear.p50 > dear.p10).all()


def test_the_power_of_a_simulation_is_that_at_the_design_flow(drawn):
    # Rated for a net head of 2.0 m; the errors are -25 % to +25 %.
    errors = np.array([[-0.5, 0.0, 0.5]])

    assert drawn().power_kw == pytest.approx(np.full((1, SIMULATIONS), 1e6))
    # Ten thousand simulations are no whole number of the three.
    found = np.unique(np.round(drawn(head_errors=errors).power_kw, 3))
    assert found.tolist() == pytest.approx([750e3, 1000e3, 1250e3], rel=1e-4)
    assert np.log(drawn(efficiency_sd=0.1).power_kw).std() == pytest.approx(0.1, rel=SPREAD_TOLERANCE)
    # A weak regression leaves the installed capacity as it is.
    assert np.ptp(drawn(log_sd=0.8).power_kw) == 0


def test_a_year_moves_the_energy_of_a_year_alone_and_leaves_its_mean(drawn):
    # The turbine takes less than the flow in half of the time: energy is concave in flow.
    given = {"curve": np.array([[3000.0, 1500.0, 800.0, 300.0]]), "year_to_year_sd": 0.3}
    simulations = drawn(**given)

    assert np.ptp(simulations.energy_long_term_mwh) == 0
    assert simulations.energy_mwh.std() > 0.05 * simulations.energy_mwh.mean()
    assert simulations.energy_mwh.mean() == pytest.approx(simulations.energy_long_term_mwh[0, 0], rel=1e-9)
    assert np.ptp(simulations.lcoe_per_kwh) == 0


def test_the_second_half_of_the_simulations_mirrors_the_first(drawn):
    simulations = drawn(log_sd=0.2, efficiency_sd=0.1)

    logs = np.log(simulations.energy_mwh[0])
    np.testing.assert_allclose(logs[:PAIRS] + logs[PAIRS:], np.mean(logs) * 2, rtol=1e-9)


def test_the_shares_of_the_spread_are_those_of_the_variances(drawn):
    spread = {"log_sd": 0.06, "year_to_year_sd": 0.03, "efficiency_sd": 0.02, "cost_sd": 0.04}
    # Net head 2.0 m, errors of 0.04 m: 2 %.
    errors = 0.04 * np.random.default_rng(5).standard_normal((1, 2000))
    errors *= 0.04 / errors.std()

    shares = drawn(head_errors=errors, of_shares=True, **spread)

    squares = {"head": 4.0, "flow": 36.0, "year": 9.0, "efficiency": 4.0, "cost": 16.0}
    for name in SOURCES:
        # A share is off by at most the relative error of a sampled variance. A single year has no part in LCOE.
        of_cost = 0.0 if name == "year" else squares[name] / (sum(squares.values()) - squares["year"])
        assert shares.cost[name][0] == pytest.approx(of_cost, rel=8 * np.sqrt(2 / PAIRS) + 0.01)
        if name != "cost":
            of_energy = squares[name] / (sum(squares.values()) - squares["cost"])
            assert shares.energy[name][0] == pytest.approx(of_energy, rel=8 * np.sqrt(2 / PAIRS) + 0.01)
    assert sum(shares.energy.values())[0] == pytest.approx(1.0)
    assert sum(shares.cost.values())[0] == pytest.approx(1.0)


def test_where_nothing_errs_there_are_no_shares(drawn):
    shares = drawn(of_shares=True)

    assert all(np.isnan(part).all() for part in (*shares.energy.values(), *shares.cost.values()))


@pytest.mark.parametrize(("units", "loss_m"), [(1, 0.0), (3, 0.0), (1, 0.4), (3, 0.4)])
@pytest.mark.parametrize("waters", [1, 3])
def test_all_heads_on_the_same_water_give_what_a_plant_gives_bin_by_bin(units, loss_m, waters):
    efficiency = np.interp(np.linspace(0.0, 1.0, 101), [0.0, 0.3, 0.7, 1.0], [0.0, 0.6, 0.86, 0.8])
    plant = 5.0, units, efficiency, 0.25
    usable = np.array([[9.0, 4.1, 1.3, 0.2, 0.0], [7.0, 5.0, 2.6, 1.0, -0.5], [3.3, 2.9, 1.7, 0.6, 0.4]])[:waters]
    rise = np.array([[1.9, 0.4, 0.1, 0.0, 0.0], [0.9, 0.3, 0.2, 0.0, 0.0], [0.2, 0.2, 0.1, 0.1, 0.0]])[:waters]
    head = np.array([[1.7, 2.4, 3.3], [2.5, 2.5, 2.5]])
    rated = np.array([[40.0, 90.0, 200.0], [75.0, 75.0, 75.0]])
    open_from = never_throttled_from(efficiency, plant[-1])

    power = _mean_power_simulations(usable, rise, head, rated, 5.0, loss_m, *plant[1:], open_from, 9.81)

    for case, draw in np.ndindex(head.shape):
        water = min(draw, waters - 1)
        total = 0.0
        for flow, up in zip(usable[water], rise[water], strict=True):
            if flow > 0.0 and head[case, draw] > up:
                # The plant looks for less flow in every bin, and is asked at every head.
                taken = plant_flow_head(min(flow, 5.0), *plant, head[case, draw] - up, loss_m)[1]
                total += min(9.81 * taken, rated[case, draw])
        assert power[case, draw] == total / 5


def test_levels_at_both_ends_move_against_each_other_unless_the_upper_one_is_held():
    depths = WaterDepths(
        np.array([[2.0, 1.0], [3.0, 1.2]]), np.array([1.1, 1.5]), np.array([0.4, 0.5]), np.array([0.3, 0.6])
    )

    found = net_depths(depths, np.array([0, 0]), np.array([1, 1]), np.array([True, False]))

    assert found.depth_m == pytest.approx(np.array([[3.0, 1.2], [1.0, 0.2]]))
    assert found.survey_m.tolist() == pytest.approx([1.5, 0.4])
    # The exponents of the tailrace, each in its place.
    assert found.mean_exponent.tolist() == [0.5, 0.5]
    assert found.flow_exponent.tolist() == [0.6, 0.6]


def test_a_head_below_a_metre_is_rated_by_what_is_left_of_it(drawn):
    errors = np.array([[-1.5, 1.5]])

    # Net head 2.0 m: 0.5 and 3.5 m, rated in proportion.
    power = drawn(head_errors=errors, simulations=4).power_kw[0]

    assert sorted(power / 1e6) == pytest.approx([0.25, 0.25, 1.75, 1.75])


@pytest.mark.parametrize("simulations", [5, 6])
def test_an_odd_number_of_simulations_leaves_out_the_last_mirror(drawn, simulations):
    odd, even = (drawn(log_sd=0.3, simulations=count).energy_long_term_mwh[0] for count in (simulations, 6))

    assert len(odd) == simulations
    # Opposite errors of the flow: their energies are the square of the median.
    assert odd[:2] * odd[3:5] == pytest.approx(np.full(2, odd[0] * odd[3]))
    assert np.ptp(odd) > 0
    assert even[:simulations] == pytest.approx(odd)


def test_even_numbers_have_one_in_each_stratum_and_normals_lie_on_both_sides():
    generator = np.random.default_rng(5)

    uniforms = _even_uniforms(generator, 50, 2)
    normals = _even_normals(generator, 400, 1)[:, 0]

    for column in uniforms.T:
        assert np.floor(np.sort(column) * 50).tolist() == list(range(50))
    assert (uniforms[:, 0] != uniforms[:, 1]).all()
    # Their sizes are those of normals, one in each of 400 equal shares; about half are below nothing.
    share = 2 * stats.norm.sf(np.abs(normals))
    assert np.floor(np.sort(share) * 400).tolist() == list(range(400))
    assert 150 < (normals < 0).sum() < 250
