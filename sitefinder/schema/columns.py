"""Definitions of a column and a layer, and the columns that several delivered layers share."""

from typing import NamedTuple

from sitefinder import vocabulary
from sitefinder.vocabulary import BANKS, CONDUIT_ROUTES, marked_actions, names, reasons_of

VERDICTS = names(vocabulary.VERDICTS)
SCHEME_TYPES = names(vocabulary.SCHEME_TYPES)
ACTIONS = names(vocabulary.ACTIONS)
# How a rule applies to a reach, and whether it does.
EFFECTS = names(vocabulary.EFFECTS)
SET_EFFECTS = vocabulary.settings_effects()
HELD = ("yes", "unknown", "no")
REPAIR_KINDS = ("input", "network", "terrain", "field")
CAPITAL_PARTS = names(vocabulary.CAPITAL_PARTS)
PASSED_KINDS = names(vocabulary.PASSED_KINDS)
DECISIONS = names(vocabulary.DECISIONS)
NOT_APPLIED = ("", *names(vocabulary.NOT_APPLIED))
EVIDENCE = names(vocabulary.EVIDENCE_GRADES)
# Why a reach has no site, in the order of examination; empty if it has one.
REJECTION_REASONS = ("", *names(vocabulary.REJECTION_REASONS))
# Why an existing structure has no site; empty if it has one.
NO_PLANT = (*REJECTION_REASONS, *names(vocabulary.STRUCTURE_REASONS))
# Why a reach has no hydrokinetic turbine; empty if it has one.
NO_ROTOR = ("", *names(reasons_of(vocabulary.NO_STREAM)), *names(vocabulary.HYDROKINETIC_REASONS))
# Placeholder for the unit of money; the delivered layer ``columns`` has the currency and year instead.
MONEY = "currency"
MONEY_PER_KWH = "currency/kWh"


class Column(NamedTuple):
    """A column of a delivered layer."""

    name: str
    dtype: str  # "text", "integer", "real" or "boolean"
    unit: str  # "" if none
    meaning: str
    minimum: float | None = None
    maximum: float | None = None
    nullable: bool = True
    values: tuple[str, ...] = ()  # the only texts allowed; () if any are
    parts: tuple[str, ...] = ()  # the only flags allowed in a list of flags; () if the column is no such list
    # Stages, settings and inputs that determine its values, see `made_by`.
    made_by: tuple[str, ...] = ()


class Layer(NamedTuple):
    """A delivered layer: meaning of a row, geometry, columns, and the columns that identify a row."""

    name: str
    geometry: str | None  # "Point", "LineString", "Polygon", "MultiPolygon" or None
    row: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    may_lack_geometry: bool = False


def text(name: str, meaning: str, values: tuple[str, ...] = (), parts: tuple[str, ...] = ()) -> Column:
    """A column of text that is never NULL; "" means none."""
    return Column(name, "text", "", meaning, nullable=False, values=values, parts=parts)


def statement(name: str, meaning: str) -> Column:
    """A boolean column, never NULL."""
    return Column(name, "boolean", "", meaning, nullable=False)


def count(name: str, meaning: str, minimum: float | None = 0, nullable: bool = False) -> Column:
    """A column of integers."""
    return Column(name, "integer", "", meaning, minimum, nullable=nullable)


def amount(name: str, unit: str, meaning: str, maximum: float | None = None) -> Column:
    """A column of non-negative real numbers, NULL if unknown."""
    return Column(name, "real", unit, meaning, 0, maximum)


def made_by(names: str, *columns: Column) -> tuple[Column, ...]:
    """Columns with the stages that make their values, from which a comparison finds possible causes of a change.

    Parameters
    ----------
    names : str
        Separated by spaces: stages of the stage graph, and settings (``settings.ranking``) and inputs
        (``inputs.costs``) on which the values depend in addition to those of these stages.
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


MONTH_NAMES = vocabulary.MONTH_NAMES
SITE_ID = text("site_id", "site id, from the user's stream id and the position along the stream")
REACH_ID = text("reach_id", "reach id, from the user's stream id and the position along the stream")
STREAM = Column("stream", "text", "", "stream name in the user's layer; empty if none")
DISTRICT = text("district", "district (of the tailrace, for sites); empty outside all districts")
SCHEME_TYPE = text("scheme_type", "scheme type: " + ", ".join(SCHEME_TYPES), SCHEME_TYPES)
VERDICT = text("verdict", "verdict of the rules, worst first: " + ", ".join(VERDICTS), VERDICTS)
REASONS = text("reasons", "names of all rules that apply, in the order of the settings")
CLOSED_MONTHS = text(
    "closed_months",
    "months in which rules, or at a site the migration of fish, allow no abstraction, such as 10;11; energy "
    "leaves them out, unless the flag closed_months_counted says otherwise",
)
FLAGS = text(
    "flags",
    "data-quality flags of this row, separated by semicolons; any of " + ", ".join(names(vocabulary.FLAGS)),
    parts=names(vocabulary.FLAGS),
)
HEAD = (
    amount(
        "head_m",
        "m",
        "gross head: drop of the conditioned long profile, without regional shrinkage or selection correction",
    ),
    amount("head_se_m", "m", "standard error of the gross head"),
)
SITE_HEAD = (
    amount("head_m", "m", "gross head used, after regional shrinkage and selection correction"),
    amount("head_se_m", "m", "standard error of the gross head used"),
    amount(
        "head_uncorrected_m",
        "m",
        "uncorrected gross head: drop of the long profile or surveyed drop, before regional shrinkage and "
        "selection correction",
    ),
    amount("head_uncorrected_se_m", "m", "standard error of the uncorrected gross head"),
    amount(
        "selection_luck_m",
        "m",
        "selection correction: mean excess over the true gross head of those chosen in simulated surveys, taken "
        "off the gross head; 0 for a surveyed drop",
    ),
)
ENERGY = amount(
    "energy_mwh",
    "MWh/yr",
    "mean annual energy at the terminals, availability included: the expectation over the errors of flow and head",
)
MONTH_SOURCE = text(
    "month_source", "source of the energy of months: monthly flow statistics, daily records or a regime; or none"
)
MONTH_ENERGIES = tuple(
    amount(f"energy_month_{month:02d}_mwh", "MWh/yr", f"mean energy in {name}; NULL if months are unknown")
    for month, name in enumerate(MONTH_NAMES, 1)
)
POWER = amount("power_kw", "kW", "installed capacity: rated electrical output at the terminals")
CAPACITY_FACTOR = amount("capacity_factor", "1", "mean power over installed capacity", 1)
FLOW_DESIGN = amount("flow_design_m3s", "m³/s", "design flow: total flow of all units at full gate")
FLOW_SOURCE = text(
    "flow_source", "flow source: spot gaugings and gauges that contribute, then the regional regression (equation)"
)
CAPITAL_COST = amount("capital_cost", MONEY, "capital cost, with all items of the cost file")
LCOE_PER_KWH = amount("lcoe_per_kwh", MONEY_PER_KWH, "levelised cost of energy (LCOE) generated, real")
NPV = Column(
    "npv",
    "real",
    MONEY,
    "net present value at commissioning at the price of the settings: net annual value over the capital recovery "
    "factor",
)
IRR = Column(
    "irr_percent",
    "real",
    "%",
    "internal rate of return, real, before tax; NULL if there is none from -50 to 1000 %",
)
PAYBACK = amount(
    "discounted_payback_years",
    "yr",
    "years of operation after which discounted surpluses have paid for capital and overhaul for good; NULL if "
    "not within the lifetime",
)
FINANCE = (
    amount("specific_cost_per_kw", MONEY + "/kW", "capital cost over installed capacity"),
    amount("annual_revenue", MONEY + "/yr", "annual value of the energy, own consumption of the plant deducted"),
    amount("annual_operating_cost", MONEY + "/yr", "operation, upkeep and water fee of a year"),
    amount("overhaul_cost", MONEY, "overhaul in mid-life, not discounted"),
    NPV,
    IRR,
    PAYBACK,
    Column(
        "break_even_price_per_kwh",
        "real",
        MONEY_PER_KWH,
        "price of a kWh sold at which the net present value is zero; NULL if nothing is sold",
    ),
)
NET_VALUE = Column(
    "net_annual_value", "real", MONEY + "/yr", "net annual value: annual value of the energy minus annual cost"
)
INTERVAL = (
    amount(
        "energy_mwh_p90",
        "MWh/yr",
        "energy of a single year exceeded in 90 % of the simulations, which vary head, level and shape of the "
        "flow duration curve, the year, and turbine efficiency",
    ),
    amount("energy_mwh_p50", "MWh/yr", "energy of a single year exceeded in 50 % of the simulations"),
    amount("energy_mwh_p10", "MWh/yr", "energy of a single year exceeded in 10 % of the simulations"),
)
LONG_TERM_INTERVAL = (
    amount(
        "energy_long_term_mwh_p90",
        "MWh/yr",
        "mean annual energy exceeded in 90 % of the simulations: as energy_mwh_p90 without the year",
    ),
    amount("energy_long_term_mwh_p50", "MWh/yr", "mean annual energy exceeded in 50 % of the simulations"),
    amount("energy_long_term_mwh_p10", "MWh/yr", "mean annual energy exceeded in 10 % of the simulations"),
)
POWER_INTERVAL = (
    amount("power_kw_p90", "kW", "power at the design flow exceeded in 90 % of the simulations"),
    amount("power_kw_p50", "kW", "power at the design flow exceeded in 50 % of the simulations"),
    amount("power_kw_p10", "kW", "power at the design flow exceeded in 10 % of the simulations"),
)
COST_INTERVAL = (
    amount("lcoe_per_kwh_p90", MONEY_PER_KWH, "LCOE not exceeded in 90 % of the simulations; NULL if infinite"),
    amount("lcoe_per_kwh_p50", MONEY_PER_KWH, "LCOE not exceeded in 50 % of the simulations"),
    amount("lcoe_per_kwh_p10", MONEY_PER_KWH, "LCOE not exceeded in 10 % of the simulations"),
)
VARIANCE_SHARES = (
    amount(
        "energy_variance_share_head",
        "1",
        "contribution of head to the uncertainty of energy, as a share of its variance; the four add up to 1",
        1,
    ),
    amount("energy_variance_share_flow", "1", "contribution of the flow estimate to the uncertainty of energy", 1),
    amount(
        "energy_variance_share_year",
        "1",
        "contribution of inter-annual variability to the uncertainty of energy; 0 if not included",
        1,
    ),
    amount(
        "energy_variance_share_efficiency",
        "1",
        "contribution of turbine efficiency to the uncertainty of energy",
        1,
    ),
    amount(
        "lcoe_variance_share_head",
        "1",
        "contribution of head to the uncertainty of LCOE, as a share of the variance of its log; the "
        "five add up to 1",
        1,
    ),
    amount("lcoe_variance_share_flow", "1", "contribution of the flow estimate to the uncertainty of LCOE", 1),
    amount(
        "lcoe_variance_share_year",
        "1",
        "contribution of inter-annual variability to the uncertainty of LCOE: 0, since LCOE is of the whole life",
        1,
    ),
    amount(
        "lcoe_variance_share_efficiency", "1", "contribution of turbine efficiency to the uncertainty of LCOE", 1
    ),
    amount("lcoe_variance_share_cost", "1", "contribution of capital cost to the uncertainty of LCOE", 1),
)
LENGTH = amount(
    "length_m", "m", "length along the stream from intake to tailrace; the depleted reach of a diversion"
)
CONDUIT_LENGTH = amount(
    "conduit_length_m", "m", "length of headrace and penstock; the stream's where the ground shows no way"
)
POND_LENGTHS = (
    amount("pond_length_m", "m", "length of stream that a new weir ponds, along its longest branch"),
    amount("flooded_length_m", "m", "length of all streams that a new weir ponds, tributaries included"),
)
LENGTHS = (LENGTH, CONDUIT_LENGTH, *POND_LENGTHS)
NEW_BARRIER = (
    amount(
        "intake_weir_m",
        "m",
        "height of the new weir at the intake of a diversion; 0 for other scheme types and where an existing weir "
        "serves",
    ),
    statement("new_barrier", "true if the site builds a barrier: a new weir, or a weir at its intake"),
)
CONDUIT = (
    text(
        "conduit_route",
        "way of the conduit over the ground: along the hillside, or straight; empty without one, or where the "
        "ground was not looked at or does not show it",
        ("", *CONDUIT_ROUTES),
    ),
    text(
        "conduit_bank", "bank on which the conduit runs, looking downstream; empty as conduit_route", ("", *BANKS)
    ),
    amount("headrace_length_m", "m", "length of the headrace, from the intake to the penstock"),
    amount("penstock_length_m", "m", "length of the penstock, along its slope"),
    amount(
        "deepest_cut_m",
        "m",
        "maximum height of the ground above the water of the open headrace, or above the penstock; NULL where the "
        "ground shows no way",
    ),
    amount("aqueduct_length_m", "m", "length of headrace and penstock on aqueducts, siphons and culverts"),
    amount("tunnel_length_m", "m", "length of headrace and penstock in tunnels"),
    count("crossings", "number of streams and gullies that the conduit crosses", nullable=True),
    count("road_crossings", "number of roads that the conduit crosses, by inputs.roads", nullable=True),
    count(
        "building_crossings", "number of buildings that the conduit crosses, by inputs.buildings", nullable=True
    ),
)
FISH_SAFE = statement(
    "fish_safe",
    "true if every group of fish meets its bar at the plant with evidence that counts, by the question of "
    "fish.safe",
)
FISH_SAFE_AS_BUILT = statement("fish_safe_as_built", "true if they do at the turbine itself, without a screen")
SCREENED = statement("screened", "true if the cost includes a fish screen and bypass")
RUNNER = (
    amount(
        "runner_diameter_m",
        "m",
        "runner diameter of a unit, estimated from its design flow; NULL for wheels, screws and impulse turbines",
    ),
    Column(
        "suction_head_m",
        "real",
        "m",
        "greatest height of the runner above the tailwater without cavitation; negative: depth below it; NULL for "
        "turbines that need no setting",
    ),
    amount(
        "efficiency_design",
        "1",
        "efficiency at the design flow from water to terminals, gear, generator and size of the runner included",
        1,
    ),
)
UNITS = count("units", "number of identical units", minimum=1)
# Decisions that apply to a reach or site, in the order of their table, with "; " between.
DECISION = (
    text("decision", "decisions that apply here: " + ", ".join(DECISIONS) + "; empty without one"),
    text("decision_id", "ids of those decisions, see the layer decisions"),
    text("decision_author", "their authors"),
    text("decision_date", "the days on which they were made"),
    text("decision_valid_until", "the last days on which they are valid; none: without an end"),
    text("decision_justification", "their justifications"),
)
RULES_LIFTED = text(
    "rules_lifted",
    "names of the rules that exclude sites here and are not counted because of a decision; they hold all the same",
)
MARKS = tuple(statement(action.mark, action.mark_meaning) for action in marked_actions())
