"""Names of streams: the own name, or the river that the stream joins and its kilometre."""

import shapely

from sitefinder.report.languages import numeral, say

WITHOUT_NAME = "stream without a name"
METRES_PER_KILOMETRE = 1000.0
# Common ends of reaches differ by rounding only; delivered coordinates have millimetres.
PLACES = 2


def stream_names(reaches, reach_ids):
    """Names of the streams of some reaches.

    Parameters
    ----------
    reaches : GeoDataFrame
        The layer ``reaches``: each line runs downstream and ends where the next one begins.
    reach_ids : iterable of str

    Returns
    -------
    dict of str to str
        By reach: the stream's name; "tributary of NAME at km K" where it has none and joins a named one, the
        kilometre counted upstream from the mouth of that river, or from where it leaves the reaches; otherwise
        "stream without a name".
    """
    names = ["" if name is None or name != name else str(name) for name in reaches["stream"]]
    lengths_m = reaches["length_m"].to_numpy(dtype=float)
    begins, ends = _ends(reaches.geometry.to_numpy())
    at_place = {}
    for row, place in enumerate(begins):
        if place is not None:
            at_place.setdefault(place, row)
    below = [at_place.get(place) for place in ends]
    row_of = {reach_id: row for row, reach_id in enumerate(reaches["reach_id"])}
    return {each: _name(row_of.get(each), names, lengths_m, below) for each in reach_ids}


# Follow the stream down to a name, and that river down to its mouth.
def _name(row, names, lengths_m, below):
    if row is None:
        return say(WITHOUT_NAME)
    if names[row]:
        return names[row]
    passed = {row}
    while row is not None and not names[row]:
        row = below[row]
        if row in passed:
            return say(WITHOUT_NAME)
        passed.add(row)
    if row is None:
        return say(WITHOUT_NAME)
    river, to_mouth_m = names[row], 0.0
    while row is not None and names[row] == river:
        to_mouth_m += lengths_m[row]
        row = below[row]
        if row in passed:
            break
        passed.add(row)
    km = numeral(f"{to_mouth_m / METRES_PER_KILOMETRE:.1f}")
    return say("tributary of {river} at km {km}", river=river, km=km)


# First and last place of each line, rounded; None where it has none.
def _ends(lines):
    begins, ends = [], []
    for line in lines:
        empty = line is None or line.is_empty
        places = [] if empty else shapely.get_coordinates(line).round(PLACES).tolist()
        begins.append(tuple(places[0]) if places else None)
        ends.append(tuple(places[-1]) if places else None)
    return begins, ends
