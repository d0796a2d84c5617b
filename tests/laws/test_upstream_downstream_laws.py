"""Effects along the stream against brute force, metre by metre, on random networks with falls and side arms."""

from collections import deque

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitefinder.rules.overlaps import HIT_COLUMNS
from sitefinder.rules.upstream_downstream import Barriers, carried_along, steps_down
from sitefinder.settings import RuleSettings

pytestmark = pytest.mark.slow


class Streams:
    """A random network of links of whole metres, with sources of an effect, falls and drops at whole metres."""

    def __init__(self, seed):
        draw = np.random.default_rng(seed)
        count = int(draw.integers(1, 9))
        self.length = draw.integers(1, 25, count)
        # Most links join one of the next few, so that there are confluences; some end in an outlet.
        below = np.minimum(np.arange(count) + draw.integers(1, 4, count), count - 1)
        below[draw.random(count) < 0.1] = -1
        below[-1] = -1
        leaves = np.full(count, -1)
        for arm in range(count):
            is_source = arm not in below
            left = draw.integers(0, arm + 1) if is_source and draw.random() < 0.5 else -1
            if 0 <= left < arm and below[left] >= 0 and np.flatnonzero(below == below[left])[-1] < arm:
                leaves[arm] = left
        self.below, self.leaves = below, leaves
        self.links = pd.DataFrame({"downstream_link": below, "leaves_link": leaves})
        self.stations, self.segment_of = self._stations(draw)
        self.source = {
            (link, metre): f"f{draw.integers(0, 4)}"
            for link in range(count)
            for metre in range(self.length[link])
            if draw.random() < 0.06
        }
        self.falls = [(link, int(draw.integers(0, self.length[link] + 1))) for link in range(count)]
        self.falls = [fall for fall in self.falls if draw.random() < 0.4]
        self.profile = np.zeros(len(self.stations))
        self.dropping = {s for s in range(len(self.stations)) if draw.random() < 0.15 and self.segment_m[s] > 0}
        for station in range(len(self.stations)):
            fall = 3.0 if station in self.dropping else 0.5
            self.profile[station] = self.profile[station - 1] - fall if self.segment_m[station] > 0 else 1e3
        self.distance = draw.choice([np.inf, *range(1, 40)]) if draw.random() < 0.7 else np.inf

    @property
    def segment_m(self):
        return self.stations["segment_length_m"].to_numpy()

    def _stations(self, draw):
        rows, segment_of, first = [], {}, []
        for link, length in enumerate(self.length):
            first.append(len(rows))
            inner = np.flatnonzero(draw.random(length - 1) < 0.3) + 1
            at = [0, *inner.tolist(), int(length)]
            for number, metre in enumerate(at):
                before = at[number - 1] if number else 0
                rows.append((link, float(metre), float(metre - before), -1 if number == 0 else len(rows)))
                segment_of |= {(link, inside): len(rows) - 1 for inside in range(before, metre)}
        table = pd.DataFrame(rows, columns=["link", "distance_m", "segment_length_m", "reach"])
        downstream = np.arange(1, len(table) + 1)
        last = np.array([*first[1:], len(table)]) - 1
        downstream[last] = np.where(self.below >= 0, np.array(first)[self.below], -1)
        return table.assign(downstream=downstream.astype(np.int32)), segment_of

    def hits(self):
        """Pieces of single metres, as a layer of tiny polygons gives them."""
        rows = [
            (
                "r",
                self.segment_of[at],
                self.segment_of[at],
                feature,
                "under",
                False,
                False,
                at[1],
                at[1] + 1.0,
                1.0,
            )
            for at, feature in self.source.items()
        ]
        table = pd.DataFrame(rows, columns=HIT_COLUMNS)
        return table.astype({"feature_id": "str", "category_missing": bool, "not_covered": bool})

    def barriers(self):
        """Each fall in the segment that ends at or holds its place; at the head of a link in the first segment."""
        stationing = []
        for link, metre in self.falls:
            station = self.segment_of[link, max(metre - 1, 0)]
            stationing.append((station, metre - self.stations["distance_m"][station] + self.segment_m[station]))
        station, at_m = zip(*stationing, strict=True) if stationing else ((), ())
        return Barriers(np.array(station, dtype=np.int64), np.array(at_m, dtype=float))

    def next_metres(self, at):
        """Metres right below a metre, each with the place of the boundary between."""
        link, metre = at
        if metre + 1 < self.length[link]:
            return [(link, metre + 1)]
        arms = [arm for arm in range(len(self.below)) if self.leaves[arm] >= 0 and self._meet(link, arm)]
        return [(lower, 0) for lower in ([self.below[link]] if self.below[link] >= 0 else []) + arms]

    def _meet(self, link, arm):
        return self.below[link] >= 0 and self.below[link] == self.below[self.leaves[arm]]

    def blocked(self, upper, lower, first_step, up, drops):
        """Whether the effect ends between two neighbouring metres; by a drop not where its source ends there."""
        fall = (upper[0], upper[1] + 1) in self.falls or (lower[0], lower[1]) in self.falls
        here = lower if up else upper
        other = upper if up else lower
        leaves_segment = self.segment_of[upper] != self.segment_of[lower]
        drop = drops and leaves_segment and self.segment_of[here] in self.dropping and not first_step
        return fall or (drop and other != here)

    def reached(self, up, ends_at_falls, drops):
        """Metres from every source to the feature that reaches them first, and how far away it is."""
        if not ends_at_falls:
            self.falls = []
        steps = {at: self.next_metres(at) for at in self.segment_of}
        if up:
            turned = {at: [] for at in steps}
            for at, lower in steps.items():
                for one in lower:
                    turned[one].append(at)
            steps = turned
        away = {}
        for start, feature in self.source.items():
            queue, reached = deque([(start, 0)]), {start}
            while queue:
                at, far = queue.popleft()
                away.setdefault(at, {}).setdefault(feature, far)
                away[at][feature] = min(away[at][feature], far)
                for after in steps[at]:
                    upper, lower = (after, at) if up else (at, after)
                    free = not self.blocked(upper, lower, at == start, up, drops)
                    if free and far + 1 <= self.distance and after not in reached:
                        reached.add(after)
                        queue.append((after, far + 1))
        return away


def cells(streams, hits):
    of = {}
    for row in hits.itertuples():
        link = streams.stations["link"][row.station]
        assert row.from_m == pytest.approx(round(row.from_m))
        assert row.to_m == pytest.approx(round(row.to_m))
        for metre in range(round(row.from_m), round(row.to_m)):
            of.setdefault((link, metre), []).append(row.feature_id)
    return of


@given(st.integers(0, 10**9), st.sampled_from(["downstream", "upstream"]), st.booleans(), st.booleans())
@settings(deadline=None, max_examples=150)
def test_an_effect_reaches_just_the_metres_that_brute_force_reaches(seed, effect, ends_at_falls, drops):
    streams = Streams(seed)
    hits = streams.hits()
    falls = streams.barriers() if ends_at_falls else Barriers(np.zeros(0), np.zeros(0))
    rule = RuleSettings(
        name="r",
        action="exclude",
        path="layer.gpkg",
        effect=effect,
        effect_distance_m=None if np.isinf(streams.distance) else streams.distance,
        ends_at_falls=ends_at_falls,
        stops_at_drop_m=2.0 if drops else None,
    )
    steps = steps_down(streams.stations, streams.links)
    before = hits.copy()

    carried = carried_along(hits, streams.stations, steps, rule, falls, streams.profile)

    away = streams.reached(effect == "upstream", ends_at_falls, drops)
    found = cells(streams, carried)
    assert set(found) | set(streams.source) == set(away)
    # Ground under the layer itself is no effect of another feature, and no metre is listed twice.
    assert not set(found) & set(streams.source)
    for at, features in found.items():
        assert len(features) == 1
        assert away[at][features[0]] == min(away[at].values())
    assert hits.equals(before)
    assert (carried["reach"] == carried["station"]).all()
    assert set(carried["effect"]) <= {effect}


@pytest.mark.parametrize("doubt", ["category_missing", "not_covered"])
def test_what_is_doubtful_at_the_source_is_doubtful_along_the_stream(doubt):
    streams = Streams(3)
    streams.source = {(0, 0): "f0"}
    hits = streams.hits()
    hits[doubt] = True
    rule = RuleSettings(name="r", action="exclude", path="layer.gpkg", effect="downstream", effect_distance_m=5)

    carried = carried_along(
        hits,
        streams.stations,
        steps_down(streams.stations, streams.links),
        rule,
        Barriers(np.zeros(0), np.zeros(0)),
        streams.profile,
    )

    assert carried["overlap_m"].sum() > 0
    assert carried[doubt].all()
    assert not carried[{"category_missing": "not_covered", "not_covered": "category_missing"}[doubt]].any()


def test_random_networks_hold_what_the_law_is_about():
    many = [Streams(seed) for seed in range(200)]

    assert sum((streams.leaves >= 0).any() for streams in many) > 20
    assert sum(len(np.unique(streams.below)) < len(streams.below) for streams in many) > 50
    assert sum(len(streams.falls) > 0 and len(streams.source) > 1 for streams in many) > 50
