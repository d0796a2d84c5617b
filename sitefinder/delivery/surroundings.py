"""What optional layers of the user say of sites: the water bodies that they use."""

from typing import NamedTuple

import numpy as np

from sitefinder.siting.water_body_status import bodies_of, bodies_used
from sitefinder.vocabulary import FLAG_SEPARATOR, FLAG_VALUE, STATUS_MUST_NOT_FALL

# Between several things of a site in one cell.
SEPARATOR = "; "


class OfSites(NamedTuple):
    """Columns of ``sites`` by name, each an array of shape (n,), and for each site its flags, "" for none."""

    columns: dict
    flags: list


def water_bodies_of_sites(inputs, river_parts, stretches, candidates):
    """Water bodies that sites use, with their status, and the flag of those whose status must not fall.

    Parameters
    ----------
    inputs, river_parts, stretches
        Results of the stages of those names.
    candidates : ndarray of int, shape (n,)
        Number of each site among all candidates.

    Returns
    -------
    OfSites
        Empty texts without the layer.
    """
    count = len(candidates)
    ids, statuses = np.full(count, "", dtype=object), np.full(count, "", dtype=object)
    flags = [""] * count
    if "water_bodies" in inputs.layers and count:
        bodies = bodies_of(inputs.layers["water_bodies"].frame)
        for site, numbers in enumerate(bodies_used(river_parts.water_body, stretches, candidates)):
            own = bodies.iloc[numbers]
            ids[site] = _in_one_cell(own["water_body_id"])
            # Where no status is stated at all, no row of separators.
            statuses[site] = _in_one_cell(own["status"]) if (own["status"] != "").any() else ""
            kept = own[own["must_not_fall"].to_numpy(dtype=bool)]
            values = [
                _without_separator(f"{name or identity} ({status})")
                for name, identity, status in zip(kept["name"], kept["water_body_id"], kept["status"], strict=True)
            ]
            flags[site] = f"{STATUS_MUST_NOT_FALL.name}{FLAG_VALUE}{', '.join(values)}" if values else ""
    return OfSites({"water_body_id": ids, "water_body_status": statuses}, flags)


# Several texts in one cell, and a text that may stand in such a cell: the sign between them is in none.
def _in_one_cell(texts):
    return SEPARATOR.join(_without_separator(text) for text in texts)


def _without_separator(text):
    return str(text).replace(FLAG_SEPARATOR.strip(), ",")
