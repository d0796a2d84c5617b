"""Inventories of weirs and drops: read as one, and records of one structure merged into one row."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.siting.stated_columns import rows_of_layer, validate_columns, word_of
from sitefinder.siting.structures import (
    ATTRIBUTES,
    CROSSINGS,
    NO_USE,
    NOT_BARRIERS,
    is_stated,
)
from sitefinder.vocabulary import IN_ONE_CELL

# Standard errors within which two stated drops agree (95 % of differences of one true drop).
AGREEING_ERRORS = 1.96
# A word for what is not known states nothing.
NOT_KNOWN = "unknown"
# How the table of repairs calls the structures, and how it begins what it says of several inventories.
LAYER = "structures"
DIFFERENT, DOUBTFUL = "inventories differ in", "possible duplicate, not merged"
# Statements on a structure's status, as messages word them where they hold and where not, by attribute: that no
# removal is planned does not say that the structure is still there.
STATUS = {"removed": ("removed", "in place"), "removal_planned": ("removal planned", "no removal planned")}
# Other attributes that are merged, as messages call them; the drop is merged too.
TEXTS = {"kind": "kind", "use": "use", "owner": "owner", "condition": "condition", "passable": "passable"}
STATEMENTS = {"powered": "plant", "fish_pass": "fish pass"}


def inventory_of(frame, source, name, *, is_first):
    """An inventory with its columns named as `ATTRIBUTES`, and what each row says of a structure's status.

    Parameters
    ----------
    frame : GeoDataFrame
        The layer as read: ``feature_id`` and the user's columns.
    source : sitefinder.settings.StructureSource
    name : str
        Of the inventory.
    is_first : bool
        Whether its ids stay as they are; those of others begin with the inventory's name.

    Returns
    -------
    frame : GeoDataFrame
        ``feature_id``, any of the `ATTRIBUTES`, ``inventory``, ``inventory_id``, ``position_error_m`` (NaN: none
        is stated), ``holds_duplicates`` and the geometry. ``removed`` and ``removal_planned`` are None where
        nothing is stated.
    notes : list of (str, str)
        What was found in it and done about it.

    Raises
    ------
    InputError
        If the layer lacks columns that the settings name.
    """
    asked = {f"columns.{attribute}": column for attribute, column in source.columns.items()}
    validate_columns(frame, source.path, name, asked | {"status_column": source.status_column})
    notes = []
    own = rows_of_layer(frame)
    for attribute in ATTRIBUTES:
        column = source.columns.get(attribute, attribute)
        if column in frame:
            own[attribute] = frame[column].to_numpy()
    if source.kinds and "kind" in own:
        kinds = {word_of(word): kind for word, kind in source.kinds.items()}
        words = own["kind"].map(word_of)
        own["kind"] = words.map(kinds).where(words.isin(list(kinds)), own["kind"])
        notes += _absent_words(kinds, words, "kinds", "kind")
    for attribute in ("drop_m", "drop_error_m"):
        if attribute in own and source.drop_scale != 1.0:
            number = pd.to_numeric(own[attribute], errors="coerce")
            own[attribute] = own[attribute].astype(object).where(number.isna(), number * source.drop_scale)
    if source.zero_height_is_missing and "drop_m" in own:
        is_zero = (pd.to_numeric(own["drop_m"], errors="coerce") == 0.0).to_numpy()
        own["drop_m"] = own["drop_m"].astype(object).where(~is_zero, None)
        if is_zero.any():
            notes.append((f"height 0: {is_zero.sum()} of {len(own)} structures", "taken as not known"))
    if source.status_column is not None:
        words = frame[source.status_column].map(word_of).to_numpy(dtype=object)
        for attribute, values in (
            ("removed", source.removed_values),
            ("removal_planned", source.removal_planned_values),
        ):
            if not values:
                continue
            said = {word_of(value) for value in values}
            before = own[attribute].to_numpy(dtype=object) if attribute in own else np.full(len(own), None)
            own[attribute] = np.where(words != "", np.isin(words, list(said)), before)
            notes += _absent_words(said, pd.Series(words, dtype=object), f"{attribute}_values", "status")
    own["inventory"] = name
    own["inventory_id"] = own["feature_id"].astype(str)
    if not is_first:
        own["feature_id"] = [f"{name}:{identity}" for identity in own["inventory_id"]]
    own["position_error_m"] = np.nan if source.position_error_m is None else source.position_error_m
    own["holds_duplicates"] = source.holds_duplicates
    return own.set_geometry(frame.geometry.to_numpy(), crs=frame.crs), notes


# Words of the settings that no row holds: another edition of the layer may, so they are listed and not refused.
def _absent_words(said, words, setting, what):
    absent = sorted(word for word in said if not (words == word).any())
    return [(f"{setting}: no {what} is {word}", "nothing is taken for it; is it misspelt?") for word in absent]


def joined_inventories(frames):
    """Inventories as one layer.

    Parameters
    ----------
    frames : sequence of GeoDataFrame
        Of `inventory_of`, those of the first rank first.

    Returns
    -------
    GeoDataFrame
        In that order.
    """
    if len(frames) == 1:
        return frames[0]
    # As objects, since a column that one of them lacks cannot hold its gaps otherwise.
    attributes = [name for name in ATTRIBUTES if any(name in frame for frame in frames)]
    filled = [
        frame.assign(
            **{
                name: frame[name].astype(object) if name in frame else np.full(len(frame), None)
                for name in attributes
            }
        )
        for frame in frames
    ]
    return pd.concat(filled, ignore_index=True)


class Merged(NamedTuple):
    """Structures, each once, as `sitefinder.siting.structures.judge_structures` takes them.

    ``repairs`` holds what inventories differ in, and possible duplicates that were not merged, as rows (layer,
    structure, problem, action).
    """

    table: pd.DataFrame
    repairs: list


def merge_structures(located, frame, stations, stream_names, *, distance_m, drop_tolerance_m) -> Merged:
    """One row for each structure, whatever the number of inventories that list it.

    Parameters
    ----------
    located : DataFrame
        Of `sitefinder.siting.structures.locate_structures`.
    frame : GeoDataFrame
        The layer that it is of, see `joined_inventories`: a row for each of `located`, in order of priority.
    stations : DataFrame
        ``link``, ``downstream`` and ``segment_length_m``, numbered from the sources down.
    stream_names : ndarray of str, shape (links,)
        Name of the stream of each link, "" for none.
    distance_m : float
        Maximum distance of two records of one structure [m], where the errors of their positions do not add up to
        more.
    drop_tolerance_m : float
        Difference of two drops above which it is listed, where their stated errors do not explain more [m].

    Returns
    -------
    Merged

    Notes
    -----
    Two records may be of one structure if they are in different inventories (or in one that holds duplicates),
    near each other both straight and along the stream, on one stream, and of kinds that do not exclude each other:
    natural falls, crossings and all that holds water do. At a confluence the stream goes on in the link of its own
    name alone. Of these pairs the nearest along the stream are joined first, and two groups only where each record
    of one may be each record of the other: no chain joins what is far apart, and no inventory has two records in a
    group. Neither the order of the inventories nor that of their rows has a say in what is joined.

    Of each attribute the first statement in the order of priority is taken, the drop with its error. The place and
    the id are those of the first record.
    """
    if len(located) < 2 or (frame["inventory"].nunique() < 2 and not frame["holds_duplicates"].any()):
        return Merged(located, [])
    records = _Records(located, frame)
    pairs = _pairs(records, stations, stream_names, distance_m)
    group_of = _groups(records, [pair for pair in pairs if pair.because == ""])
    said = _Said(located, frame)
    table, repairs, notes = located.copy(), [], np.full(len(located), "", dtype=object)
    members = {}
    for row, group in enumerate(group_of):
        members.setdefault(group, []).append(row)
    merged = {name: table[name].to_numpy(dtype=object).copy() for name in (*ATTRIBUTES, "sources")}
    for first, rows in members.items():
        if len(rows) < 2:
            continue
        merged["sources"][first] = IN_ONE_CELL.join(merged["sources"][row] for row in rows)
        conflicts = _merge_into(merged, first, rows, said, records, drop_tolerance_m)
        repairs += [(LAYER, str(located["structure_id"].iloc[first]), *conflict) for _, *conflict in conflicts]
        what = list(dict.fromkeys(called for called, *_ in conflicts))
        notes[first] = f"{DIFFERENT} {', '.join(what)}" if what else ""
    repairs += _doubts(pairs, group_of, records, located)
    for name, values in merged.items():
        table[name] = pd.Series(values, dtype=object).astype(located[name].dtype).to_numpy()
    kept = np.array(list(members), dtype=np.int64)
    return Merged(table.assign(note=notes).iloc[kept].reset_index(drop=True), repairs)


class _Records:
    """What decides whether two records are one structure, and how messages call them."""

    def __init__(self, located, frame):
        self.station = located["station"].to_numpy(dtype=np.int64)
        self.share_above = located["share_above"].to_numpy(dtype=float)
        self.places = located["geometry"].to_numpy(dtype=object)
        self.inventory = frame["inventory"].to_numpy(dtype=object)
        self.identity = frame["inventory_id"].astype(str).to_numpy(dtype=object)
        self.error_m = np.nan_to_num(frame["position_error_m"].to_numpy(dtype=float))
        self.holds_duplicates = frame["holds_duplicates"].to_numpy(dtype=bool)
        kind = located["kind"].map(word_of)
        self.kind = kind.to_numpy(dtype=object)
        self.family = np.select(
            [kind.isin(("", NOT_KNOWN)), kind.isin(CROSSINGS), kind.isin(NOT_BARRIERS)],
            ["", "crossing", "natural fall"],
            "weir",
        ).astype(object)

    def name(self, row):
        return f"{self.inventory[row]} {self.identity[row]}"

    def key(self, row):
        return self.inventory[row], self.identity[row]

    def fits(self, one, other):
        return "" in (self.family[one], self.family[other]) or self.family[one] == self.family[other]


class _Pair(NamedTuple):
    """Two records within reach of each other; ``because`` says why they are not one, "" if they may be."""

    one: int
    other: int
    apart_m: float
    along_m: float
    because: str


# Pairs of records that are near each other, whether or not they may be one structure.
def _pairs(records, stations, stream_names, distance_m):
    way = _Way(stations, stream_names)
    reach_m = max(distance_m, 2.0 * float(records.error_m.max()))
    one, other = shapely.STRtree(records.places).query(records.places, predicate="dwithin", distance=reach_m)
    is_once = one < other
    found = []
    for a, b in zip(one[is_once].tolist(), other[is_once].tolist(), strict=True):
        if records.inventory[a] == records.inventory[b] and not records.holds_duplicates[a]:
            continue
        within_m = max(distance_m, records.error_m[a] + records.error_m[b])
        apart_m = float(shapely.distance(records.places[a], records.places[b]))
        if apart_m > within_m:
            continue
        along_m, because = way.between(records, a, b, within_m)
        if not records.fits(a, b):
            because = f"one is a {records.family[a]}, the other a {records.family[b]}"
        found.append(_Pair(a, b, apart_m, along_m, because))
    return found


class _Way:
    """Distances along the streams."""

    def __init__(self, stations, stream_names):
        self.downstream = stations["downstream"].to_numpy(dtype=np.int64)
        self.segment_m = stations["segment_length_m"].to_numpy(dtype=float)
        self.link = stations["link"].to_numpy(dtype=np.int64)
        self.names = stream_names
        joined = self.downstream[self.downstream >= 0]
        self.joining = np.bincount(joined, minlength=len(self.downstream))

    def between(self, records, one, other, within_m):
        """Distance along one stream between two records [m], and why there is none."""
        station, share = records.station, records.share_above
        if station[one] < 0 or station[other] < 0:
            return np.inf, "no stream is near one of them"
        upper, lower = (one, other) if station[one] <= station[other] else (other, one)
        own = int(station[upper])
        if own == station[lower]:
            along_m = abs(share[upper] - share[lower]) * self.segment_m[own]
            return along_m, "" if along_m <= within_m else "too far along the stream"
        along_m = (1.0 - share[upper]) * self.segment_m[own]
        while along_m <= within_m:
            following = int(self.downstream[own])
            if following < 0 or not self._goes_on(own, following):
                break
            if following == station[lower]:
                along_m += share[lower] * self.segment_m[following]
                return along_m, "" if along_m <= within_m else "too far along the stream"
            along_m += self.segment_m[following]
            own = following
        return np.inf, "on another stream, or too far along it"

    # Whether the stream of a station goes on in the next: at a confluence only in the link of its own name.
    def _goes_on(self, own, following):
        if self.joining[following] <= 1:
            return True
        name = self.names[self.link[own]]
        return name != "" and name == self.names[self.link[following]]


# For each record the first record, in order of priority, of the structure that it is of.
def _groups(records, pairs):
    def rank(pair):
        return pair.along_m, pair.apart_m, sorted((records.key(pair.one), records.key(pair.other)))

    possible = {(pair.one, pair.other) for pair in pairs}
    groups = {row: [row] for row in range(len(records.station))}
    group_of = list(range(len(records.station)))
    for pair in sorted(pairs, key=rank):
        one, other = group_of[pair.one], group_of[pair.other]
        if one == other:
            continue
        if all((min(a, b), max(a, b)) in possible for a in groups[one] for b in groups[other]):
            first, second = min(one, other), max(one, other)
            groups[first] = sorted(groups[first] + groups.pop(second))
            for row in groups[first]:
                group_of[row] = first
    return group_of


class _Said:
    """What each record states: bool of shape (n,) by attribute, and whether it is stated to be removed."""

    def __init__(self, located, frame):
        self.has = {
            name: is_stated(frame[name]) if name in frame else np.zeros(len(frame), dtype=bool)
            for name in ATTRIBUTES
        }
        for name in TEXTS:
            self.has[name] = self.has[name] & (located[name].map(word_of) != NOT_KNOWN).to_numpy(dtype=bool)
        self.has["drop_m"] = located["drop_m"].notna().to_numpy(dtype=bool)
        self.removed = located["removed"].to_numpy(dtype=bool)


# One structure from its records: fills its first row, and gives what they differ in: name, problem, action.
def _merge_into(merged, first, rows, said, records, drop_tolerance_m):
    found = []

    def differs(called, taken, other, one_text, other_text):
        problem = (
            f"{DIFFERENT} {called}: {one_text} in {records.name(taken)}, {other_text} in {records.name(other)}"
        )
        found.append((called, problem, f"{one_text} is taken, by priority"))

    for name, words in STATUS.items():
        values = merged[name].copy()
        stating = [row for row in rows if said.has[name][row]]
        for row in stating[1:]:
            # Of what is gone no removal is planned any more.
            if values[row] != values[stating[0]] and (name == "removed" or not merged["removed"][first]):
                one, other = (words[0] if values[each] else words[1] for each in (stating[0], row))
                differs("status", stating[0], row, one, other)
        merged[name][first] = bool(values[stating[0]]) if stating else False
    for name, called in (*TEXTS.items(), *STATEMENTS.items()):
        values = merged[name].copy()
        stating = [row for row in rows if said.has[name][row]]
        for row in stating[1:]:
            if _plain(name, values[stating[0]]) != _plain(name, values[row]):
                differs(called, stating[0], row, _shown(values[stating[0]]), _shown(values[row]))
        merged[name][first] = values[stating[0]] if stating else ATTRIBUTES[name]
    # What has been removed has no drop any more, whatever an inventory from before says.
    drops, errors = merged["drop_m"].copy(), merged["drop_error_m"].copy()
    stating = [row for row in rows if said.has["drop_m"][row] and not said.removed[row]]
    for row in stating[1:]:
        own, other = (errors[each] if said.has["drop_error_m"][each] else 0.0 for each in (stating[0], row))
        within_m = max(drop_tolerance_m, AGREEING_ERRORS * float(np.hypot(own, other)))
        # A hundredth of a millimetre: drops are decimals, which differ by a little more or less than is written.
        if abs(drops[stating[0]] - drops[row]) > within_m + 1e-5:
            differs("drop", stating[0], row, f"{drops[stating[0]]:.4g} m", f"{drops[row]:.4g} m")
    merged["drop_m"][first] = drops[stating[0]] if stating else np.nan
    merged["drop_error_m"][first] = errors[stating[0]] if stating else errors[first]
    return found


# A value as it is compared: all words for no use are one.
def _plain(name, value):
    word = word_of(value)
    return "none" if name == "use" and word in NO_USE else word


def _shown(value):
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    return str(value).strip()


# Pairs near each other that stay two, where one of the inventories has no other record for one of them.
def _doubts(pairs, group_of, records, located):
    inventories = {}
    for row, group in enumerate(group_of):
        inventories.setdefault(group, set()).add(records.inventory[row])
    found = []
    for pair in pairs:
        one, other = group_of[pair.one], group_of[pair.other]
        is_settled = (
            records.inventory[pair.other] in inventories[one] and records.inventory[pair.one] in inventories[other]
        )
        # Bridges near weirs are common, and of another kind for certain.
        is_crossing = pair.because != "" and "crossing" in (records.family[pair.one], records.family[pair.other])
        if one == other or is_settled or is_crossing:
            continue
        first, second = sorted((pair.one, pair.other), key=lambda row: (group_of[row], row))
        because = pair.because or "a nearer one was merged"
        problem = f"{DOUBTFUL}: {records.name(second)}, {pair.apart_m:.0f} m away; {because}"
        found.append((LAYER, str(located["structure_id"].iloc[group_of[first]]), problem, "both are kept"))
    return found
