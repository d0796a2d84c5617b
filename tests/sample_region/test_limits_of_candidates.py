"""Limits that no settings may break: the cap on head, and no new weir where a structure stands."""

from typing import NamedTuple

import numpy as np
import pytest
import shapely
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from sitefinder.delivery.site_tables import make_sites
from sitefinder.steps.candidates import list_stretches
from sitefinder.steps.selection_luck import correct_heads

READS = [
    "stationing",
    "channels",
    "heads",
    "water_bodies",
    "catchments",
    "flows",
    "channel_shapes",
    "stream_things",
]


class Listing(NamedTuple):
    """The candidates of the sample region under other settings, and its structures and stations."""

    stated: object
    given: dict

    def __repr__(self):
        return "the candidates of the sample region"

    def under(self, **changes):
        stretches = self.stated.stretches.model_copy(update={"longest_m": 250.0, **changes})
        own = self.stated.model_copy(update={"stretches": stretches})
        found = list_stretches(own, **{name: self.given[name] for name in ("inputs", *READS)})
        return correct_heads(own, found, self.given["selection_luck"]).table


@pytest.fixture(scope="module")
def listing(sample_run):
    results = {name: sample_run.results[name] for name in ("inputs", *READS, "selection_luck")}
    return Listing(sample_run.results["settings"], results)


# Each takes a second, so that a failing case is not sought any smaller.
@settings(max_examples=5, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(st.floats(0.3, 1.5), st.floats(0.1, 6.0), st.floats(0.0, 400.0), st.floats(0.3, 4.0))
def test_no_head_leaves_its_limits_and_no_new_weir_stands_on_a_structure(listing, lowest, more, snap_m, height_m):
    found = listing.under(
        min_head_m=lowest, max_head_m=lowest + more, structure_snap_m=snap_m, new_weir_heights_m=[height_m]
    )

    assert found["head_m"].between(lowest, lowest + more).all()
    weirs = found.loc[found["scheme_type"] == "new_weir", "intake"].to_numpy()
    stations = listing.given["stationing"].stations
    structures = listing.given["water_bodies"].structures
    standing = structures.loc[structures["is_barrier"] | structures["removal_planned"], "geometry"].to_numpy()
    places = shapely.points(stations["x_m"].to_numpy()[weirs], stations["y_m"].to_numpy()[weirs])
    distance_m = shapely.distance(places[:, None], standing[None, :])
    assert not len(weirs) or np.nanmin(distance_m) > snap_m


def test_some_heads_are_above_the_cap_as_measured_or_as_shrunk_alone(listing):
    # Shrinking moves heads both ways, so that a cap on the measured ones alone would not hold.
    found = listing.under(max_head_m=50.0)
    moved_m = found["head_m"] - found["head_uncorrected_m"]

    assert (moved_m > 0.01).any()
    assert (moved_m < -0.01).any()


def test_diversions_along_steep_streams_are_flagged_by_the_fall_of_the_stream(sample_run):
    results, stated = sample_run.results, sample_run.results["settings"]
    given = (results[name] for name in ("stationing", "heads", "ranked_sites", "depleted_reaches"))
    stationing, heads, ranked_sites, depleted_reaches = given
    order, profile_m = ranked_sites.order, heads.profile_m
    slope = (profile_m[order["intake"]] - profile_m[order["tailrace"]]) / order["length_m"].to_numpy()
    diverts = (order["scheme_type"] == "diversion").to_numpy()
    assert diverts.sum() > 1
    limit = float(np.median(slope[diverts]))

    own = stated.model_copy(update={"flags": stated.flags.model_copy(update={"max_low_head_slope": limit})})
    around = (results[name] for name in ("stretches", "river_parts", "site_land", "site_water_rights"))
    sites = make_sites(own, results["inputs"], stationing, heads, ranked_sites, depleted_reaches, *around)

    steep = sites.set_index("site_id")["flags"].str.contains("steep_stream")[order["site_id"]]
    assert steep.to_numpy().tolist() == (diverts & (slope > limit)).tolist()
    assert 0 < steep.sum() < diverts.sum()
