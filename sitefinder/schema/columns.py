"""What a column and a layer are, and the columns that several delivered layers share."""

from typing import NamedTuple

from sitefinder import vocabulary
from sitefinder.vocabulary import marked_actions, names, reasons_of

VERDICTS = names(vocabulary.VERDICTS)
SCHEME_TYPES = names(vocabulary.SCHEME_TYPES)
ACTIONS = names(vocabulary.ACTIONS)
# How a rule comes to hold in a reach, and whether it does.
EFFECTS = names(vocabulary.EFFECTS)
HELD = ("yes", "unknown", "no")
REPAIR_KINDS = ("input", "network", "terrain", "field")
EVIDENCE = names(vocabulary.EVIDENCE_GRADES)
# Why a reach carries no site, in the order of examination; empty where it carries one.
REJECTION_REASONS = ("", *names(vocabulary.REJECTION_REASONS))
# Why a reach has no hydrokinetic turbine; empty where it has one.
NO_ROTOR = ("", *names(reasons_of(vocabulary.NO_STREAM)), *names(vocabulary.HYDROKINETIC_REASONS))
# A unit of amounts of money; the delivered layer ``columns`` names the currency and year in its place.
MONEY = "currency"
MONEY_PER_KWH = "currency/kWh"


class Column(NamedTuple):
    """A column of a delivered layer."""

    name: str
    dtype: str  # "text", "integer", "real" or "boolean"
    unit: str  # "" where there is none
    meaning: str
    minimum: float | None = None
    maximum: float | None = None
    nullable: bool = True
    values: tuple[str, ...] = ()  # the only texts allowed; () where any are
    parts: tuple[str, ...] = ()  # the only flags allowed in a text that is a list of flags; () where it is none
    made_by: tuple[
        str, ...
    ] = ()  # stages that make its values, and settings and inputs beside them, see `made_by`


class Layer(NamedTuple):
    """A delivered layer: what a row is, its geometry, its columns, and the columns that name a row."""

    name: str
    geometry: str | None  # "Point", "LineString", "Polygon", "MultiPolygon" or None
    row: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    may_lack_geometry: bool = False


def text(name: str, meaning: str, values: tuple[str, ...] = (), parts: tuple[str, ...] = ()) -> Column:
    """A column of text that is never NULL: "" says that there is nothing to say."""
    return Column(name, "text", "", meaning, nullable=False, values=values, parts=parts)


def statement(name: str, meaning: str) -> Column:
    """A column of true or false, known for every row."""
    return Column(name, "boolean", "", meaning, nullable=False)


def count(name: str, meaning: str, minimum: float | None = 0, nullable: bool = False) -> Column:
    """A column of whole numbers."""
    return Column(name, "integer", "", meaning, minimum, nullable=nullable)


def amount(name: str, unit: str, meaning: str, maximum: float | None = None) -> Column:
    """A column of real numbers from zero up, NULL where it is not known."""
    return Column(name, "real", unit, meaning, 0, maximum)


def made_by(names: str, *columns: Column) -> tuple[Column, ...]:
    """Columns with what makes their values, from which a comparison finds possible causes of a change.

    Parameters
    ----------
    names : str
        Words: stages of the stage graph, and settings (``settings.ranking``) and inputs (``inputs.costs``) that
        the values depend on beside all that these stages see and read.
    columns : Column

    Returns
    -------
    tuple of Column

    Examples
    --------
    >>> [column.made_by for column in made_by("energy settings.costs", amount("cost", "EUR", "its cost"))]
    [('energy', 'settings.costs')]
    """
    return tuple(column._replace(made_by=tuple(names.split())) for column in columns)


SITE_ID = text("site_id", "id of the site, made of the user's stream id and the place along it")
REACH_ID = text("reach_id", "id of the reach, made of the user's stream id and the place along it")
STREAM = Column("stream", "text", "", "name of the stream where the user's layer has one")
DISTRICT = text("district", "district, by the tailrace for sites; empty outside all districts")
SCHEME_TYPE = text("scheme_type", "scheme type: " + ", ".join(SCHEME_TYPES), SCHEME_TYPES)
VERDICT = text("verdict", "what the rules say, worst first: " + ", ".join(VERDICTS), VERDICTS)
REASONS = text("reasons", "names of all rules that hold, in the order of the settings")
CLOSED_MONTHS = text(
    "closed_months",
    "months in which rules let nothing be taken, such as 10;11; the energy here is valued as if they were open",
)
FLAGS = text(
    "flags",
    "data-quality flags: what is doubtful about this row's figures, or must be known to read them; any of "
    + ", ".join(names(vocabulary.FLAGS)),
    parts=names(vocabulary.FLAGS),
)
HEAD = (
    amount("head_m", "m", "gross head: fall of the conditioned long profile, never shrunk"),
    amount("head_se_m", "m", "standard error of the gross head"),
)
SITE_HEAD = (
    amount("head_m", "m", "gross head as used: the one found, shrunk towards what the region makes likely"),
    amount("head_se_m", "m", "standard error of the gross head as used"),
    amount("head_uncorrected_m", "m", "gross head as found: fall of the long profile, or the surveyed drop"),
    amount("head_uncorrected_se_m", "m", "standard error of the gross head as found"),
)
ENERGY = amount("energy_mwh", "MWh/yr", "energy of a mean year at the terminals, availability included")
POWER = amount("power_kw", "kW", "rated electrical power at the terminals")
CAPACITY_FACTOR = amount("capacity_factor", "1", "mean power over rated power", 1)
FLOW_DESIGN = amount("flow_design_m3s", "m³/s", "flow that all units take together at full gate")
FLOW_SOURCE = text(
    "flow_source", "where the flow comes from: spot gaugings and gauges that had a say, then the equations"
)
CAPITAL_COST = amount("capital_cost", MONEY, "capital cost, all that the cost file lists")
LCOE_PER_KWH = amount("lcoe_per_kwh", MONEY_PER_KWH, "levelised cost of energy, real")
NET_VALUE = Column("net_annual_value", "real", MONEY + "/yr", "yearly worth of the energy less yearly cost")
INTERVAL = (
    amount("energy_mwh_p90", "MWh/yr", "energy exceeded in 90 % of the simulations"),
    amount("energy_mwh_p50", "MWh/yr", "energy exceeded in half of the simulations"),
    amount("energy_mwh_p10", "MWh/yr", "energy exceeded in 10 % of the simulations"),
)
POWER_INTERVAL = (
    amount("power_kw_p90", "kW", "greatest power of the year, exceeded in 90 % of the simulations"),
    amount("power_kw_p50", "kW", "the same, exceeded in half of the simulations"),
    amount("power_kw_p10", "kW", "the same, exceeded in 10 % of the simulations"),
)
COST_INTERVAL = (
    amount("lcoe_per_kwh_p90", MONEY_PER_KWH, "cost not exceeded in 90 % of the simulations; NULL where endless"),
    amount("lcoe_per_kwh_p50", MONEY_PER_KWH, "cost not exceeded in half of the simulations"),
    amount("lcoe_per_kwh_p10", MONEY_PER_KWH, "cost not exceeded in 10 % of the simulations"),
)
VARIANCE_SHARES = (
    amount("energy_variance_share_head", "1", "share of the variance of the energy that errors of head bring", 1),
    amount("energy_variance_share_flow", "1", "share that errors of the flow estimate bring", 1),
    amount("energy_variance_share_year", "1", "share that wet and dry years bring", 1),
    amount(
        "energy_variance_share_efficiency", "1", "share that errors of efficiency bring; the four add up to 1", 1
    ),
    amount(
        "lcoe_variance_share_head",
        "1",
        "share of the variance of the cost of a kWh, in logs, by errors of head",
        1,
    ),
    amount("lcoe_variance_share_flow", "1", "share that errors of the flow estimate bring", 1),
    amount("lcoe_variance_share_year", "1", "share that wet and dry years bring", 1),
    amount("lcoe_variance_share_efficiency", "1", "share that errors of efficiency bring", 1),
    amount(
        "lcoe_variance_share_cost", "1", "share that errors of the capital cost bring; the five add up to 1", 1
    ),
)
LENGTHS = (
    amount("length_m", "m", "length along the stream, intake to tailrace"),
    amount("conduit_length_m", "m", "length of the canal or pipe, along the straightened line"),
    amount("pond_length_m", "m", "length of stream that a new weir ponds, along its longest arm"),
    amount("flooded_length_m", "m", "length of all streams that a new weir ponds, tributaries included"),
)
FISH_SAFE = statement("fish_safe", "true where the turbine meets the user's bar of fish survival")
SCREENED = statement("screened", "true where the cost includes a fish screen and bypass")
UNITS = count("units", "number of equal turbines", minimum=1)
MARKS = tuple(statement(action.mark, action.mark_meaning) for action in marked_actions())
