"""Which months the bins of a run's flows lie in: by the bins themselves, by a regime, and by a changed climate."""

from types import SimpleNamespace

import numpy as np
import pytest

from sitefinder.hydrology import months as months_module
from sitefinder.hydrology.months import NO_MONTHS, Months, shares_of_bins


def test_months_are_known_by_the_bins_or_by_a_regime():
    assert not Months(NO_MONTHS).is_known
    assert Months("months", bin_month=np.array([1, 2])).is_known
    assert Months("regime", regime=np.ones(12)).is_known


def test_a_bin_that_lies_in_one_month_lies_there_wholly_at_every_station():
    shares = shares_of_bins(Months("months", bin_month=np.array([1, 12, 7])), [4, 9])

    assert shares.shape == (2, 3, 12)
    for place, month in enumerate((1, 12, 7)):
        assert shares[:, place].tolist() == [[float(number == month) for number in range(1, 13)]] * 2


@pytest.mark.parametrize("change", [None, 3.0])
def test_each_station_has_the_shares_of_its_own_curve_which_is_split_once(monkeypatch, change):
    solved, curves, regime = [], np.array([[5.0, 1.0], [7.0, 2.0], [9.0, 4.0]]), np.arange(12.0)

    # Stands for the solution of a regime: each curve times the regime and the change of the climate.
    def split(curve, by, factor=1.0):
        solved.append(curve.tolist())
        return curve[:, :, None] * by * factor

    monkeypatch.setattr(months_module, "month_shares", split)
    monkeypatch.setattr(months_module, "changed_by_regime", lambda *given: SimpleNamespace(shares=split(*given)))

    shares = shares_of_bins(Months("regime", None, curves, regime, change), [2, 0, 2, 2])

    assert shares.tolist() == (curves[[2, 0, 2, 2]][:, :, None] * regime * (change or 1.0)).tolist()
    assert solved == [[[5.0, 1.0], [9.0, 4.0]]]
