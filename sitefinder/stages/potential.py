"""The waterfall of potential, and the shares of reaches in districts that it is told by."""

import numpy as np
import pandas as pd

from sitefinder.schema import LAYERS, has_flag
from sitefinder.siting.verdicts import Held
from sitefinder.siting.waterfall import Step, rule_steps, waterfall
from sitefinder.stages.stream_repairs import UNRESOLVED

# What keeps a whole reach from having any candidate, as `not_offered_because` says it.
NO_STREAM = ("standing water", "developed", "tidal")


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
    The order: everything; then what cannot be measured (network unresolved, no flow estimate, head unresolved,
    catchment incomplete); what is no stream to build on (standing water, developed, tidal: reaches of which
    nothing else is left, as ``not_offered_because`` says); the rules in the order of the settings; and what is
    open by its verdict. ``ranking.allow`` lets heads, catchments, conditions and gaps of layers pass.
    """
    allow = settings.ranking.allow
    nowhere = np.zeros(len(reaches), dtype=bool)
    because, verdict = reaches["not_offered_because"], reaches["verdict"]
    dry = ~np.isfinite(reaches["flow_mean_m3s"].to_numpy(dtype=np.float64))
    unmeasured = {
        "network unresolved": (has_flag(reaches["flags"], UNRESOLVED), True),
        "no flow estimate": (dry, True),
        "head unresolved": (has_flag(reaches["flags"], "head_unresolved"), "unresolved" not in allow),
        "catchment incomplete": (has_flag(reaches["flags"], "catchment_incomplete"), "incomplete" not in allow),
    }
    unmeasured |= {kind: ((because == kind).to_numpy(), True) for kind in NO_STREAM}
    passing = ["open", "restricted", *(name for name in ("unknown", "conditional") if name in allow)]
    is_open = verdict.isin(passing).to_numpy()
    steps = [
        Step("everything", ~nowhere, nowhere),
        *(Step(kind, met, met & is_barring) for kind, (met, is_barring) in unmeasured.items()),
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
