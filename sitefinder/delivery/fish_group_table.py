"""The layer of groups of fish: what each site does to each of them, as built and behind a screen."""

import numpy as np
import pandas as pd

from sitefinder.delivery.checking import checked_table
from sitefinder.energy.fish_survival import (
    GRADES,
    drawn_places,
    meets_bar,
    of_plants,
    prob_safe,
    survival_by_group,
    von_raben_share,
)
from sitefinder.energy.hydraulics import net_head_m, waterway_lengths_m
from sitefinder.schema import LAYERS
from sitefinder.vocabulary import MONTH_SEPARATOR


def make_fish_groups(settings, inputs, ranked_sites):
    """The ``fish_groups`` layer: a row for each site and group, by rank and in the order of the settings."""
    order, fish, screen = ranked_sites.order, settings.fish, inputs.costs.screen.design
    number = order["turbine_number"].to_numpy(dtype=np.int64)
    screened = order["screened"].to_numpy(dtype=bool)
    unit_m3s = order["flow_design_m3s"].to_numpy(dtype=float) / order["units"].to_numpy(dtype=float)
    head_m = net_head_m(order["head_m"], waterway_lengths_m(order, settings.energy)[0], settings.energy)
    plants = inputs.turbines, screen, fish, number, unit_m3s, head_m
    survival = survival_by_group(*plants)
    share, _ = of_plants(survival, screened)
    as_built = meets_bar(survival.as_built, survival.grade_as_built, fish)
    behind = meets_bar(survival.screened, survival.grade_screened, fish)
    prob, _ = prob_safe(*plants, screened, drawn_places(settings.run.seed, settings.uncertainty.simulations))
    grades = np.array([*GRADES, ""], dtype=object)
    parts = []
    for place, group in enumerate(fish.migrating):
        length_m, von_raben = _deciding_lengths(inputs.turbines, group, number, unit_m3s, head_m, fish)
        part = pd.DataFrame(
            {
                "site_id": order["site_id"].to_numpy(),
                "fish_group": group.name,
                "is_assumed": fish.groups_are_assumed,
                "direction": group.direction,
                "months": MONTH_SEPARATOR.join(map(str, group.months)),
                "length_m": length_m,
                "min_survival": fish.bar_of(group),
                "survival_as_built": survival.as_built[:, place],
                "survival_screened": survival.screened[:, place] if screen is not None else np.nan,
                "survival": share[:, place],
                "survival_von_raben": von_raben,
                "evidence_as_built": grades[survival.grade_as_built[:, place]],
                "evidence_screened": grades[survival.grade_screened[:, place]] if screen is not None else "",
                "safe_as_built": as_built[:, place],
                "safe_screened": as_built[:, place] | (behind[:, place] if screen is not None else False),
                "decides": order["fish_group"].to_numpy() == group.name,
                "safe_prob": prob[:, place] if group.goes_down else np.nan,
            }
        )
        parts.append(part.assign(place=np.arange(len(order))))
    table = pd.concat(parts, ignore_index=True).sort_values("place", kind="stable", ignore_index=True)
    return checked_table(table[[column.name for column in LAYERS["fish_groups"].columns]], "fish_groups")


# The body length of a group that fares worst at each site [m], and its survival by the model of von Raben.
def _deciding_lengths(turbines, group, number, unit_m3s, head_m, fish):
    length_m, von_raben = np.full((2, len(number)), np.nan)
    if not group.goes_down:
        return length_m, von_raben
    alone = [
        survival_by_group(
            turbines, None, fish.model_copy(update={"groups": [group.model_copy(update={"lengths_m": [length]})]}),
            number, unit_m3s, head_m,
        ).as_built[:, 0]
        for length in group.lengths_m
    ]  # fmt: skip
    worst = np.argmin(np.array(alone), axis=0) if len(number) else np.zeros(0, dtype=np.int64)
    length_m = np.asarray(group.lengths_m, dtype=float)[worst]
    for row in range(len(number)):
        von_raben[row] = von_raben_share(
            turbines[number[row]], length_m[row], unit_m3s[row], head_m[row], fish.relative_flow
        )
    return length_m, von_raben
