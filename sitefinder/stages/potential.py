"""The waterfall of potential, and the shares of reaches in districts that it is told by."""

import numpy as np
import pandas as pd

from sitefinder.schema import LAYERS, has_flag
from sitefinder.schema.vocabulary import (
    NO_FLOW_ESTIMATE,
    NO_STREAM,
    UNMEASURED,
    cascade_reasons,
    passing_verdicts,
    reasons_of,
)
from sitefinder.siting.verdicts import Held
from sitefinder.siting.waterfall import Step, rule_steps, waterfall


def reach_districts_table(reaches, lengths):
    """Length of each reach in each district.

    Parameters
    ----------
    reaches : GeoDataFrame
        The delivered reaches.
    lengths : DataFrame
        See `sitefinder.siting.access.lengths_by_district`.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``reach_districts``.
    """
    names = reaches["reach_id"].to_numpy()[lengths["reach"].to_numpy()]
    return lengths.assign(reach_id=names)[[column.name for column in LAYERS["reach_districts"].columns]]


def waterfall_table(settings, placed, held, reaches, lengths):
    """Totals from everything measured down to what is open, in the region and each district.

    Parameters
    ----------
    settings : sitefinder.config.Settings
    placed : Placed
    held : sitefinder.siting.verdicts.Held
        Which rules hold in the reaches of `placed`.
    reaches : GeoDataFrame
        The delivered reaches.
    lengths : DataFrame or None
        Length of each of them in each district; None where the run has no districts.

    Returns
    -------
    DataFrame
        As `sitefinder.schema` declares ``waterfall``.

    Notes
    -----
    The order: everything; then the reasons of `sitefinder.schema.vocabulary.cascade_reasons`, first what cannot be
    measured, by the flags of the reaches, then what is no natural stream (reaches of which nothing else is left,
    as ``not_offered_because`` says); the rules in the order of the settings; and what is open by its verdict.
    ``ranking.allow`` lets heads, catchments, conditions and gaps of layers pass.
    """
    allow = settings.ranking.allow
    nowhere = np.zeros(len(reaches), dtype=bool)
    because, verdict = reaches["not_offered_because"], reaches["verdict"]
    has_no_flow = ~np.isfinite(reaches["flow_mean_m3s"].to_numpy(dtype=np.float64))
    affected = {reason: has_flag(reaches["flags"], reason.flag) for reason in reasons_of(UNMEASURED)}
    affected[NO_FLOW_ESTIMATE] = has_no_flow
    affected |= {reason: (because == reason.name).to_numpy() for reason in reasons_of(NO_STREAM)}
    is_open = verdict.isin(passing_verdicts(allow)).to_numpy()
    steps = [
        Step("everything", ~nowhere, nowhere),
        *(
            Step(reason.name, affected[reason], affected[reason] & (not reason.is_allowed(allow)))
            for reason in cascade_reasons()
        ),
        *rule_steps(settings.rules, _of_delivered(placed, held, reaches), allow),
        Step("open", is_open, ~is_open),
    ]
    length_m, power_kw = (reaches[name].to_numpy(dtype=np.float64) for name in ("length_m", "theoretical_kw"))
    table = waterfall(steps, length_m, power_kw, lengths)
    return table[[column.name for column in LAYERS["waterfall"].columns]]


# Rules that hold in the delivered reaches; none in those whose network is not resolved.
def _of_delivered(placed, held, reaches):
    row = pd.Index(placed.reaches["reach_id"]).get_indexer(reaches["reach_id"])
    return Held(*[each[:, row] & (row >= 0) for each in held])
