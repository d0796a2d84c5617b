"""The curve that a design flow was chosen from: the sizes of one machine class at each of a few stretches."""

import numpy as np
import pandas as pd

from sitefinder.power.tailwater import WaterDepths
from sitefinder.power.valuation import machine_options


def size_options(
    stretches, curve_m3s, reserved_m3s, machines, costs, settings, machine, screened, depths=None, closed=None
):
    """Plants of one class with each of the design flows that are tried first.

    Parameters
    ----------
    stretches, curve_m3s, reserved_m3s, machines, costs, settings, depths, closed
        As `sitefinder.power.valuation.value_stretches`.
    machine : array_like of int, shape (n,)
        Place in the list of the class of each stretch.
    screened : array_like of bool, shape (n,)
        Whether with a fine screen and bypass.

    Returns
    -------
    DataFrame
        A row for each stretch and design flow of ``energy.design_exceedance_percent`` with which the class fits,
        by stretch and from the greatest flow down: columns of `sitefinder.power.valuation.machine_options`, of
        which ``is_best_any`` and ``is_best_safe`` are left out. The number of units is the best for that flow.
        Flows that the class caps to one stand once.
    """
    ends = [name for name in ("intake", "tailrace") if name in stretches]
    # Flows of the stretches' own stations alone, in a new numbering.
    stations = np.unique(stretches[ends].to_numpy(dtype=np.int64))
    renumbered = {name: np.searchsorted(stations, stretches[name].to_numpy(dtype=np.int64)) for name in ends}
    own = stretches.reset_index(drop=True).assign(**renumbered)
    if depths is not None:
        depths = WaterDepths(depths.depth_m[stations], depths.survey_m[stations])
    curve_m3s, reserved_m3s = (np.asarray(part, dtype=float)[stations] for part in (curve_m3s, reserved_m3s))
    machine = np.asarray(machine, dtype=np.int64)
    # Without stretches no class is asked for, and a table of none has no shape.
    used = np.unique(machine) if len(machine) else np.arange(len(machines))
    number = np.searchsorted(used, machine)
    wanted = pd.DataFrame({"stretch": own.index, "machine": number, "screened": np.asarray(screened, dtype=bool)})
    classes = [machines[each] for each in used]
    parts = []
    for percent in sorted(settings.energy.design_exceedance_percent):
        only = {"design_exceedance_percent": [percent]}
        if settings.energy.design_by == "capacity_factor":
            only["design_by"] = "choice"
        energy = settings.energy.model_copy(update=only)
        given = settings.model_copy(update={"energy": energy})
        options = machine_options(own, curve_m3s, reserved_m3s, classes, costs, given, depths, closed)
        parts.append(wanted.merge(options, on=list(wanted)))
    sizes = pd.concat(parts, ignore_index=True).drop(columns=["is_best_any", "is_best_safe"])
    sizes = sizes.sort_values(["stretch", "flow_design_m3s"], ascending=[True, False], kind="stable")
    sizes = sizes.drop_duplicates(["stretch", "flow_design_m3s"], ignore_index=True)
    sizes["machine"] = used[sizes["machine"].to_numpy(dtype=np.int64)]
    return sizes.assign(stretch=np.asarray(stretches.index)[sizes["stretch"].to_numpy(dtype=np.int64)])
