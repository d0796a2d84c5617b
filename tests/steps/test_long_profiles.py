"""Long profiles of the sample region's sites, against the delivered table and the region's truth."""

import json

import numpy as np
import pytest

from sitefinder.delivery.site_lines import profile_between, site_profiles

READ = ("stationing", "heads", "water_bodies", "stretches", "delivered_sites")


@pytest.fixture(scope="module")
def profiles(sample_run):
    return site_profiles(**{name: sample_run.results[name] for name in READ})


def test_each_delivered_site_has_its_profile_with_its_head_between_the_marks(profiles, sample_run):
    sites = sample_run.delivered.tables["sites"].set_index("site_id")

    assert set(profiles) == set(sites.index)
    assert len(profiles) > 5
    for site_id, table in profiles.items():
        marks = table.set_index("mark")
        between = table["station"].between(*marks.loc[["intake", "tailrace"], "station"])
        fell_m = marks.loc["intake", "profile_m"] - marks.loc["tailrace", "profile_m"]
        way_m = marks.loc["tailrace", "distance_m"] - marks.loc["intake", "distance_m"]
        site = sites.loc[site_id]
        assert between.sum() >= 2
        if site["scheme_type"] == "diversion":
            # The profile is as found; the head that is delivered may be shrunk towards what is likely.
            assert fell_m == pytest.approx(site.get("head_uncorrected_m", site["head_m"]), abs=0.006)
            assert way_m == pytest.approx(site["length_m"], abs=0.06)


def test_profiles_fall_and_lie_within_their_bands(profiles):
    for table in profiles.values():
        assert (np.diff(table["profile_m"]) <= 0.0).all()
        assert (np.diff(table["distance_m"]) >= 0.0).all()
        assert table["profile_m"].between(table["low_m"], table["high_m"]).all()
        assert (table["reach_id"] != "").all()


def test_the_band_holds_the_true_water_at_about_nine_stations_in_ten(sample_run):
    truth = json.loads((sample_run.settings.parents[1] / "sample-region" / "truth.json").read_text("utf-8"))
    main = max(truth["streams"], key=lambda stream: max(stream["area_km2"]))
    stations = sample_run.results["stationing"].stations
    at = stations[["x_m", "y_m"]].to_numpy()
    places = np.column_stack([main["x_m"], main["y_m"]])
    # Of the stations near a place, one of this stream and of none that joins it there.
    is_main = sample_run.results["catchments"]["area_km2"].to_numpy() > 0.5 * max(main["area_km2"])
    away = [
        np.where(is_main, np.hypot(*(at - place).T), np.inf) for place in (places[len(places) // 8], places[-4])
    ]
    top, bottom = (int(np.argmin(metres)) for metres in away)

    table = profile_between(
        *(sample_run.results[name] for name in ("stationing", "heads", "water_bodies")), top, bottom
    )

    # The truth is given each 50 m; by the nearest point of the line between, away from where steps are.
    structures = np.array([[item["x_m"], item["y_m"]] for item in truth["structures"]])
    fine = np.arange(0.0, main["distance_m"][-1], 1.0)
    line = np.column_stack([np.interp(fine, main["distance_m"], main[name]) for name in ("x_m", "y_m")])
    level_m = np.interp(fine, main["distance_m"], main["level_m"])
    held = []
    for row in table.itertuples():
        place = at[row.station]
        if np.hypot(*(structures - place).T).min() > 100.0:
            true_m = level_m[np.argmin(np.hypot(*(line - place).T))]
            held.append(row.low_m <= true_m <= row.high_m)
    assert len(held) > 150
    # Errors are alike along some hundred metres, so that these are some fifty cases: 0.9 ± 0.1 at two and a half
    # standard errors.
    assert 0.8 <= np.mean(held) <= 1.0


def test_weirs_on_a_sites_profile_are_reported_with_their_surveyed_drop(profiles, sample_run):
    structures = sample_run.results["water_bodies"].structures
    surveyed = structures[structures["drop_m"].notna()].set_index("structure_id")["drop_m"]

    found = {}
    for table in profiles.values():
        found |= table[table["structure_id"].isin(surveyed.index)].set_index("structure_id")["structure_drop_m"]

    assert len(found) >= 1
    assert all(drop_m == surveyed[name] for name, drop_m in found.items())
