"""Passage of fish as tables of the delivery: barriers, reaches, sites and the region, by group of fish."""

import geopandas
import numpy as np
import pandas as pd
import shapely

from sitefinder.delivery.checking import checked_table
from sitefinder.network.stations import without_repeats
from sitefinder.schema import LAYERS, empty_table
from sitefinder.settings.fish import TYPICAL_EXISTING_SURVIVAL, TYPICAL_EXISTING_SURVIVAL_RANGE, FishPassSettings
from sitefinder.siting.barriers import (
    BURST_LENGTHS_PER_S,
    BURST_LENGTHS_PER_S_RANGE,
    EASY_SHARE,
    TRIALS,
    max_leap_m,
    pass_efficiency,
)
from sitefinder.steps.selection import published_spawning
from sitefinder.steps.trial import things_in
from sitefinder.vocabulary import (
    BOTH_STATE,
    MONTH_SEPARATOR,
    NATURAL_STATE,
    NOT_IN_THE_WAY,
    REMOVALS_STATE,
    SITES_STATE,
    TODAY_STATE,
)

# Figures of a group that show where it spawns or lives.
OF_GROUND = ("ground_km", "ground_access", "ground_survival", "min_ground_survival")


def make_fish_passage(settings, stationing, fish_passage, delivered_sites, trial):
    """The ``fish_passage`` layer: each barrier and plant with each group of fish."""
    barriers, groups = fish_passage.barriers, settings.fish.migrating
    table = barriers.table
    if not len(table):
        return empty_table("fish_passage", settings.run.crs)
    site = table["site"].to_numpy(dtype=np.int64)
    site_id = np.append(delivered_sites.ids, "").astype(object)[site]
    station = table["station"].to_numpy(dtype=np.int64)
    stations = stationing.stations
    reach_ids = np.append(stationing.reaches["reach_id"].to_numpy(dtype=object), "")
    own = table["barrier_id"].to_numpy(dtype=object)
    named = np.where(own != "", own, np.where(table["kind"] == "plant", "plant", site_id))
    points = _points(stationing, station, table["share_above"].to_numpy(dtype=np.float64))
    parts = []
    for place, group in enumerate(groups):
        up, down = (np.where(goes, 1.0, np.nan) for goes in (group.goes_up, group.goes_down))
        parts.append(
            pd.DataFrame(
                {
                    "barrier_id": without_repeats(named.tolist()),
                    "fish_group": group.name,
                    "kind": table["kind"],
                    "reach_id": reach_ids[stations["reach"].to_numpy()[station]],
                    "site_id": site_id,
                    "drop_m": table["drop_m"].astype(float),
                    "pass_today": table["pass_today"].astype(bool),
                    "pass_with_sites": table["pass_with_sites"].astype(bool),
                    "removal_planned": table["removal_planned"].astype(bool),
                    "up_today": up * barriers.up_today[:, place],
                    "up_with_sites": up * barriers.up_sites[:, place],
                    "basis": barriers.basis_today[:, place] if group.goes_up else NOT_IN_THE_WAY.name,
                    "basis_with_sites": barriers.basis_sites[:, place] if group.goes_up else NOT_IN_THE_WAY.name,
                    "attraction": table["attraction"].astype(float),
                    "down_today": down * barriers.down_today[:, place],
                    "down_with_sites": down * barriers.down_sites[:, place],
                    "gain_if_open_km": up * fish_passage.gain_if_open_km[:, place],
                    "gain_if_open_with_sites_km": up * fish_passage.gain_if_open_with_sites_km[:, place],
                    "geometry": points,
                }
            )
        )
    joined = pd.concat(parts, ignore_index=True)
    # A barrier with each group below the other, from the springs down.
    order = np.argsort(np.tile(np.arange(len(table)), len(groups)), kind="stable")
    shown = np.tile(things_in(trial, stationing, station, points), len(groups))
    frame = geopandas.GeoDataFrame(joined.iloc[order[shown[order]]].reset_index(drop=True), crs=settings.run.crs)
    return checked_table(frame, "fish_passage", settings.run.crs)


# Places of barriers on their segments; at a confluence or source the station itself.
def _points(stationing, station, share):
    x_m, y_m = (stationing.stations[name].to_numpy()[station] for name in ("x_m", "y_m"))
    points = shapely.points(x_m, y_m)
    lines = pd.Series(stationing.segments["geometry"].to_numpy(), index=stationing.segments["station"].to_numpy())
    on_segment = np.isin(station, lines.index.to_numpy()) & ~np.isnan(share)
    own = lines.loc[station[on_segment]].to_numpy()
    points[on_segment] = shapely.line_interpolate_point(own, share[on_segment], normalized=True)
    return points


def make_fish_reaches(settings, stationing, fish_passage, within):
    """The ``fish_reaches`` layer: each reach of the region with each group of fish."""
    states = {
        "natural": NATURAL_STATE,
        "today": TODAY_STATE,
        "with_sites": SITES_STATE,
        "after_removals": REMOVALS_STATE,
        "with_sites_and_removals": BOTH_STATE,
    }
    rows = np.flatnonzero(within[: len(stationing.reaches)])
    parts = []
    for place, group in enumerate(settings.fish.migrating):
        up, down = (1.0 if goes else np.nan for goes in (group.goes_up, group.goes_down))
        table = {"reach_id": stationing.reaches["reach_id"].to_numpy()[rows], "fish_group": group.name}
        for name, state in states.items():
            table[f"access_{name}"] = up * fish_passage.up[state.name][rows, place]
        for name in ("today", "with_sites"):
            table[f"survival_{name}"] = down * fish_passage.down[states[name].name][rows, place]
        parts.append(pd.DataFrame(table))
    joined = pd.concat(parts, ignore_index=True)
    order = np.argsort(np.tile(np.arange(len(rows)), len(parts)), kind="stable")
    return checked_table(joined.iloc[order].reset_index(drop=True), "fish_reaches")


def make_fish_totals(settings, fish_passage):
    """The ``fish_totals`` layer: each group of fish in each state of the streams."""
    totals = fish_passage.totals.copy()
    totals["accessible_from"] = settings.fish.accessible_from
    group_of = {group.name: group for group in settings.fish.migrating}
    totals["direction"] = [group_of[name].direction for name in totals["fish_group"]]
    for name, group in group_of.items():
        own = (totals["fish_group"] == name).to_numpy()
        for column in OF_GROUND:
            shown = published_spawning(
                settings,
                totals.loc[own, column].to_numpy(),
                ("generalised", "hidden"),
                settings.fish.rules_of(group),
            )
            totals.loc[own, column] = shown
    order = np.argsort([list(group_of).index(name) for name in totals["fish_group"]], kind="stable")
    columns = [column.name for column in LAYERS["fish_totals"].columns]
    return checked_table(totals.iloc[order].reset_index(drop=True)[columns], "fish_totals")


def make_fish_sites(settings, fish_passage, delivered_sites, ranked_sites, depleted_reaches):
    """The ``fish_sites`` layer: each ranked site with each group of fish."""
    order = ranked_sites.order
    if not len(order):
        return empty_table("fish_sites")
    # Among all chosen sites of the drainage systems.
    row = delivered_sites.place[order["row"].to_numpy(dtype=np.int64)]
    barriers = fish_passage.barriers
    site = barriers.table["site"].to_numpy(dtype=np.int64)
    parts = []
    for place, group in enumerate(settings.fish.migrating):
        up, down = (1.0 if goes else np.nan for goes in (group.goes_up, group.goes_down))
        count = len(delivered_sites.chosen)
        share, survival = np.ones(count), np.ones(count)
        basis, attraction = np.full(count, NOT_IN_THE_WAY.name, dtype=object), np.full(count, np.nan)
        for barrier in np.flatnonzero(site >= 0).tolist():
            own = site[barrier]
            survival[own] *= barriers.down_sites[barrier, place]
            if barriers.table["in_the_way"].iloc[barrier]:
                share[own] *= barriers.up_sites[barrier, place]
                basis[own] = barriers.basis_sites[barrier, place]
                attraction[own] = barriers.table["attraction"].iloc[barrier]
        shown = published_spawning(
            settings, np.ones(len(order)), ("generalised", "hidden"), settings.fish.rules_of(group)
        )
        migrates = fish_passage.migrates[row, place] & ~np.isnan(shown)
        depth = _least_depths(settings, group, order, depleted_reaches.places)
        parts.append(
            pd.DataFrame(
                {
                    "site_id": order["site_id"].to_numpy(),
                    "fish_group": group.name,
                    "rank": order["rank"].to_numpy(),
                    "migrates_past": migrates,
                    "survival": down * survival[row],
                    "passage_up": up * share[row],
                    "basis": basis[row] if group.goes_up else NOT_IN_THE_WAY.name,
                    "attraction": up * attraction[row],
                    "access_change_km": up * fish_passage.site_change_km[row, place],
                    "survival_change_km": down * fish_passage.site_survival_change_km[row, place],
                    **depth,
                    "in_season": group.in_season,
                    "months": MONTH_SEPARATOR.join(str(month) for month in sorted(group.months)),
                }
            )
        )
    joined = pd.concat(parts, ignore_index=True)
    by_site = np.argsort(np.tile(np.arange(len(order)), len(parts)), kind="stable")
    return checked_table(joined.iloc[by_site].reset_index(drop=True), "fish_sites")


# The minimum depth of the depleted reach of each site in the months of a group, against what it needs.
def _least_depths(settings, group, order, places):
    needed_m = settings.depleted_reach.min_depth_m if group.min_depth_m is None else group.min_depth_m
    # Month 0 is the whole year, all that is known where nothing says when water flows.
    months = set(group.months) & set(places["month"].tolist()) or {0}
    least = places[places["month"].isin(months)].groupby("site_id")[["depth_m", "depth_natural_m"]].min()
    found = least.reindex(order["site_id"].to_numpy())
    depth_m, natural_m = (found[name].to_numpy(dtype=np.float64) for name in ("depth_m", "depth_natural_m"))
    return {
        "depth_m": depth_m,
        "depth_natural_m": natural_m,
        "depth_needed_m": needed_m,
        "is_too_shallow": (depth_m < needed_m) & ~(natural_m < needed_m),
    }


# Sources and reasons of the figures that passage rests on.
STATED = "stated in the settings"
COMMON_PRACTICE = "common practice, no source"
BY_TRIALS = "means of 19 studies; range of these (Bunt and others, 2012)"
BY_BURST = "burst speed of {:g} ({:g} to {:g}) body lengths per second, from memory; Powers and Orsborn (1985)"
FROM_TURBINE_FILES = "turbine files, which name its source"
FROM_SCREEN_FILE = "screen file, which names its source"
OF_MORTALITY = (
    "mean mortality of 275,000 fish of 75 species at 122 plants, with its 95 % interval (Radinger, 2022)"
)


def make_fish_assumptions(settings, inputs):
    """The ``fish_assumptions`` layer: what survival and passage rest on, with ranges and sources."""
    fish, passes, usual = settings.fish, settings.fish.passes, FishPassSettings()
    releases = settings.flows.releases
    nothing_stated = not (releases.fish_pass_m3s or releases.fish_pass_share_of_mean or releases.attraction_share)
    own_existing = fish.existing_survival != TYPICAL_EXISTING_SURVIVAL
    known = (np.nan, np.nan) if own_existing else TYPICAL_EXISTING_SURVIVAL_RANGE
    rows = [
        ("", "share that survives an existing plant", fish.existing_survival, *known, own_existing, OF_MORTALITY),
        ("", "share that survives a weir without a plant", 1.0, np.nan, np.nan, False, "own choice: low drops"),
        ("", "share of fish that go through the turbines or the bypass", 1.0, 0.0, 1.0, False, "on the safe side"),
        ("", "share of its highest leap that all of a group leap", EASY_SHARE, 0.0, 1.0, False, "own choice"),
    ]
    for name, words, high in (
        ("pool_drop_m", "drop between the pools of a fish pass [m]", np.nan),
        ("pool_depth_m", "depth of the pools of a fish pass [m]", np.nan),
        ("full_attraction_share", "flow of a fish pass over that of the turbines that suffices", 0.10),
        ("poor_condition_share", "efficiency of a fish pass in poor condition over that of a sound one", 1.0),
    ):
        value = getattr(passes, name)
        low = 0.0 if name == "poor_condition_share" else 0.01 if high == 0.10 else np.nan
        rows.append(("", words, value, low, high, value != getattr(usual, name), COMMON_PRACTICE))
    if nothing_stated:
        why = "own choice, since flows.releases states no flow of a fish pass"
        rows.append(
            ("", "share of the environmental flow that a site's fish pass carries", 1.0, 0.0, 1.0, False, why)
        )
    screen = inputs.costs.screen.design
    if screen is not None:
        survive = screen.bypass_survival, *screen.bypass_survival_range
        rows.append(("", "share that survives the bypass of a screen", *survive, False, FROM_SCREEN_FILE))
    for group in fish.migrating:
        rows += _of_group(settings, group)
        if group.goes_down:
            rows += _of_turbine_and_screen(inputs.turbines, screen, group)
    columns = [column.name for column in LAYERS["fish_assumptions"].columns]
    table = pd.DataFrame(rows, columns=columns)
    table["basis"] = table["basis"].where(~table["is_stated"], STATED)
    return checked_table(table, "fish_assumptions")


# Deaths per strike and guidance of each length of a group that goes down.
def _of_turbine_and_screen(turbines, screen, group):
    laws = {}
    for turbine in turbines:
        if turbine.strike is not None:
            laws.setdefault((turbine.strike.correlation, turbine.strike.correlation_range), []).append(turbine)
    rows = []
    for length_m in group.lengths_m:
        fish = f"{length_m:g} m"
        for (_, likely), alike in laws.items():
            # Usually all classes have one law, and then need no names.
            of = f" ({', '.join(turbine.name for turbine in alike)})" if len(laws) > 1 else ""
            deaths = alike[0].strike.deaths_per_strike(length_m)
            rows.append(
                (group.name, f"deaths per blade strike, {fish}{of}", deaths, *likely, False, FROM_TURBINE_FILES)
            )
        if screen is not None and screen.fits_between(length_m, group.thickness_share):
            guided = screen.guided(length_m), *screen.guidance_range(length_m)
            rows.append((group.name, f"share that a screen guides, {fish}", *guided, False, FROM_SCREEN_FILE))
    return rows


# Figures of one group that goes up.
def _of_group(settings, group):
    if not group.goes_up:
        return []
    passes, leap_m = settings.fish.passes, max_leap_m(group)
    low, high = ((speed / BURST_LENGTHS_PER_S) ** 2 * leap_m for speed in BURST_LENGTHS_PER_S_RANGE)
    is_stated = group.max_leap_m is not None
    if is_stated:
        low = high = np.nan
    by_burst = BY_BURST.format(BURST_LENGTHS_PER_S, *BURST_LENGTHS_PER_S_RANGE)
    own = group.pass_efficiency is not None
    trials = TRIALS[passes.type]
    of_trials = [a * b for a, b in zip(trials.attraction_range, trials.passage_range, strict=True)]
    needed_m = settings.depleted_reach.min_depth_m if group.min_depth_m is None else group.min_depth_m
    nothing = (np.nan, np.nan)
    return [
        (group.name, "highest drop without a fish pass [m]", leap_m, low, high, is_stated, by_burst),
        (
            group.name,
            f"efficiency of a fish pass ({passes.type})",
            pass_efficiency(group, passes),
            *(nothing if own else of_trials),
            own,
            BY_TRIALS,
        ),
        (group.name, "highest drop between pools [m]", group.max_pool_drop_m, *nothing, False, COMMON_PRACTICE),
        (group.name, "minimum depth of pools [m]", group.min_pool_depth_m, *nothing, False, COMMON_PRACTICE),
        (
            group.name,
            "minimum depth of a depleted reach [m]",
            needed_m,
            *nothing,
            group.min_depth_m is not None,
            COMMON_PRACTICE,
        ),
    ]
