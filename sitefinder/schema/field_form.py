"""The columns of the form for a visit, which a run writes and the next one reads as observations."""

from sitefinder.schema.columns import SCHEME_TYPE, SITE_ID, Column, amount, count, text

# What a run fills in.
GIVEN = (
    SITE_ID,
    count("rank", "rank of the site", minimum=1),
    text("stream", "stream name; empty if none"),
    SCHEME_TYPE,
    text("crs", "coordinate system of the places below"),
    Column("intake_x", "real", "m", "easting of the intake"),
    Column("intake_y", "real", "m", "northing of the intake"),
    Column("tailrace_x", "real", "m", "easting of the tailrace"),
    Column("tailrace_y", "real", "m", "northing of the tailrace"),
    amount("expected_drop_m", "m", "uncorrected gross head of the run, to notice a slip of the pen"),
    text("structure_id", "mapped structure whose drop is used; empty if none"),
)
# What the visitor fills in. Everything is optional but observer and day.
BLANK = (
    text("observer", "who was there"),
    text("date", "day of the visit, such as 2026-05-31"),
    Column("level_intake_m", "real", "m", "water level at the intake, above any mark that both levels share"),
    Column("level_tailrace_m", "real", "m", "water level at the tailrace, above the same mark"),
    amount("drop_m", "m", "drop of the water from intake to tailrace, where it was measured and not two levels"),
    amount("drop_error_m", "m", "standard error of the drop, or of the difference of the two levels"),
    amount("flow_m3s", "m³/s", "flow gauged at the intake; 0 if dry"),
    amount("flow_error_percent", "%", "standard error of the gauging"),
    text("gauge_id", "gauge whose reading of that day is known"),
    amount("gauge_flow_m3s", "m³/s", "flow at that gauge at the time of the gauging"),
    text("structure_seen", "yes or no: whether a weir or other structure stands between intake and tailrace"),
    text("structure_kind", "its kind, such as weir"),
    text("structure_condition", "its condition, such as good or poor"),
    text("fish_signs", "fish and signs of them, in words"),
    text("access", "how the site is reached, in words"),
    text("remarks", "anything else"),
)
COLUMNS = (*GIVEN, *BLANK)
NUMBERS = tuple(column.name for column in BLANK if column.dtype == "real")
TEXTS = tuple(column.name for column in BLANK if column.dtype == "text")
PLACES = ("intake_x", "intake_y", "tailrace_x", "tailrace_y")
# What stands in ``structure_seen``.
YES, NO = "yes", "no"
