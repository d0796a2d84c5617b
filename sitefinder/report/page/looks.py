"""Colours, dash patterns and other looks of the page, own choice: a blue-green and an ochre family on slate."""

INK = "#1d2b36"
SOFT = "#5d6b76"
FRAME = "#c9d1d6"
WATER = "#0a6f78"
BAND = "#9fcdd0"
OCHRE = "#d18a00"
PALE_OCHRE = "#f4cf7c"
LAKE = "#bcd9e6"
ROAD = "#8d8378"
POWER_LINE = "#6b4f7a"
# Colour, dash pattern and width of a stream by its verdict: told by more than colour.
VERDICT_LINES = {
    "open": ("#0a6f78", (), 2.2),
    "restricted": ("#1f9aa3", (9, 3), 2.2),
    "conditional": ("#b87400", (9, 3, 2, 3), 2.2),
    "unknown": ("#6b7580", (3, 3), 1.8),
    "excluded": ("#8a4a12", (2, 3), 2.2),
}
FONT = "system-ui, sans-serif"
