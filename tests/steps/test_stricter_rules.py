"""A stricter rule never raises the optimum and never admits a new candidate: on the sample's own results."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import settings as trials
from hypothesis import strategies as st

from sitefinder.schema import ACTIONS
from sitefinder.settings import RuleSettings
from sitefinder.steps.migration import spawning_metres
from sitefinder.steps.rules import judge
from sitefinder.steps.selection import choose

# Slack of sums of floats, as a share.
ROUNDING = 1e-9


@pytest.fixture(scope="module")
def weighed(sample_run):
    """A function of settings and overlaps: which candidates pass all steps, and the value of the best set."""
    results = sample_run.results

    def weigh(settings, overlaps):
        judged = judge(settings, results["stationing"], results["stretches"], overlaps, results["stream_things"])
        named = [results[name] for name in ("stationing", "stretches", "energy")]
        spawning_m = spawning_metres(settings, results["stationing"], overlaps)
        offers = choose(settings, results["inputs"], *named, spawning_m, judged, results["water_bodies"]).offers
        return offers.ladder[-1][1], offers.valued.loc[offers.chosen, "net_annual_value"].sum()

    return weigh


@pytest.fixture(scope="module", params=[None, 0.35])
def before(request, sample_run, weighed):
    """Settings, with and without a limit on cost, and what they admit with which value."""
    settings = sample_run.results["settings"]
    costs = settings.costs.model_copy(update={"max_lcoe_per_kwh": request.param})
    settings = settings.model_copy(update={"costs": costs})
    return settings, *weighed(settings, sample_run.results["rule_overlaps"])


def one_more(stations, overlaps, share, seed, doubtful):
    """Overlaps with those of a rule "one more" that lies over a share of all segments."""
    long = np.flatnonzero((stations["segment_length_m"] > 0) & (stations["reach"] >= 0))
    held = long[np.random.default_rng(seed).random(len(long)) < share]
    length_m = stations["segment_length_m"].to_numpy()[held]
    texts = {"rule": "one more", "feature_id": "F1", "effect": "under"}
    places = {"station": held, "reach": stations["reach"].to_numpy()[held]}
    metres = {"from_m": 0.0, "to_m": length_m, "overlap_m": length_m}
    doubts = {"category_missing": doubtful, "not_covered": False}
    more = pd.DataFrame(places | texts | metres | doubts)[overlaps.columns]
    return pd.concat([overlaps, more.astype(overlaps.dtypes.to_dict())], ignore_index=True)


def test_one_more_rule_admits_nothing_new_and_never_raises_the_optimum(sample_run, weighed, before):
    settings, admitted, value_before = before
    stations, overlaps = sample_run.results["stationing"].stations, sample_run.results["rule_overlaps"]
    assert admitted.sum() > 100

    # Not as arguments of the test, since a failure would print whole runs.
    @given(
        action=st.sampled_from(ACTIONS),
        share=st.floats(0.005, 0.9),
        seed=st.integers(0, 2**32 - 1),
        doubtful=st.booleans(),
    )
    @trials(deadline=None, max_examples=8, derandomize=True)
    def holds(action, share, seed, doubtful):
        rule = RuleSettings(name="one more", path="more.gpkg", action=action)
        stricter = settings.model_copy(update={"rules": [*settings.rules, rule]})

        still, value_now = weighed(stricter, one_more(stations, overlaps, share, seed, doubtful))

        assert not (still & ~admitted).any()
        assert value_now <= value_before * (1 + ROUNDING)

    holds()


@pytest.mark.parametrize("left_out", [["strict reserve"], ["spawning ground"], ["migration stem"]])
def test_a_rule_left_out_never_lowers_the_optimum(sample_run, weighed, before, left_out):
    settings, admitted, value_before = before
    milder = [rule for rule in settings.rules if rule.name not in left_out]
    overlaps = sample_run.results["rule_overlaps"]
    fish = settings.fish.model_copy(update={"spawning_rules": []})

    admitted_then, value_then = weighed(
        settings.model_copy(update={"rules": milder, "fish": fish}),
        overlaps[~overlaps["rule"].isin(left_out)].reset_index(drop=True),
    )

    assert not (admitted & ~admitted_then).any()
    assert value_then >= value_before * (1 - ROUNDING)
