"""Layers that tell of the delivery itself: what it was made of, what was mended, what each column means."""

from sitefinder.schema.columns import REPAIR_KINDS, Column, Layer, text

PROVENANCE = Layer(
    "provenance",
    None,
    "an input, a setting that changes results, the version of the program, or the code of a stage",
    ("kind", "name"),
    (
        text("kind", "input, setting, version or stage", ("input", "setting", "version", "stage")),
        text("name", "name of the input, key of the setting, name of the program or of the stage"),
        Column("value", "text", "", "relative file name, setting, version, or start of a code's digest"),
        Column("digest", "text", "", "SHA-256 of the input's content or of a stage's code; commit of the program"),
        Column("source", "text", "", "who made it, or where the value comes from"),
        Column("date", "text", "", "edition or survey date, as the user states it"),
        Column("licence", "text", "", "licence of the data, as the user states it"),
        Column(
            "note",
            "text",
            "",
            "what was changed on reading: coordinate operation, repairs; local changes to the program",
        ),
    ),
)

REPAIRS = Layer(
    "repairs",
    None,
    "something in the input that was mended, left out, or found doubtful and kept; and what a measurement changed",
    (),
    (
        text("kind", "what found it: " + ", ".join(REPAIR_KINDS), REPAIR_KINDS),
        text("layer", "name of the input"),
        text("feature", "the user's id of the feature, or a place; empty where the whole layer is meant"),
        text("problem", "what was wrong or is doubtful"),
        text("action", "what was done"),
    ),
)

COLUMNS = Layer(
    "columns",
    None,
    "a column of a layer of this file",
    ("layer", "column"),
    (
        text("layer", "name of the layer"),
        text("column", "name of the column"),
        text("unit", "unit; 1 for a pure ratio, empty where there is none"),
        text("meaning", "what the column holds"),
    ),
)
