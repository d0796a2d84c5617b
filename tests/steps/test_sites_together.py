"""Sites that are worked out in one call have to the last bit what each has alone."""

import numpy as np
import pytest
from partial_run import results_of
from small_valley import REGIME, write_valley

from sitefinder.delivery import site_energy

JANUARY, JUNE_AND_JULY = 1, 0b1100000


@pytest.fixture(scope="module")
def calls(tmp_path_factory):
    """A run of five valleys: what `sites_apart` and `simulate_sites` were called with, and the stage's result."""
    settings = write_valley(tmp_path_factory.mktemp("valleys"), valleys=5)
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace("[stretches]", f"{REGIME}\n[stretches]", 1), encoding="utf-8")
    found = {}

    # Under the name of the function that it takes the place of, so that a run finds its code.
    def noting(function):
        def noted(**arguments):
            found.setdefault(function.__name__, []).append(arguments)
            return function(**arguments)

        noted.__module__, noted.__qualname__ = function.__module__, function.__qualname__
        return noted

    with pytest.MonkeyPatch.context() as patch:
        for name in ("sites_apart", "simulate_sites"):
            patch.setattr(site_energy, name, noting(getattr(site_energy, name)))
        found["result"] = results_of(settings, "site_energy")["site_energy"]
    return found


# What is found for some of the sites in one call; their closed months are given by their numbers.
def worked_out(calls, numbers, closed=None):
    given = dict(calls["sites_apart"][0])
    selected = given["selected_sites"]
    if closed is not None:
        given["selected_sites"] = selected._replace(own=selected.own.assign(rule_closed_months=closed))
    makes = list(site_energy.sites_apart(**given).values())
    shares = site_energy.sites_together([makes[number] for number in numbers])(tuple(given))
    return site_energy.simulate_sites(**{**calls["simulate_sites"][0], **shares})


def assert_same(found, expected):
    for name, values, others in zip(
        found.simulations._fields, found.simulations, expected.simulations, strict=True
    ):
        np.testing.assert_array_equal(values, others, err_msg=name)
    assert found.columns.equals(expected.columns)
    assert found.options.equals(expected.options)
    assert found.options.dtypes.equals(expected.options.dtypes)


def test_a_run_works_out_its_sites_in_one_call(calls):
    assert len(calls["simulate_sites"]) == 1
    assert len(calls["simulate_sites"][0]["selected_sites"].table) == 5
    of_each = site_energy.energy_of_each(worked_out(calls, range(5)), 5)
    assert_same(calls["result"], site_energy.joined_site_energy(dict(enumerate(of_each))))


@pytest.mark.parametrize(
    "closed",
    [None, [0, JANUARY, 0, JUNE_AND_JULY, JANUARY], [JUNE_AND_JULY] * 5],
    ids=["open", "some closed", "all closed alike"],
)
def test_what_a_site_has_does_not_depend_on_the_sites_beside_it(calls, closed):
    together = worked_out(calls, range(5), closed)

    of_each = site_energy.energy_of_each(together, 5)
    for number, own in enumerate(of_each):
        assert_same(own, worked_out(calls, [number], closed))
    # Nor on their order, and it is its own: no two valleys draw the same.
    turned = site_energy.energy_of_each(worked_out(calls, [3, 0, 4], closed), 3)
    for number, own in zip((3, 0, 4), turned, strict=True):
        assert_same(own, of_each[number])
    assert len({own.columns["energy_mwh"].iloc[0] for own in of_each}) == 5
    if closed is not None and len(set(closed)) > 1:
        opened = worked_out(calls, range(5)).columns["energy_mwh"]
        changed = together.columns["energy_mwh"] != opened
        assert changed.tolist() == [months > 0 for months in closed]
