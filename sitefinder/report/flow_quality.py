"""How far inputs can be trusted, in sentences: ground, regression of the mean flow, and implausible gauges."""

import re
import textwrap

from sitefinder.dem.judging import IMPLAUSIBLE_GROUND
from sitefinder.errors import listed
from sitefinder.hydrology.plausibility import IMPLAUSIBLE
from sitefinder.hydrology.strength import MEAN
from sitefinder.report.languages import labels, numeral, plural, say
from sitefinder.report.table_texts import from_table
from sitefinder.report.text import WIDTH, figure, is_missing, plain
from sitefinder.schema.arrays import records_of
from sitefinder.schema.wording import FLOW_TOO_WEAK_ALLOWED, FLOW_TOO_WEAK_REFUSED
from sitefinder.vocabulary import FLOW_TOO_WEAK, REGRESSION_STRENGTHS, TOO_WEAK, WEAK, names

REGRESSIONS_SHOWN, SUSPECTS_SHOWN, SUSPECTS_IN_FULL = 3, 5, 8
# Regions in a flow source such as "equation (16, 17)".
REGIONS = re.compile(r"equation \((.*)\)")


def delivered_regressions(flow_equations):
    """The regressions of the mean flow that a run used.

    Parameters
    ----------
    flow_equations : DataFrame
        As `sitefinder.schema` declares it.

    Returns
    -------
    list of dict
        With the names of `sitefinder.hydrology.strength.MeanRegression`, worst first.
    """
    own = flow_equations[(flow_equations["statistic"] == MEAN) & (flow_equations["strength"] != "")]
    return _worst_first(
        {
            "region": row.region,
            "gauges": int(row.gauges),
            "standard_error_percent": None
            if is_missing(row.standard_error_percent)
            else float(row.standard_error_percent),
            "bias_correction": float(row.bias_correction),
            "strength": row.strength,
            "reason": row.strength_reason,
        }
        for row in own.drop_duplicates("equation").itertuples()
    )


def _worst_first(regressions):
    order = names(REGRESSION_STRENGTHS)

    def badness(one):
        error = one["standard_error_percent"]
        return -order.index(one["strength"]), 0.0 if error is None else -error, one["gauges"]

    return sorted(regressions, key=badness)


def regression_text(regression):
    """One regression in figures.

    Examples
    --------
    >>> figures = {"gauges": 18, "standard_error_percent": 114.0, "bias_correction": 1.41}
    >>> regression_text(figures | {"strength": "weak", "reason": "fewer than 25 gauges"})
    '18 gauges, standard error 114 %, bias factor 1.41: weak (fewer than 25 gauges)'
    """
    error = regression["standard_error_percent"]
    spread = (
        say("standard error not known") if error is None else say("standard error {error} %", error=figure(error))
    )
    text = plural(
        "{number} gauge, {spread}, bias factor {factor}",
        "{number} gauges, {spread}, bias factor {factor}",
        regression["gauges"],
        spread=spread,
        factor=numeral(f"{regression['bias_correction']:.2f}"),
    )
    if regression["strength"] in (WEAK.name, TOO_WEAK.name):
        strength = labels(REGRESSION_STRENGTHS)[regression["strength"]]
        text += f": {strength} ({from_table(regression['reason'])})"
    return text


def mean_flow_text(regressions, allow=(), *, refuses=True):
    """A sentence or two on the regressions of the mean flow; empty where there is none.

    Parameters
    ----------
    regressions : list of dict
        See `delivered_regressions`.
    allow : collection of str
        The run's ``ranking.allow``.
    refuses : bool
        Whether to say what becomes of the ranking.
    """
    if not regressions:
        return ""
    regressions = _worst_first(regressions)
    if len(regressions) == 1:
        text = say("Mean flow: regression on {regression}.", regression=regression_text(regressions[0]))
    else:
        shown = [
            say(
                "{region} on {regression}",
                region=plain(one["region"]) or say("elsewhere"),
                regression=regression_text(one),
            )
            for one in regressions[:REGRESSIONS_SHOWN]
        ]
        rest = len(regressions) - len(shown)
        more = say("; and {number} more, none weaker", number=rest) if rest else ""
        text = say(
            "Mean flow: {number} regressions by region: {regressions}.",
            number=len(regressions),
            regressions="; ".join(shown) + more,
        )
    if refuses and regressions[0]["strength"] == TOO_WEAK.name:
        return f"{text} {say(FLOW_TOO_WEAK_ALLOWED if FLOW_TOO_WEAK.is_allowed(allow) else FLOW_TOO_WEAK_REFUSED)}"
    return text


def delivered_suspects(repairs):
    """Implausible gauges, from the table of repairs.

    Parameters
    ----------
    repairs : DataFrame
        As `sitefinder.schema` declares it.

    Returns
    -------
    list of dict of str to str
        ``gauge`` and ``found``, with what was expected.
    """
    return [
        {"gauge": row["feature"], "found": row["problem"].removeprefix(IMPLAUSIBLE)}
        for row in records_of(repairs)
        if row["problem"].startswith(IMPLAUSIBLE)
    ]


def suspects_text(suspects, regressions):
    """A sentence that names the implausible gauges; empty where there is none.

    Parameters
    ----------
    suspects : list of dict of str to str
        ``gauge`` and ``found``.
    regressions : list of dict
        For the number of gauges.
    """
    if not suspects:
        return ""
    total = _number_of_gauges(suspects, regressions)
    shown = "; ".join(f"{plain(one['gauge'])} ({from_table(one['found'])})" for one in suspects[:SUSPECTS_SHOWN])
    rest = len(suspects) - SUSPECTS_SHOWN
    more = say("; and {number} more", number=rest) if rest > 0 else ""
    return plural(
        "{number} of {all} gauges looks wrong: {gauges}. See the layer repairs.",
        "{number} of {all} gauges look wrong: {gauges}. See the layer repairs.",
        len(suspects),
        all=total,
        gauges=shown + more,
    )


def _number_of_gauges(suspects, regressions):
    return max(sum(one["gauges"] for one in regressions), len(suspects))


def _look(suspects):
    return "looks" if len(suspects) == 1 else "look"


def ground_notes(repairs):
    """What a look at the DEM found that is unlikely, a sentence each.

    Parameters
    ----------
    repairs : DataFrame
        As `sitefinder.schema` declares it.

    Returns
    -------
    list of str
    """
    return [
        say(
            "The DEM looks wrong: {found}; {fix}.",
            found=from_table(row["problem"].removeprefix(IMPLAUSIBLE_GROUND)),
            fix=from_table(row["action"].partition("; ")[2]),
        )
        for row in records_of(repairs)
        if row["problem"].startswith(IMPLAUSIBLE_GROUND)
    ]


def input_notes(tables, allow=()):
    """The first sentences on the inputs of a run, each with whether it is a warning.

    Parameters
    ----------
    tables, allow
        See `flow_notes`.

    Returns
    -------
    list of (str, bool)
    """
    ground = ground_notes(tables["repairs"]) if "repairs" in tables else []
    return [*((note, True) for note in ground), *flow_notes(tables, allow)]


def flow_notes(tables, allow=()):
    """The first sentences on the flows of a run, each with whether it is a warning.

    Parameters
    ----------
    tables : Mapping
        ``flow_equations`` and ``repairs``, as `sitefinder.schema` declares them; what is absent has no sentence.
    allow : collection of str
        The run's ``ranking.allow``.

    Returns
    -------
    list of (str, bool)
    """
    regressions = delivered_regressions(tables["flow_equations"]) if "flow_equations" in tables else []
    suspects = delivered_suspects(tables["repairs"]) if "repairs" in tables else []
    notes = [
        (
            mean_flow_text(regressions, allow),
            any(one["strength"] in (WEAK.name, TOO_WEAK.name) for one in regressions),
        ),
        (suspects_text(suspects, regressions), True),
    ]
    return [note for note in notes if note[0]]


def flow_lines(regressions, suspects, allow=()):
    """The same of a run that is only checked, in lines with what to do about each suspect.

    Parameters
    ----------
    regressions : list of dict
        See `delivered_regressions`.
    suspects : list of dict of str to str
        See `sitefinder.steps.flows.suspects_of`.
    allow : collection of str
        The run's ``ranking.allow``.

    Returns
    -------
    list of str
    """
    lines = textwrap.wrap(mean_flow_text(regressions, allow), WIDTH, initial_indent="  ", subsequent_indent="    ")
    return [*lines, *(f"  {line}" for line in suspect_lines(suspects, _number_of_gauges(suspects, regressions)))]


def suspect_lines(suspects, gauges, table="flows.gauges"):
    """Each implausible gauge, with what was found, what was expected and what to do.

    Parameters
    ----------
    suspects : list of dict of str to str
        See `sitefinder.steps.flows.suspects_of`; with ``region`` where there are several.
    gauges : int
        Number of all gauges.
    table : str
        Setting that holds the table.

    Returns
    -------
    list of str
    """
    if not suspects:
        return []
    number = f"{len(suspects)} of {gauges} gauges {_look(suspects)} wrong"
    lines = [f"{number}; each is used unless listed in {table}.leave_out:"]
    for one in suspects[:SUSPECTS_IN_FULL]:
        lines.append(f"  gauge {plain(one['gauge'])}")
        for name in ("found", "expected", "fix"):
            label = f"    {name + ':':<11}"
            lines += textwrap.wrap(one[name], WIDTH - 2, initial_indent=label, subsequent_indent=" " * len(label))
    rest = [one["gauge"] for one in suspects[SUSPECTS_IN_FULL:]]
    return [*lines, *(["  and " + listed(rest, 20)] if rest else [])]


def regressions_of_source(regressions, flow_source):
    """Those of the regressions that a flow source names; all where it names none.

    Parameters
    ----------
    regressions : list of dict
        See `delivered_regressions`.
    flow_source : str
        As delivered, such as ``equation (16, 17)``.

    Returns
    -------
    list of dict

    Examples
    --------
    >>> regressions_of_source([{"region": "16"}, {"region": "17"}], "gauge A 80 %; equation (17)")
    [{'region': '17'}]
    """
    matched = REGIONS.search(flow_source)
    if not matched:
        return regressions
    codes = matched[1].split(", ")
    named = [one for one in regressions if one["region"] in codes]
    common = [one for one in regressions if one["region"] == ""]
    # The equation without a region holds where a region has none of its own.
    return named + (common if len(named) < len(codes) else []) or regressions
