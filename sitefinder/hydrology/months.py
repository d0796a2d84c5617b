"""Which months the bins of a run's flows lie in, however that is known."""

from typing import NamedTuple

import numpy as np

from sitefinder.hydrology.change import FlowChange, changed_by_regime
from sitefinder.hydrology.regime import Regime, month_shares
from sitefinder.hydrology.seasons import MONTHS

# What is said where nothing says when water flows.
NO_MONTHS = "none: no monthly flow statistics, daily records or regime"


class Months(NamedTuple):
    """How the bins of stations' flows are shared among the months.

    Attributes
    ----------
    source : str
        What says so, or `NO_MONTHS`.
    bin_month : ndarray of int, shape (bins,), or None
        Month of each bin, where each lies in one month.
    today_m3s : ndarray of float64, shape (n, 200), or None
        Natural duration curve of today of each station, which `regime` splits.
    regime : Regime or None
    change : FlowChange or None
        By month; what was made of the curves since.
    """

    source: str
    bin_month: np.ndarray | None = None
    today_m3s: np.ndarray | None = None
    regime: Regime | None = None
    change: FlowChange | None = None

    @property
    def is_known(self):
        """Whether anything says when water flows."""
        return self.bin_month is not None or self.regime is not None


def shares_of_bins(months, stations):
    """What share of the time of each bin lies in each month.

    Parameters
    ----------
    months : Months
        That are known.
    stations : ndarray of int, shape (k,)

    Returns
    -------
    ndarray of float64, shape (k, bins, 12)
        Of each bin they add up to 1.
    """
    stations = np.asarray(stations, dtype=np.int64)
    if months.bin_month is not None:
        one = (months.bin_month[:, None] == np.array(MONTHS)).astype(np.float64)
        return np.broadcast_to(one, (len(stations), *one.shape))
    # Several rows of one station are solved once.
    own, row = np.unique(stations, return_inverse=True)
    curve = months.today_m3s[own]
    shares = (
        month_shares(curve, months.regime)
        if months.change is None
        else changed_by_regime(curve, months.regime, months.change).shares
    )
    return shares[row]
