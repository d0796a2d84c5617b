"""What several parts of a run need is made once and handed on."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sitefinder.io.raster import _operation, operation_to_run
from sitefinder.preparation import read_run
from sitefinder.settings.rules import parse_filter
from sitefinder.steps.flows import estimate_station_flows
from sitefinder.steps.rules import overlap_rule
from sitefinder.steps.scope import InputsParts, rules_of

pytestmark = pytest.mark.slow


def counting(monkeypatch, name):
    """Calls of a function by this name, which goes on as before."""
    module, _, attribute = name.rpartition(".")
    real, calls = getattr(sys.modules[module], attribute), []

    def counted(*arguments, **named):
        calls.append(arguments)
        return real(*arguments, **named)

    monkeypatch.setattr(name, counted)
    return calls


def refused(*_arguments, **_named):
    raise AssertionError("made once more")


def test_equations_are_fitted_by_the_check_and_by_no_stage_after_it(sample_run, monkeypatch):
    import sitefinder.steps.readers  # noqa: F401, PLC0415

    fitted = counting(monkeypatch, "sitefinder.steps.readers.fit_equations")
    settings, inputs = read_run(sample_run.settings)
    results = sample_run.results

    flows = estimate_station_flows(settings, inputs, results["stationing"], results["catchments"])

    assert len(fitted) == 1
    assert all(used is fit for used, fit in zip(flows.fits, inputs.fits, strict=True))
    np.testing.assert_array_equal(flows.estimate.mean_m3s, results["flows"].estimate.mean_m3s)


def test_the_check_judges_equations_without_a_duration_curve(sample_run, monkeypatch):
    monkeypatch.setattr("sitefinder.hydrology.estimate.curves_from_quantiles", refused)

    _, inputs = read_run(sample_run.settings)

    assert [fit.equation.statistic for fit in inputs.fits][:1] == ["mean"]


@pytest.fixture(scope="module")
def read_again(sample_run):
    """Settings and inputs of the sample region, read once more."""
    return read_run(sample_run.settings)


def test_fitted_equations_are_in_the_key_by_what_they_hold(sample_run, read_again):
    inputs = read_again[1].whole()
    first, *others = inputs.fits
    moved = first._replace(
        equation=first.equation.model_copy(update={"constant": first.equation.constant + 1e-12})
    )

    facts = InputsParts(inputs).facts(("fits",))

    assert facts == InputsParts(sample_run.results["inputs"]).facts(("fits",))
    assert facts != InputsParts(inputs._replace(fits=[moved, *others])).facts(("fits",))


def test_a_rule_s_filter_is_evaluated_on_reading_and_not_by_its_stage(sample_run, monkeypatch):
    results = sample_run.results
    given = {name: results[name] for name in ("settings", "inputs")}
    before = [results[name] for name in ("network", "stationing", "heads", "falls")]
    rules = {name: part.scoped(()) for name, part in rules_of(given).items()}
    monkeypatch.setattr("sitefinder.rules.overlaps.matching", refused)

    found = [overlap_rule(*before, rule) for rule in rules.values()]

    pd.testing.assert_frame_equal(
        pd.concat([hits for hits in found if len(hits)], ignore_index=True), results["rule_overlaps"]
    )


def test_what_a_filter_means_is_in_the_key_of_its_rule(read_again):
    settings, inputs = read_again
    whole = inputs.whole()
    first, *others = whole.rules
    other = first._replace(match=first.match._replace(selected=~first.match.selected))

    def facts(inputs):
        return next(iter(rules_of({"settings": settings, "inputs": inputs}).values())).facts(())

    assert facts(whole) == facts(inputs)
    assert facts(whole) != facts(whole._replace(rules=[other, *others]))


def test_the_text_of_a_filter_is_parsed_once():
    assert parse_filter("zone = 3 AND kind = 'once'") is parse_filter("zone = 3 AND kind = 'once'")


def test_the_operation_of_a_raster_is_sought_once(sample_run, monkeypatch):
    _operation.cache_clear()
    sought = counting(monkeypatch, "sitefinder.io.raster.operation_between")
    facts = sample_run.results["inputs"].dem

    first, second = (operation_to_run(facts, "EPSG:32634") for _ in range(2))

    assert first is second
    assert len(sought) == 1


def test_reading_inputs_loads_no_package_that_only_fits_need():
    script = "import sys, sitefinder.steps.readers; print({'scipy.stats', 'statsmodels'} & set(sys.modules))"
    folder = Path(sys.modules["sitefinder"].__file__).parents[1]

    loaded = subprocess.run([sys.executable, "-c", script], cwd=folder, capture_output=True, text=True, check=True)

    assert loaded.stdout.strip() == "set()"
