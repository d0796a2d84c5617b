"""Fish on the page: by group, what each site does, what all do together, and what is assumed."""

from sitefinder.report.fish import group_texts
from sitefinder.report.languages import labels, phrases, say
from sitefinder.report.page.figures import (
    DASH,
    Heading,
    amount,
    amount_cell,
    figure_cell,
    meaning_of,
    percent,
    table,
    text_cell,
)
from sitefinder.report.table_texts import from_table
from sitefinder.report.text import is_missing
from sitefinder.schema.arrays import records_of
from sitefinder.vocabulary import (
    BARRIER_KINDS,
    MIGRATION_DIRECTIONS,
    PASSAGE_BASES,
    PASSAGE_STATES,
    named,
)

# Classes of the tables: their texts stand to the left.
KIND = "figures fish"
# Rows of the tables of sites and barriers; all are in the layers.
SITES_SHOWN, BARRIERS_SHOWN = 40, 20


def fish_section(handover):
    """Sentences and tables of the section on fish.

    Parameters
    ----------
    handover : sitefinder.report.handover.Handover

    Returns
    -------
    dict or None
        ``groups`` (name and text each), ``together``, ``sites``, ``barriers`` and ``assumptions`` (tables, None
        where they would be empty) and ``notes`` on rows that are left out; None where the tables are absent.
    """
    tables = handover.tables
    if "fish_totals" not in tables:
        return None
    sites, barriers, notes = _site_rows(tables), _barrier_rows(tables["fish_passage"]), []
    number = tables["fish_sites"]["site_id"].nunique()
    if number > SITES_SHOWN:
        text = "The best {shown} of {number} sites are shown; the layer fish_sites has all."
        notes.append(say(text, shown=SITES_SHOWN, number=number))
    count = tables["fish_passage"]["barrier_id"].nunique()
    if count > BARRIERS_SHOWN:
        text = "The {shown} of {number} barriers that hold back most are shown; the layer fish_passage has all."
        notes.append(say(text, shown=BARRIERS_SHOWN, number=count))
    return {
        "groups": group_texts(tables),
        "together": _together(tables["fish_totals"]),
        "sites": sites,
        "barriers": barriers,
        "assumptions": _assumptions(tables["fish_assumptions"]),
        "notes": notes,
    }


def _share_cell(value):
    return figure_cell(DASH if is_missing(value) else percent(value), value)


# A change with its sign.
def _change_cell(value):
    if is_missing(value):
        return figure_cell(DASH, value)
    sign = "+" if value > 0 else ""
    return figure_cell(f"{sign}{amount(value)}" if abs(value) >= 0.0005 else "0", value)


# Each group in each state of the streams.
def _together(totals):
    columns = {
        "accessible_km": "reached [km]",
        "cut_off_km": "cut off [km]",
        "won_km": "won back [km]",
        "lost_km": "newly cut off [km]",
        "mean_access": "mean share that arrives",
        "mean_survival": "mean share that survives to the outlet",
        "connectivity": "connectivity",
        "ground_access": "share that reaches where they spawn or live",
        "ground_survival": "share that survives from there",
    }
    in_km = [name for name in columns if name.endswith("_km")]
    state = labels(PASSAGE_STATES)
    rows = []
    for row in records_of(totals):
        cells = [amount_cell(row[name]) if name in in_km else _share_cell(row[name]) for name in columns]
        rows.append([row["fish_group"], state[row["state"]], *cells])
    heads = [Heading(head, meaning_of("fish_totals", name)) for name, head in columns.items()]
    caption = say("All together: passage of each group past everything that is there")
    return table(caption, ["group", "state", *heads], rows, kind=KIND, identity="fish-together")


# What each site does to each group, a row a site.
def _site_rows(tables):
    sites, plants, totals = tables["fish_sites"], tables["fish_groups"], tables["fish_totals"]
    if not len(sites):
        return None
    names = totals[["fish_group", "direction"]].drop_duplicates()
    own = tables["sites"].set_index("site_id")
    headings, columns = [], []
    for group, way in names.itertuples(index=False):
        direction = named(MIGRATION_DIRECTIONS, way)
        rows = sites[sites["fish_group"] == group].set_index("site_id")
        if direction.goes_up:
            headings += [
                Heading(say("{group}: get up", group=group), meaning_of("fish_sites", "passage_up")),
                Heading(
                    say("{group}: change of reach [km]", group=group), meaning_of("fish_sites", "access_change_km")
                ),
                Heading(
                    say("{group}: depth of depleted reach [m]", group=group), meaning_of("fish_sites", "depth_m")
                ),
            ]
            columns.append((rows, ("passage_up", "access_change_km", "depth_m")))
        if direction.goes_down:
            built = plants[plants["fish_group"] == group].set_index("site_id")["survival_as_built"]
            rows = rows.assign(as_built=built.reindex(rows.index))
            headings += [
                Heading(
                    say("{group}: survive turbine", group=group), meaning_of("fish_groups", "survival_as_built")
                ),
                Heading(say("{group}: survive plant", group=group), meaning_of("fish_sites", "survival")),
                Heading(
                    say("{group}: change of survival [km]", group=group),
                    meaning_of("fish_sites", "survival_change_km"),
                ),
            ]
            columns.append((rows, ("as_built", "survival", "survival_change_km")))
    listed = sites.sort_values("rank", kind="stable")["site_id"].drop_duplicates().head(SITES_SHOWN)
    body = []
    for site_id in listed:
        cells = [f"{own.loc[site_id, 'rank']}  {site_id}", own.loc[site_id, "turbine"]]
        for rows, figures in columns:
            row = rows.loc[site_id]
            for name in figures:
                if name == "depth_m":
                    cells.append(_depth_cell(row))
                else:
                    cells.append(_change_cell(row[name]) if name.endswith("_km") else _share_cell(row[name]))
        body.append(cells)
    return table(
        say("Each site alone, against today"),
        ["site", "turbine", *headings],
        body,
        kind=KIND,
        identity="fish-sites",
    )


# The depth beside what is needed; a mark where it is too little.
def _depth_cell(row):
    if is_missing(row["depth_m"]):
        return figure_cell(DASH, row["depth_m"])
    text = "{depth} of {needed}" if row["is_too_shallow"] else "{depth}, needed {needed}"
    depth, needed = amount(row["depth_m"]), amount(row["depth_needed_m"])
    return figure_cell(say(text, depth=depth, needed=needed), row["depth_m"])


# Barriers that hold back most fish going up, once the sites are built; those of each group in turn.
def _barrier_rows(passage):
    up = passage[passage["up_today"].notna()]
    if not len(up):
        return None
    columns = {
        "drop_m": "drop [m]",
        "up_today": "get up today",
        "up_with_sites": "get up with the sites",
        "gain_if_open_km": "gain if open, today [km]",
        "gain_if_open_with_sites_km": "gain if open, with the sites [km]",
    }
    kind, basis = labels(BARRIER_KINDS), phrases(PASSAGE_BASES)
    worst = up.groupby("barrier_id", sort=False)["gain_if_open_with_sites_km"].max()
    first = worst.sort_values(ascending=False, kind="stable").index[:BARRIERS_SHOWN]
    rows, of_barrier = [], {}
    for row in records_of(up[up["barrier_id"].isin(first)]):
        of_barrier.setdefault(row["barrier_id"], []).append(row)
    for barrier in first:
        for row in of_barrier[barrier]:
            shares = ("up_today", "up_with_sites")
            cells = [_share_cell(row[name]) if name in shares else amount_cell(row[name]) for name in columns]
            is_other = row["site_id"] and row["site_id"] != row["barrier_id"]
            site = say("; site {site}", site=row["site_id"]) if is_other else ""
            removed = say("; removal planned") if row["removal_planned"] else ""
            words = text_cell(f"{kind[row['kind']]}{site}{removed}")
            rows.append([barrier, words, row["fish_group"], *cells, basis[row["basis_with_sites"]]])
    heads = [Heading(head, meaning_of("fish_passage", name)) for name, head in columns.items()]
    last = Heading("with the sites by", meaning_of("fish_passage", "basis_with_sites"))
    caption = say("Barriers, those first that hold back most once the sites are built")
    return table(caption, ["barrier", "kind", "group", *heads, last], rows, kind=KIND, identity="fish-barriers")


def _assumptions(assumptions):
    rows = []
    for row in records_of(assumptions):
        low, high = row["likely_low"], row["likely_high"]
        ends = (("low", low), ("high", high))
        span = (
            DASH
            if is_missing(low) and is_missing(high)
            else say("{low} to {high}", **{name: "?" if is_missing(end) else amount(end) for name, end in ends})
        )
        assumption, basis = from_table(row["assumption"]), from_table(row["basis"])
        rows.append([row["fish_group"] or say("all groups"), assumption, amount_cell(row["assumed"]), span, basis])
    heads = ["group", "figure", "value", "likely range", "rests on"]
    return table(say("What is assumed"), heads, rows, kind=KIND, identity="fish-assumptions")
