"""What `sitefinder compare` delivers: every column of its layers, declared once."""

from sitefinder.schema.columns import VERDICTS, Column, Layer, amount, count, text
from sitefinder.schema.layers import COLUMNS

KINDS = ("reach", "site")
# The first that fits is told of a row that has several.
CHANGES = (
    "vanished",
    "appeared",
    "newly excluded",
    "re-admitted",
    "changed in value",
    "changed by rules",
    "moved in rank",
    "unchanged",
)
MATCHES = ("id", "place", "")
ORIGINS = ("rule", "input", "setting", "stage")

_KIND = text("kind", "reach or site", KINDS)
_ID_OLD = text("id_old", "id in the old run; empty where it is not there")
_ID_NEW = text("id_new", "id in the new run; empty where it is not there")


# A quantity in the old and in the new run; both sums are those of the runs.
def _both(name: str, unit: str, meaning: str) -> tuple[Column, Column]:
    return (
        amount(f"{name}_old", unit, f"{meaning}, in the old run"),
        amount(f"{name}_new", unit, f"{meaning}, in the new run"),
    )


CHANGE_LAYERS = {
    layer.name: layer
    for layer in (
        Layer(
            "changes",
            "LineString",
            "a reach or site of either run; a site is drawn as its stretch",
            ("kind", "id_old", "id_new"),
            (
                _KIND,
                text("change", "what became of it: " + ", ".join(CHANGES), CHANGES),
                _ID_OLD,
                _ID_NEW,
                text(
                    "matched_by",
                    "how the two were found to be the same: id or place; empty for one alone",
                    MATCHES,
                ),
                Column("stream", "text", "", "name of the stream where the user's layer has one"),
                count("rank_old", "rank of the site in the old run", minimum=1, nullable=True),
                count("rank_new", "rank of the site in the new run", minimum=1, nullable=True),
                text("verdict_old", "verdict in the old run; empty where it is not there", (*VERDICTS, "")),
                text("verdict_new", "verdict in the new run; empty where it is not there", (*VERDICTS, "")),
                text("rules", "rules that hold now or no longer, each with the features that do it"),
                text("because", "of a reach: why it carries no site in the new run; of a lost site: of its reach"),
                text("replaced_by", "of a lost site: the site of the new run that takes most of its stretch"),
                text("changed", "names of the columns whose values differ"),
                text("cause", "inputs, settings, rules and code of stages that differ and can have led to it"),
                *_both("length_m", "m", "length along the stream"),
                *_both("theoretical_kw", "kW", "theoretical potential of a reach"),
                *_both("power_kw", "kW", "rated electrical power of a site"),
                *_both("energy_mwh", "MWh/yr", "energy of a site in a mean year"),
            ),
        ),
        Layer(
            "changed_values",
            None,
            "a value of a reach or site of both runs that differs",
            ("kind", "id_old", "id_new", "column"),
            (
                _KIND,
                _ID_OLD,
                _ID_NEW,
                text("column", "column of the layer reaches or sites"),
                text("unit", "its unit; empty where there is none"),
                text("old", "value in the old run; empty where there is none"),
                text("new", "value in the new run; empty where there is none"),
            ),
        ),
        Layer(
            "causes",
            None,
            "something in which the provenance of the two runs differs",
            (),
            (
                text("origin", "rule, input, setting or stage", ORIGINS),
                text("name", "name of the rule, input or stage, or key of the setting"),
                text("told", "what is different, as the causes of the changes tell it"),
                text("old", "value or digest in the previous run; empty where it is not there"),
                text("new", "value or digest in the next run; empty where it is not there"),
            ),
        ),
        COLUMNS,
    )
}
