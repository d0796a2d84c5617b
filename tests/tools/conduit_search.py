"""The cheapest conduit by Dijkstra's search over all cells: the brute force beside `sitefinder.siting.conduits`.

The ground is priced as there, but written a second time, with numpy, and the search is scipy's. The level of the
canal at a cell goes by its distance from the intake, since a search over cells knows of no length of way.
"""

from itertools import pairwise

import numpy as np
from scipy.ndimage import map_coordinates
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from sitefinder.siting.conduits import NO_ROUTE, Prices, find_conduits

# Moves to 16 neighbours in each half of the compass: a straight line of any direction is at most 1.4 % longer.
MOVES = [(0, 1), (1, 0), (1, 1), (1, -1), (1, 2), (2, 1), (1, -2), (2, -1)]
MOVES += [(1, 3), (3, 1), (1, -3), (3, -1), (2, 3), (3, 2), (2, -3), (3, -2)]
# The way to a cell is a little longer than the straight line.
DETOUR = 1.05
RIVER_BELOW_M = 0.25
END_CELLS = 3.0


class _Cells:
    # A window of the ground around a candidate, and what holds at places in its cells.
    def __init__(self, ground, stations, intake, tailrace, limits, price, margin_m):
        self.limits, self.price = limits, price
        self.cell_m = ground.cell_width_m
        ends = stations.iloc[[intake, tailrace]]
        x_m, y_m = ends["x_m"].to_numpy(), ends["y_m"].to_numpy()
        row = (ground.north_m - y_m) / ground.cell_height_m - 0.5
        column = (x_m - ground.west_m) / ground.cell_width_m - 0.5
        margin = margin_m / self.cell_m
        first = [max(int(each.min() - margin), 0) for each in (row, column)]
        end = [int(each.max() + margin) + 2 for each in (row, column)]
        window = np.s_[first[0] : end[0], first[1] : end[1]]
        self.height_m = ground.elevation_m[window].astype(np.float64)
        self.link, self.obstacle = ground.link[window], ground.obstacle[window]
        self.start, self.goal = np.column_stack([row - first[0], column - first[1]])
        self.top_m, self.tail_m = ends["level_m"]
        downstream, link = stations["downstream"].to_numpy(), stations["link"].to_numpy()
        path, station = set(), intake
        while station >= 0:
            path.add(link[station])
            station = downstream[station]
        self.is_river = np.isin(self.link, sorted(path))
        self.is_other = (self.link >= 0) & ~self.is_river
        self.to_south, self.to_east = np.gradient(self.height_m, self.cell_m)

    def level_m(self, row, column):
        away_m = np.hypot(row - self.start[0], column - self.start[1]) * self.cell_m
        return self.top_m - self.limits.grade * DETOUR * away_m

    # The cell that a place is nearest to.
    def cell(self, row, column):
        rows, columns = self.height_m.shape
        at = np.clip(np.floor(row + 0.5).astype(int), 0, rows - 1)
        return at, np.clip(np.floor(column + 0.5).astype(int), 0, columns - 1)

    def ground_m(self, row, column):
        return map_coordinates(self.height_m, [row, column], order=1, cval=np.nan)

    # Of places at a height of the ground above the canal.
    def is_over(self, cell, height_m):
        over = self.is_other[cell] | (height_m < -self.limits.max_fill_m)
        return over | (self.is_river[cell] & (height_m < -RIVER_BELOW_M))

    def is_road(self, row, column):
        return (self.obstacle[self.cell(row, column)] & 1) > 0

    # What a piece of headrace meets where it begins or ends: whether it is over the ground, and on a road.
    def end(self, row, column):
        height_m = self.ground_m(row, column) - self.level_m(row, column)
        return self.is_over(self.cell(row, column), height_m), self.is_road(row, column)

    # Cost of straight pieces of headrace one way and the other, infinite where it cannot be built. A piece costs
    # the same both ways but for what it comes upon: an aqueduct or road is counted where it begins.
    def headrace(self, row, column, to_row, to_column, start, end):
        limits, price, shape = self.limits, self.price, row.shape
        row, column, down, across = (each.ravel() for each in (row, column, to_row - row, to_column - column))
        count = max(1, int(np.ceil(max(np.abs(down).max(), np.abs(across).max()))))
        total = np.zeros(row.shape)
        met = [[each.ravel() for each in start]]
        # The pieces that can be built as far as looked at: mostly few.
        left = np.arange(row.size)
        for place in range(count):
            share = (place + 0.5) / count
            length_m = np.hypot(down, across) * self.cell_m
            south, east = down / np.hypot(down, across), across / np.hypot(down, across)
            at, beside = row + share * down, column + share * across
            height_m = self.ground_m(at, beside) - self.level_m(at, beside)
            cell = self.cell(at, beside)
            over, obstacle = self.is_over(cell, height_m), self.obstacle[cell]
            met.append([over, (obstacle & 1) > 0])
            slope = np.where(over, 0.0, np.abs(self.to_south[cell] * east - self.to_east[cell] * south))
            depth_m = np.abs(height_m)
            earth = depth_m * (price["cut_per_m2"] + price["cut_per_m3"] * depth_m) + price["bench_per_m"] * slope
            each = np.where(over, price["aqueduct_per_m"], price["canal_per_m"] + earth)
            bad = ~(height_m <= limits.max_cut_m) | (slope > limits.max_side_slope)
            bad |= over & (height_m < -limits.max_aqueduct_height_m)
            bad |= (obstacle & 2) > 0
            total += each * length_m / count
            row, column, down, across, total, left = (
                each[~bad] for each in (row, column, down, across, total, left)
            )
            met = [[each[~bad] for each in pair] for pair in met]
        met.append([each.ravel()[left] for each in end])
        there, back = total, total.copy()
        for (was_over, was_road), (over, road) in pairwise(met):
            there += price["per_crossing"] * (over & ~was_over) + price["per_road"] * (road & ~was_road)
            back += price["per_crossing"] * (was_over & ~over) + price["per_road"] * (was_road & ~road)
        ways = np.full((2, *shape), np.inf)
        ways.reshape(2, -1)[:, left] = there, back
        return ways

    # Cost of a penstock from one cell.
    def penstock(self, row, column):
        limits, price = self.limits, self.price
        down, across = self.goal[0] - row, self.goal[1] - column
        length_m, level_m = np.hypot(down, across) * self.cell_m, float(self.level_m(row, column))
        count = max(1, int(np.ceil(max(abs(down), abs(across)))))
        share = (np.arange(count) + 0.5) / count
        at, beside = row + share * down, column + share * across
        depth_m = np.maximum(self.ground_m(at, beside) - level_m, 0.0)
        if not depth_m.max() <= limits.max_cut_m or (self.obstacle[self.cell(at, beside)] & 2).any():
            return np.inf
        total = price["penstock_per_m"] * np.hypot(length_m, level_m - self.tail_m)
        total += (depth_m * (price["cut_per_m2"] + price["cut_per_m3"] * depth_m)).sum() * length_m / count
        cell = self.cell(at, beside)
        river, other = self.is_river[cell], self.is_other[cell]
        bed_m = (
            (river & (np.minimum(share, 1 - share) * length_m > END_CELLS * self.cell_m)).sum() * length_m / count
        )
        if bed_m > limits.max_aqueduct_length_m:
            return np.inf
        first = self.cell(np.array([row]), np.array([column]))
        start = [bool(of[first][0]) for of in (self.is_river, self.is_other)]
        crossed = np.count_nonzero(np.diff(other.astype(int), prepend=int(start[1])) == 1)
        came = np.flatnonzero(np.diff(river.astype(int), prepend=int(start[0])) == 1)
        left = np.flatnonzero(np.diff(river.astype(int), prepend=int(start[0])) == -1)
        crossed += np.count_nonzero(left > came.min()) if len(came) else 0
        roads = np.append(self.is_road(np.array([row]), np.array([column])), self.is_road(at, beside)).astype(int)
        total += price["per_road"] * np.count_nonzero(np.diff(roads) == 1)
        return total + price["aqueduct_per_m"] * bed_m + price["per_crossing"] * crossed


def cheapest_conduit(ground, stations, intake, tailrace, limits, price, margin_m, split=2):
    """Cost of the cheapest conduit of one candidate over the cells of a window.

    Parameters
    ----------
    ground, stations, limits
        As `sitefinder.siting.conduits.find_conduits` takes them; cells are square.
    intake, tailrace : int
    price : dict of str to float
        By the names of `sitefinder.siting.conduits.Prices`; without tunnels.
    margin_m : float
        How far the window goes beyond both ends [m].
    split : int
        Places of the search in a cell's width, between which the ground is bilinear.

    Returns
    -------
    float
        Infinite where there is no way. Long aqueducts are not refused.
    """
    cells = _Cells(ground, stations, intake, tailrace, limits, price, margin_m)
    shape = tuple(split * (size - 1) + 1 for size in cells.height_m.shape)
    number = np.arange(shape[0] * shape[1]).reshape(shape)
    row, column = (each / split for each in np.indices(shape))
    over, road = cells.end(row, column)
    source, target, cost = [], [], []
    for down, across in MOVES:
        left, right = max(0, -across), max(0, across)
        one = np.s_[0 : shape[0] - down, left : shape[1] - right]
        other = np.s_[down : shape[0], left + across : shape[1] - right + across]
        ends = (over[one], road[one]), (over[other], road[other])
        both = cells.headrace(row[one], column[one], row[other], column[other], *ends)
        for first, last, each in ((one, other, both[0]), (other, one, both[1])):
            usable = np.isfinite(each)
            source.append(number[first][usable])
            target.append(number[last][usable])
            cost.append(each[usable])
    # From the intake itself to all cells near it.
    near = (np.abs(row - cells.start[0]) < 4) & (np.abs(column - cells.start[1]) < 4)
    begin = np.broadcast_to(cells.start[:, None], (2, near.sum()))
    each, _ = cells.headrace(*begin, row[near], column[near], cells.end(*begin), (over[near], road[near]))
    usable = np.isfinite(each)
    size = shape[0] * shape[1] + 1
    source.append(np.full(usable.sum(), size - 1))
    target.append(number[near][usable])
    cost.append(each[usable])
    graph = coo_array((np.concatenate(cost), (np.concatenate(source), np.concatenate(target))), shape=(size, size))
    reached = dijkstra(graph.tocsr(), indices=size - 1)[:-1]
    away_m = np.hypot(row - cells.goal[0], column - cells.goal[1]).ravel() * cells.cell_m
    bound = reached + price["penstock_per_m"] * away_m
    best = cells.penstock(*cells.start)
    for place in np.argsort(bound):
        if not bound[place] < best:
            break
        at, beside = (each / split for each in np.divmod(place, shape[1]))
        if cells.level_m(at, beside) > cells.tail_m:
            best = min(best, reached[place] + cells.penstock(float(at), float(beside)))
    return float(best)


def ratios_to_cheapest(search, count, seed):
    """Costs of conduits over those of the cheapest ways over the cells, for some candidates taken at random.

    Parameters
    ----------
    search : sitefinder.steps.conduits.Search
    count, seed : int

    Returns
    -------
    ndarray of float64, shape (count,)
        Of candidates that have a way.
    """
    order = np.random.default_rng(seed).permutation(len(search.intake))
    ratio = []
    while len(ratio) < count:
        own, order = order[:count], order[count:]
        prices = Prices(*(each[own] for each in search.prices))
        some = search._replace(intake=search.intake[own], tailrace=search.tailrace[own], prices=prices)
        ways = find_conduits(*some).table
        for case in np.flatnonzero(ways["route"] != NO_ROUTE)[: count - len(ratio)].tolist():
            intake, tailrace = int(some.intake[case]), int(some.tailrace[case])
            price = {name: float(getattr(prices, name)[case]) for name in Prices._fields}
            station, length_m = intake, 0.0
            while station != tailrace:
                length_m += some.stations["to_downstream_m"].iloc[station]
                station = some.stations["downstream"].iloc[station]
            given = some.ground, some.stations, intake, tailrace, some.limits, price
            ratio.append(ways["cost"].iloc[case] / cheapest_conduit(*given, 150 + 0.6 * length_m))
    return np.array(ratio)
