"""What the sites, and what is there already, do to the passage of each group of fish, in sentences."""

from sitefinder.report.languages import current, labels, numeral, plural, say
from sitefinder.report.text import figure, is_missing, plain, rows_by_site
from sitefinder.vocabulary import (
    BARRIER_KINDS,
    CLOSE_IN_SEASON,
    MIGRATION_DIRECTIONS,
    RAISE_IN_SEASON,
    named,
)

# Groups of which the printed summary says something.
GROUPS_SHOWN = 4


def group_texts(tables):
    """What passage is today and with the sites, a sentence or two for each group of fish.

    Parameters
    ----------
    tables : Mapping of str to DataFrame
        ``fish_totals``, ``fish_passage`` and ``fish_sites``, as `sitefinder.schema` declares them.

    Returns
    -------
    list of (str, str)
        Name of the group with direction and months, and the text; in the order of the settings.
    """
    totals, passage, sites = (tables[f"fish_{name}"] for name in ("totals", "passage", "sites"))
    texts = []
    for group in totals["fish_group"].drop_duplicates():
        states = totals[totals["fish_group"] == group].set_index("state")
        direction = named(MIGRATION_DIRECTIONS, states["direction"].iloc[0])
        months = sites.loc[sites["fish_group"] == group, "months"]
        words = say(direction.label) + (
            f", {months_text(months.iloc[0])}" if len(months) and months.iloc[0] else ""
        )
        parts = []
        if direction.goes_up:
            parts += [_access(states), _worst_barrier(passage[passage["fish_group"] == group])]
        if direction.goes_down:
            parts.append(_survival(states))
        parts.append(_season(sites[sites["fish_group"] == group]))
        texts.append((f"{plain(group)} ({words})", " ".join(filter(None, parts))))
    return texts


def fish_passage_texts(tables):
    """The same as paragraphs of the printed summary; none without the tables or a barrier."""
    if "fish_totals" not in tables or not len(tables["fish_passage"]):
        return []
    texts = group_texts(tables)
    shown = [say("Passage of {group}: {text}", group=name, text=text) for name, text in texts[:GROUPS_SHOWN]]
    rest = len(texts) - len(shown)
    more = plural(
        "Passage of {number} more group of fish: see the layer fish_totals.",
        "Passage of {number} more groups of fish: see the layer fish_totals.",
        rest,
    )
    return [*shown, more] if rest else shown


def short_group_texts(totals):
    """How much of its streams each group of fish reaches, and what share survives, today → with the sites.

    Parameters
    ----------
    totals : DataFrame
        Layer ``fish_totals``.

    Returns
    -------
    list of str
        In the order of the settings, a few words each.
    """
    texts = []
    for group in totals["fish_group"].drop_duplicates():
        states = totals[totals["fish_group"] == group].set_index("state")
        today, built = (states.loc[name] for name in ("today", "sites"))
        direction = named(MIGRATION_DIRECTIONS, today["direction"])
        parts = []
        if direction.goes_up:
            before, after, whole = (
                figure(value) for value in (today["accessible_km"], built["accessible_km"], today["stream_km"])
            )
            parts.append(say("reach {before} → {after} of {whole} km", before=before, after=after, whole=whole))
        survival = "mean_survival" if is_missing(today["ground_survival"]) else "ground_survival"
        if direction.goes_down and not is_missing(today[survival]):
            before, after = (figure(100 * state[survival]) for state in (today, built))
            parts.append(say("survive {before} → {after} %", before=before, after=after))
        if parts:
            texts.append(f"{plain(group)} {', '.join(parts)}")
    return texts


def points_by_site(fish_sites):
    """What each site does to each group that migrates past it, a sentence each.

    Parameters
    ----------
    fish_sites : DataFrame
        As `sitefinder.schema` declares it.

    Returns
    -------
    dict of str to list of str
        By ``site_id``; a site past which none migrates is not in it.
    """
    past = fish_sites[fish_sites["migrates_past"]]
    return {site_id: [_site_point(row) for row in rows] for site_id, rows in rows_by_site(past).items()}


def _site_point(row):
    parts = []
    if not is_missing(row["passage_up"]):
        parts.append(say("{share} % get up", share=figure(100 * row["passage_up"])))
    if not is_missing(row["survival"]):
        parts.append(say("{share} % survive the plant", share=figure(100 * row["survival"])))
    if row["is_too_shallow"]:
        depth_m, needed_m = (figure(row[name]) for name in ("depth_m", "depth_needed_m"))
        text = "the depleted reach is {depth} m deep, they need {needed} m"
        parts.append(say(text, depth=depth_m, needed=needed_m))
    if row["in_season"] == RAISE_IN_SEASON.name:
        parts.append(say("more water stays in {months}", months=months_text(row["months"])))
    if row["in_season"] == CLOSE_IN_SEASON.name:
        parts.append(say("no abstraction in {months}", months=months_text(row["months"])))
    return say("Fish, {group}: {points}.", group=row["fish_group"], points="; ".join(parts))


# Length that is reached today, cut off, won back and lost.
def _access(states):
    today, built, removed = (states.loc[name] for name in ("today", "sites", "removals"))
    share = numeral(f"{100 * today['accessible_from']:g}")
    whole, reached, cut = (figure(today[name]) for name in ("stream_km", "accessible_km", "cut_off_km"))
    won, lost = figure(built["won_km"]), figure(built["lost_km"])
    text = say(
        "of {whole} km that natural falls leave open, at least {share} % of them reach {reached} km from "
        "the outlet today; {cut} km are cut off. The sites with their fish passes win back {won} km and "
        "cut off {lost} km; planned removals alone win back {removed} km.",
        whole=whole,
        share=share,
        reached=reached,
        cut=cut,
        won=won,
        lost=lost,
        removed=figure(removed["won_km"]),
    )
    if not is_missing(today["ground_access"]) and today["ground_km"] > 0:
        text += " " + say(
            "{today} % reach where they spawn or live today, {built} % with the sites.",
            today=figure(100 * today["ground_access"]),
            built=figure(100 * built["ground_access"]),
        )
    return text


# The barrier that matters most once the sites are built.
def _worst_barrier(passage):
    if not len(passage) or passage["gain_if_open_with_sites_km"].isna().all():
        return ""
    worst = passage.loc[passage["gain_if_open_with_sites_km"].astype(float).idxmax()]
    if not worst["gain_if_open_with_sites_km"] > 0:
        return ""
    kind = labels(BARRIER_KINDS)[worst["kind"]]
    gain = figure(worst["gain_if_open_with_sites_km"])
    return say(
        "With the sites, {barrier} ({kind}) holds back most: if all got up it, they would reach {gain} km more, "
        "weighted by the share that does.",
        barrier=plain(worst["barrier_id"]),
        kind=kind,
        gain=gain,
    )


def _survival(states):
    today, built = (states.loc[name] for name in ("today", "sites"))
    if not is_missing(today["ground_survival"]):
        mean, least = ("ground_survival", "min_ground_survival")
        before, after, worst_before, worst_after = (
            figure(100 * state[name]) for name in (mean, least) for state in (today, built)
        )
        return say(
            "{before} % survive from where they spawn or live to the outlet today, {after} % with the sites; from "
            "the least favourable place {worst_before} % and {worst_after} %.",
            before=before,
            after=after,
            worst_before=worst_before,
            worst_after=worst_after,
        )
    if is_missing(today["mean_survival"]):
        return ""
    return say(
        "{before} % survive to the outlet today, {after} % with the sites, on the mean of all streams.",
        before=figure(100 * today["mean_survival"]),
        after=figure(100 * built["mean_survival"]),
    )


# Depth of the depleted reaches, and what the season means for the sites.
def _season(sites):
    past = sites[sites["migrates_past"]]
    parts = []
    shallow = int(past["is_too_shallow"].sum())
    if shallow:
        one, many = (
            "{number} depleted reach is too shallow for them.",
            "{number} depleted reaches are too shallow for them.",
        )
        parts.append(plural(one, many, shallow))
    if len(past) and past["in_season"].iloc[0] == CLOSE_IN_SEASON.name:
        one, many = "In their months {number} site stands still.", "In their months {number} sites stand still."
        parts.append(plural(one, many, len(past)))
    if len(past) and past["in_season"].iloc[0] == RAISE_IN_SEASON.name:
        one, many = (
            "In their months {number} site leaves more water.",
            "In their months {number} sites leave more water.",
        )
        parts.append(plural(one, many, len(past)))
    return " ".join(parts)


def months_text(months):
    """Months as words, runs of them as from … to.

    Examples
    --------
    >>> months_text("9;10;11;12"), months_text("4;5"), months_text("1;11;12"), months_text("3")
    ('September to December', 'April and May', 'November to January', 'March')
    >>> months_text("2;6;7;8")
    'February and June to August'
    """
    chosen = sorted({int(month) for month in months.split(";") if month})
    names = current().months
    if len(chosen) == len(names):
        return say("all year")
    runs = []
    for month in chosen:
        if runs and month == runs[-1][-1] + 1:
            runs[-1].append(month)
        else:
            runs.append([month])
    # December and January follow each other.
    if len(runs) > 1 and runs[0][0] == 1 and runs[-1][-1] == len(names):
        runs[0] = runs.pop() + runs[0]
    words = []
    for run in runs:
        first, last = names[run[0] - 1], names[run[-1] - 1]
        text = "{first} and {last}" if len(run) == 2 else "{first} to {last}"
        words.append(first if len(run) == 1 else say(text, first=first, last=last))
    return say(" and ").join(words) if len(words) < 3 else ", ".join(words)
