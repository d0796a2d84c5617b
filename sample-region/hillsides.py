"""True ways of canals along the hillsides: on the ground as it was made, before the DEM's noise."""

import numpy as np
from landscape import to_cell
from scipy.ndimage import map_coordinates

# Fall of the canals [m/m], length of the stretches of stream beside them, and a step along the way [m].
GRADE, STRETCH_M, STEP_M = 0.001, 450.0, 2.5
# Shares of a stream's length at which intakes are.
INTAKES = (0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85)
# A way that comes no nearer to its end within this length, or that the ground does not let on, has ended [m].
PATIENCE_M = 200.0
HALVINGS, MOST_ASIDE_M = 12, 60.0


def hillside_ways(surface, transform, streams, numbers):
    """Canals that follow the hillside at their own fall, without any cut, and the penstock at their end.

    Parameters
    ----------
    surface : ndarray
        Ground without noise [m].
    transform : Affine
    streams : list of Stream
    numbers : sequence of int
        Streams beside which canals are led.

    Returns
    -------
    list of dict
        ``stream``, ``from_m`` and ``to_m`` along it, ``bank``, ``headrace_m``, ``penstock_m``; none where the
        hillside does not lead on to the powerhouse.
    """
    found = []
    for number in numbers:
        stream = streams[number]
        distance = stream.distance_m
        for share in INTAKES:
            start = int(np.searchsorted(distance, share * distance[-1]))
            end = int(np.searchsorted(distance, distance[start] + STRETCH_M))
            if end >= distance.size:
                continue
            for bank, side in (("left", 1.0), ("right", -1.0)):
                way = _way(surface, transform, stream, start, end, side)
                if way is not None:
                    part = {"stream": number, "from_m": round(float(distance[start]), 1)}
                    part |= {"to_m": round(float(distance[end]), 1), "bank": bank}
                    found.append(part | {"headrace_m": round(way[0], 1), "penstock_m": round(way[1], 1)})
    return found


# Lengths of headrace and penstock on one bank.
def _way(surface, transform, stream, start, end, side):
    def ground(place):
        row, column = to_cell(transform, place[0], place[1])
        return float(map_coordinates(surface, [[row], [column]], order=1, mode="nearest")[0])

    goal = np.array([stream.x_m[end], stream.y_m[end]])
    place = np.array([stream.x_m[start], stream.y_m[start]])
    ahead = np.array([stream.x_m[start + 3], stream.y_m[start + 3]]) - place
    ahead /= np.hypot(*ahead)
    level, length, best = float(stream.level_m[start]), 0.0, None
    place = _onto(ground, place, side * np.array([-ahead[1], ahead[0]]), level)
    while place is not None:
        away = float(np.hypot(*(goal - place)))
        if best is None or away < best[0]:
            best = away, length, level - GRADE * length - float(stream.level_m[end])
        elif length > best[1] + PATIENCE_M:
            break
        if length > 4.0 * STRETCH_M:
            return None
        moved = place + STEP_M * ahead
        onto = _onto(ground, moved, side * np.array([-ahead[1], ahead[0]]), level - GRADE * (length + STEP_M))
        if onto is None:
            break
        step = onto - place
        length += float(np.hypot(*step))
        if np.hypot(*step) > 0:
            # A smoothed heading, so that one cell does not turn it round.
            ahead = 0.7 * ahead + 0.3 * step / np.hypot(*step)
            ahead /= np.hypot(*ahead)
        place = onto
    if best is None or best[0] > 0.5 * STRETCH_M or best[2] <= 0.0:
        return None
    return best[1], float(np.hypot(best[0], best[2]))


# The place nearest to this one, uphill or downhill across the way, where the ground has a level; None for none.
def _onto(ground, place, across, level):
    over = ground(place) - level
    sign = -1.0 if over > 0 else 1.0
    reach = STEP_M / 2
    while (ground(place + sign * reach * across) - level) * over > 0:
        reach *= 1.5
        if reach > MOST_ASIDE_M:
            return None
    low, high = 0.0, reach
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if (ground(place + sign * middle * across) - level) * over > 0:
            low = middle
        else:
            high = middle
    return place + sign * high * across
