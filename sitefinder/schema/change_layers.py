"""The layers of `sitefinder compare`: every column, declared once."""

from sitefinder.schema.columns import VERDICTS, Column, Layer, amount, count, text
from sitefinder.schema.layers import COLUMNS

KINDS = ("reach", "site")
# In order of precedence: a row gets the first that applies.
CHANGES = (
    "vanished",
    "appeared",
    "newly excluded",
    "re-admitted",
    "changed in value",
    "changed by rules",
    "changed by decisions",
    "moved in rank",
    "unchanged",
)
MATCHES = ("id", "place", "")
ORIGINS = ("rule", "decision", "input", "setting", "stage")

_KIND = text("kind", "reach or site", KINDS)
_ID_OLD = text("id_old", "id in the previous run; empty if not there")
_ID_NEW = text("id_new", "id in the next run; empty if not there")


# A quantity in the previous and in the next run.
def _both(name: str, unit: str, meaning: str) -> tuple[Column, Column]:
    return (
        amount(f"{name}_old", unit, f"{meaning}, in the previous run"),
        amount(f"{name}_new", unit, f"{meaning}, in the next run"),
    )


CHANGE_LAYERS = {
    layer.name: layer
    for layer in (
        Layer(
            "changes",
            "LineString",
            "a reach or site of either run; the geometry of a site is its stretch",
            ("kind", "id_old", "id_new"),
            (
                _KIND,
                text("change", "change: " + ", ".join(CHANGES), CHANGES),
                _ID_OLD,
                _ID_NEW,
                text(
                    "matched_by",
                    "how the row was matched between the runs: id or place; empty if in one run only",
                    MATCHES,
                ),
                Column("stream", "text", "", "stream name in the user's layer; empty if none"),
                count("rank_old", "rank of the site in the previous run", minimum=1, nullable=True),
                count("rank_new", "rank of the site in the next run", minimum=1, nullable=True),
                text("verdict_old", "verdict in the previous run; empty if not there", (*VERDICTS, "")),
                text("verdict_new", "verdict in the next run; empty if not there", (*VERDICTS, "")),
                text("rules", "rules that now apply or no longer apply, each with its features"),
                text(
                    "because", "rejection reason in the next run, of the reach or of the reach of a vanished site"
                ),
                text(
                    "replaced_by", "site of the next run that takes the greatest part of a vanished site's stretch"
                ),
                text("changed", "names of the columns with different values"),
                text(
                    "cause", "possible causes: inputs, settings, rules, decisions and code of stages that differ"
                ),
                *_both("length_m", "m", "length along the stream"),
                *_both("theoretical_kw", "kW", "gross theoretical potential of a reach"),
                *_both("power_kw", "kW", "installed capacity of a site"),
                *_both("energy_mwh", "MWh/yr", "mean annual energy of a site"),
            ),
        ),
        Layer(
            "changed_values",
            None,
            "a value that differs between the runs, of a reach or site that is in both",
            ("kind", "id_old", "id_new", "column"),
            (
                _KIND,
                _ID_OLD,
                _ID_NEW,
                text("column", "column of the layer reaches or sites"),
                text("unit", "unit; empty if none"),
                text("old", "value in the previous run; empty if none"),
                text("new", "value in the next run; empty if none"),
            ),
        ),
        Layer(
            "causes",
            None,
            "a difference between the provenance of the two runs",
            (),
            (
                text("origin", "rule, decision, input, setting or stage", ORIGINS),
                text("name", "name of the rule, input or stage, id of the decision, or key of the setting"),
                text("difference", "the difference in words, as in the column cause of changes"),
                text("old", "value or digest in the previous run; empty if not there"),
                text("new", "value or digest in the next run; empty if not there"),
            ),
        ),
        COLUMNS,
    )
}
