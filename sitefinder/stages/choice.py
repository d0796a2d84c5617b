"""The stages from rules to sites: overlaps, verdicts, and the best set without overlap."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import shapely

from sitefinder.siting.offers import Offers, choose_sites, not_offered_because
from sitefinder.siting.rules import HIT_COLUMNS, overlaps, rule_metres
from sitefinder.siting.verdicts import StretchMarks, admissible, reach_verdicts, stretch_marks


class Judged(NamedTuple):
    """Verdict and reasons of each reach, marks of each stretch, and the machine choice the rules leave it."""

    reaches: pd.DataFrame
    stretch_marks: StretchMarks
    choice: np.ndarray
    because: np.ndarray


class Chosen(NamedTuple):
    """The chosen set, and why each reach without a site has none."""

    offers: Offers
    not_offered: np.ndarray


def overlap_rules(settings, inputs, placed):
    """Hits of every rule's features on the stream."""
    hits = [
        overlaps(placed.segments, read.frame, rule)
        for rule, read in zip(settings.rules, inputs.rules, strict=True)
        if not read.frame.empty
    ]
    return pd.concat(hits, ignore_index=True) if hits else pd.DataFrame(columns=HIT_COLUMNS)


def judge(settings, placed, stretches, rule_overlaps):
    """Verdicts of reaches and stretches."""
    rules = settings.rules
    of_reaches = [
        rule_metres(rule_overlaps, rules, len(placed.reaches), by="reach", with_missing=missing)
        for missing in (False, True)
    ]
    of_stations = [
        rule_metres(rule_overlaps, rules, len(placed.stations), by="station", with_missing=missing)
        for missing in (False, True)
    ]
    verdicts = reach_verdicts(placed.reaches, *of_reaches, rules)
    segment_m = placed.stations["segment_length_m"].to_numpy()
    marks = stretch_marks(stretches.start, stretches.taken, segment_m, *of_stations, rules)
    admission = admissible(stretches.table["layout"], marks.marks, settings.ranking.allow)
    return Judged(verdicts, marks, admission.choice, admission.because)


def offer_steps(settings, inputs, placed, stretches, energy, verdicts):
    """What a stretch must pass to be offered, for `choose_sites`: pairs of a reason and a bool array."""
    table, allow = stretches.table, settings.ranking.allow
    too_small = [energy[f"{prefix}_stream_too_small"].to_numpy(dtype=bool) for prefix in ("any", "safe")]
    return [
        ("outside the region", in_region(placed.stations, inputs)[table["tailrace"].to_numpy()]),
        ("no flow estimate", ~table["flow_missing"].to_numpy()),
        (
            "too little flow",
            table["flow_mean_m3s"].to_numpy() >= settings.stretches.least_flow_mean_m3s,
        ),
        ("head unresolved", ~table["head_unresolved"].to_numpy() | ("unresolved" in allow)),
        ("catchment incomplete", ~table["catchment_incomplete"].to_numpy() | ("incomplete" in allow)),
        ("barred by a rule", verdicts.choice >= 0),
        ("stream too shallow or narrow", ~np.where(verdicts.choice == 1, *too_small[::-1])),
    ]


def choose(settings, inputs, placed, stretches, energy, verdicts, waters):
    """The best set of stretches without overlap, and why the other reaches carry no site."""
    steps = offer_steps(settings, inputs, placed, stretches, energy, verdicts)
    offers = choose_sites(stretches, steps, energy, verdicts.choice, placed.stations, settings)
    reach = placed.stations["reach"].to_numpy()
    because = not_offered_because(reach, waters.standing, stretches, offers, waters.developed, waters.tidal)
    return Chosen(offers, because)


def in_region(stations, inputs):
    """Stations inside the region's polygon; all of them where none is given."""
    if "region" not in inputs.layers:
        return np.ones(len(stations), dtype=bool)
    region = inputs.layers["region"].frame.geometry.union_all()
    return shapely.intersects_xy(region, stations["x_m"].to_numpy(), stations["y_m"].to_numpy())
