"""Where maps write the name of a stream: along it, at a place where it runs nearly straight."""

from typing import NamedTuple

import numpy as np
import shapely

from sitefinder.report.text import is_missing

# Pieces of a stream that are compared for the straightest (own choice).
PIECES = 12


class StreamPlace(NamedTuple):
    """A place for the name of a stream, and the direction there [°], counter-clockwise, from -90 to 90."""

    name: str
    east_m: float
    north_m: float
    turn_deg: float
    length_m: float


def stream_places(names, lines):
    """A place for the name of each stream that has one.

    Parameters
    ----------
    names : sequence of str
        Name of the stream of each line; empty or missing for none.
    lines : ndarray of LineString, of the same length

    Returns
    -------
    list of StreamPlace
        The longest stream first; of a stream, the middle of the straightest piece of its longest line.

    Examples
    --------
    >>> north = shapely.LineString([(0, 0), (0, 50), (0, 100)])
    >>> [place] = stream_places(["Ardelm"], np.array([north]))
    >>> place.name, place.east_m, place.north_m, place.turn_deg
    ('Ardelm', 0.0, 50.0, 90.0)
    """
    by_name = {}
    for name, line in zip(names, lines, strict=True):
        if not is_missing(name) and name and line is not None and not line.is_empty:
            by_name.setdefault(name, []).append(line)
    places = [_place(name, shapely.line_merge(shapely.union_all(own))) for name, own in by_name.items()]
    return sorted(filter(None, places), key=lambda place: (-place.length_m, place.name))


# The middle of the straightest piece of the longest part; of equally straight ones, that nearest to its middle.
def _place(name, stream):
    parts = shapely.get_parts(stream)
    lengths_m = shapely.length(parts)
    if not len(parts) or not lengths_m.max() > 0:
        return None
    longest = parts[int(np.argmax(lengths_m))]
    steps_m = np.linspace(0.0, longest.length, PIECES + 1)
    ends = shapely.get_coordinates(shapely.line_interpolate_point(longest, steps_m))
    # A piece twice as long as the steps, so that every bend is within one.
    begin, end = ends[:-2], ends[2:]
    straight_m = np.hypot(*(end - begin).T)
    straightest = np.flatnonzero(straight_m > straight_m.max() - 0.001)
    at = int(straightest[np.argmin(np.abs(straightest - (len(straight_m) - 1) / 2))])
    across, up = end[at] - begin[at]
    turn = (np.degrees(np.arctan2(up, across)) + 90.0) % 180.0 - 90.0
    turn = 90.0 if turn == -90.0 else turn
    east, north = ends[at + 1]
    return StreamPlace(str(name), float(east), float(north), float(turn), float(lengths_m.sum()))
