"""What the publisher of a public edition is shown on the terminal, and nobody else."""

import textwrap

from sitefinder.report.text import WIDTH, counted, figure, plain, rendered, text_table
from sitefinder.units import (
    MEGAWATT_HOURS_PER_GIGAWATT_HOUR,
    METRES_PER_KILOMETRE,
    WATT_HOURS_PER_MEGAWATT_HOUR,
)

# Units of figures of totals that are compared: words, and the unit of the total in the one that is shown.
WORDS = {
    "sites": ("sites", 1.0),
    "energy_wh": ("mean annual energy, GWh", WATT_HOURS_PER_MEGAWATT_HOUR * MEGAWATT_HOURS_PER_GIGAWATT_HOUR),
    "open_m": ("open or restricted, km", METRES_PER_KILOMETRE),
    "excluded_m": ("excluded, km", METRES_PER_KILOMETRE),
}
# With so few reaches, whoever knows the cell knows the stream.
FEW_REACHES = 3


def publication_text(title, folder, files, generalised, compared, absent, warnings):
    """The report of a publication.

    Parameters
    ----------
    title : str
    folder : path-like
    files : int
        Number of files.
    generalised : list of (str, str, int, int)
        Rule, side of its cells, their number, and the fewest reaches in one that has any.
    compared : list of (str, float, float)
        Name of a figure of `WORDS`, in the run and in the edition.
    absent : list of str
        Inputs that are not passed on.
    warnings : list of str

    Returns
    -------
    str
        Ends with a line break.
    """
    parts = [f"{plain(title)}: {counted(files, 'file', 'files')} in {folder}"]
    for name, side, number, fewest in generalised:
        line = f"  {plain(name)}: {counted(number, 'cell', 'cells')} of {side}"
        if fewest:
            line += f", at least {counted(fewest, 'reach', 'reaches')} in each that meets the network"
        parts.append(line)
        if 0 < fewest < FEW_REACHES:
            parts.append(_wrapped("so few give the stream away: choose larger cells", "    "))
    if not generalised:
        parts.append("  no layer was generalised")
    table = text_table(("", "left"), ("run", "right"), ("edition", "right"))
    for name, before, after in compared:
        words, unit = WORDS[name]
        table.add_row(
            words, *(str(int(each)) if name == "sites" else figure(each / unit) for each in (before, after))
        )
    parts += ["", "For you alone, in no file of the edition:", rendered(table)]
    if absent:
        parts += ["", _wrapped(f"Not passed on (redistribute): {', '.join(absent)}. A replay needs them.", "")]
    parts += [_wrapped(text, "") for text in warnings]
    parts += ["", _wrapped("Read README.md and look at the maps of the edition before you hand it on.", "")]
    return "\n".join(parts) + "\n"


def _wrapped(text, indent):
    return "\n".join(textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent))
