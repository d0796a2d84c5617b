"""What a user asks about, by its id or its coordinates: a site, an existing structure or a reach."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

from sitefinder.errors import InputError, listed
from sitefinder.schema import is_scheme_that
from sitefinder.steps.selection import whole_site_id

if TYPE_CHECKING:
    from collections.abc import Mapping

SITE, STRUCTURE, REACH = "site", "structure", "reach"
# Layer and column of the ids of each kind, in the order in which they are searched.
IDS = {SITE: ("sites", "site_id"), STRUCTURE: ("structures", "structure_id"), REACH: ("reaches", "reach_id")}
# Distance from a place to the nearest delivered reach within which that is meant [m] (own choice).
NEAR_M = 500.0
NAMES_SHOWN = 5


class Subject(NamedTuple):
    """What is explained: its kind and id, the row of its layer, its reach and its candidate.

    ``reach`` is the number of the reach among those of the stationing, ``candidate`` that of a site or of the
    plant at a structure among the stretches; -1 for none. ``distance_m`` is how far away coordinates were given,
    else 0.
    """

    kind: str
    name: str
    row: dict[str, Any]
    reach: int
    candidate: int
    distance_m: float = 0.0


def find_subject(results: Mapping[str, Any], what: str) -> Subject:
    """The site, structure or reach of an id, or the reach nearest to coordinates.

    Parameters
    ----------
    results : Mapping
        Of the stages of a run.
    what : str
        An id, with ``site:``, ``structure:`` or ``reach:`` before it where several things have it; that of a site
        also without its scheme type, where one site alone is there. Or ``x,y`` in the run's system [m].

    Returns
    -------
    Subject

    Raises
    ------
    InputError
        If nothing has the id, several things have it, or no delivered reach is near the coordinates.
    """
    numbers = _numbers(what)
    if numbers is not None:
        return _nearest(results, *numbers)
    kind, _, rest = what.partition(":")
    kinds, name = ((kind,), rest) if kind in IDS else (tuple(IDS), what)
    found = [each for each in kinds if name in set(_ids(results, each))]
    if not found and SITE in kinds:
        name = whole_site_id(name, _ids(results, SITE))
        found = [SITE] if name in set(_ids(results, SITE)) else []
    if len(found) > 1:
        raise InputError.of(
            f"several things are called {name}",
            expected="one of them",
            found=listed(found),
            fix=f"say which, such as {found[0]}:{name}",
        )
    if not found:
        known = [own for each in kinds for own in _ids(results, each)]
        near = difflib.get_close_matches(name, known, n=NAMES_SHOWN)
        raise InputError.of(
            f"nothing delivered is called {name}",
            expected="the id of a site, of a structure or of a reach, or coordinates x,y",
            found=f"the nearest names are {listed(near)}" if near else f"{len(known)} other ids",
            fix="look the id up in sites.gpkg; what lies outside the region, or a trial's part, is not explained",
        )
    return _place(results, found[0], name)


def _numbers(what: str) -> tuple[float, float] | None:
    try:
        x_m, y_m = (float(part) for part in what.split(","))
    except ValueError:
        return None
    return x_m, y_m


def _ids(results: Mapping[str, Any], kind: str) -> list[str]:
    layer, column = IDS[kind]
    return [str(each) for each in results[f"{layer}_table"][column]]


def _nearest(results: Mapping[str, Any], x_m: float, y_m: float) -> Subject:
    table, point = results["reaches_table"], shapely.Point(x_m, y_m)
    distance_m = shapely.distance(table.geometry.to_numpy(), point)
    row = int(np.argmin(distance_m)) if len(table) else -1
    if row < 0 or not distance_m[row] <= NEAR_M:
        raise InputError.of(
            "no delivered reach is near this place",
            expected=f"a reach within {NEAR_M:g} m of it, coordinates in the run's system",
            found="no reach"
            if row < 0
            else f"the nearest, {table['reach_id'].iloc[row]}, {distance_m[row]:.0f} m away",
            fix="give x,y in run.crs, or the id of the reach",
        )
    place = _place(results, REACH, str(table["reach_id"].iloc[row]))
    return place._replace(distance_m=float(distance_m[row]))


def _place(results: Mapping[str, Any], kind: str, name: str) -> Subject:
    layer, column = IDS[kind]
    table = results[f"{layer}_table"]
    row = table.drop(columns="geometry", errors="ignore").iloc[int(np.flatnonzero(table[column] == name)[0])]
    reach_id = name if kind == REACH else row["reach_id"]
    reaches = np.flatnonzero(results["stationing"].reaches["reach_id"].to_numpy() == reach_id)
    candidate = -1
    if kind == SITE:
        candidate = next(number for number, own in results["delivered_sites"].id_of.items() if own == name)
    elif kind == STRUCTURE:
        candidate = _candidate_at(results, name)
    return Subject(kind, name, row.to_dict(), int(reaches[0]) if len(reaches) else -1, candidate)


# The plant at a structure, -1 where none was a candidate.
def _candidate_at(results: Mapping[str, Any], name: str) -> int:
    table = results["stretches"].table
    row = int(np.flatnonzero(results["water_bodies"].structures["structure_id"].to_numpy() == name)[0])
    uses = np.flatnonzero(
        is_scheme_that(table["scheme_type"], "uses_structure") & (table["structure"].to_numpy() == row)
    )
    return int(uses[0]) if len(uses) else -1
