"""A printed page: texts, rules, boxes and frames placed in millimetres from its upper left corner, and the PDF."""

import io

import matplotlib.style
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Rectangle
from matplotlib.text import Text
from matplotlib.transforms import Affine2D

from sitefinder.report.sheets.letters import MM_PER_POINT, font_of

MM_PER_INCH = 25.4
A4_MM, A3_LANDSCAPE_MM = (210.0, 297.0), (420.0, 297.0)
MARGIN_MM = 14.0
# Our palette: dark slate for text, blue-green for water and what may be, ochre for what may not.
INK, GREY, PALE, RULE = "#22303a", "#5c6a73", "#eef1f2", "#b9c2c7"
WATER, WATER_PALE, OCHRE, OCHRE_DARK = "#1c7a80", "#cfe5e6", "#b9770e", "#7a4a06"
# Line to line, in sizes of the letters; DejaVu Sans needs 1.17.
LEADING = 1.32
IMAGE_DPI = 150
# Text stays text in the file, so that it can be searched and read out.
PDF_STYLE = {"pdf.fonttype": 42, "pdf.compression": 6, "path.simplify": False, "hatch.linewidth": 0.4}


def line_mm(size):
    """Height of a line of letters of a size [pt], in mm."""
    return size * LEADING * MM_PER_POINT


class Page:
    """One page; ``lacks_letters`` is true once a text held a letter that no font has."""

    def __init__(self, size_mm, letters):
        self.width_mm, self.height_mm = size_mm
        self.letters, self.lacks_letters = letters, False
        inches = (self.width_mm / MM_PER_INCH, self.height_mm / MM_PER_INCH)
        self.figure = Figure(figsize=inches, dpi=72, facecolor="white")
        flipped = Affine2D().scale(1.0, -1.0).translate(0.0, self.height_mm)
        self.millimetres = flipped + Affine2D().scale(1.0 / MM_PER_INCH) + self.figure.dpi_scale_trans

    def text(self, x, y, text, size=8.0, *, bold=False, colour=INK, align="left", upright=False):
        """One line of text, its base line at ``y``; ``upright`` turns it to be read from the right."""
        runs, lacks = self.letters.runs(text, bold)
        self.lacks_letters |= lacks
        width = self.letters.width_mm(text, size, bold)
        back = {"left": 0.0, "middle": width / 2, "right": width}[align]
        x, y = (x, y + back) if upright else (x - back, y)
        for path, part in runs:
            if part.strip():
                font = font_of(path).copy()
                font.set_size(size)
                self.figure.add_artist(
                    Text(
                        x,
                        y,
                        part,
                        fontproperties=font,
                        color=colour,
                        ha="left",
                        va="baseline",
                        rotation=90 if upright else 0,
                        rotation_mode="anchor",
                        parse_math=False,
                        transform=self.millimetres,
                        zorder=20,
                    )
                )
            step = self.letters.width_mm(part, size, bold)
            x, y = (x, y - step) if upright else (x + step, y)

    def lines(self, x, y, lines, size=8.0, **options):
        """Lines of text from the upper edge ``y`` down; gives the lower edge."""
        for line in lines:
            self.text(x, y + 0.98 * size * MM_PER_POINT, line, size, **options)
            y += line_mm(size)
        return y

    def paragraph(self, x, y, text, width_mm, size=8.0, *, bold=False, most=None, **options):
        """A text broken to a width, from the upper edge ``y`` down; gives the lower edge."""
        lines = self.letters.lines(text, width_mm, size, bold, most)
        return self.lines(x, y, lines, size, bold=bold, **options)

    def rule(self, x1, y1, x2, y2, width=0.5, colour=RULE, dashes=None):
        """A straight line; width in points."""
        style = (0, dashes) if dashes else "solid"
        self.figure.add_artist(
            Line2D(
                [x1, x2],
                [y1, y2],
                linewidth=width,
                color=colour,
                linestyle=style,
                dash_capstyle="butt",
                solid_capstyle="butt",
                transform=self.millimetres,
                zorder=10,
            )
        )

    def box(self, x, y, width, height, *, fill="none", edge=RULE, line=0.5, alpha=1.0, above=False):
        """A rectangle from its upper left corner; under texts, and under drawings unless ``above``."""
        self.figure.add_artist(
            Rectangle(
                (x, y),
                width,
                height,
                facecolor=fill,
                edgecolor=edge,
                linewidth=line,
                alpha=alpha,
                transform=self.millimetres,
                zorder=12 if above else 1,
            )
        )

    def dot(self, x, y, radius, *, fill="white", edge=INK, line=0.6):
        """A circle about its middle."""
        self.figure.add_artist(
            Circle(
                (x, y),
                radius,
                facecolor=fill,
                edgecolor=edge,
                linewidth=line,
                transform=self.millimetres,
                zorder=13,
            )
        )

    def mark(self, x, y, marker, size, *, fill="white", edge=INK, line=0.8):
        """A symbol of matplotlib's about its middle; size in points."""
        self.figure.add_artist(
            Line2D(
                [x],
                [y],
                marker=marker,
                markersize=size,
                markerfacecolor=fill,
                markeredgecolor=edge,
                markeredgewidth=line,
                linestyle="none",
                transform=self.millimetres,
                zorder=14,
            )
        )

    def sample(self, x, y, width, style):
        """A piece of a line as `style` (keywords of matplotlib's lines) draws it, for a legend."""
        self.figure.add_artist(
            Line2D(
                [x, x + width],
                [y, y],
                **{"zorder": 10, **style},
                solid_capstyle="butt",
                transform=self.millimetres,
            )
        )

    def axes(self, x, y, width, height):
        """A frame to draw in, without ticks."""
        axes = self.figure.add_axes(
            (
                x / self.width_mm,
                1.0 - (y + height) / self.height_mm,
                width / self.width_mm,
                height / self.height_mm,
            ),
            zorder=2,
        )
        axes.set_xticks([])
        axes.set_yticks([])
        for spine in axes.spines.values():
            spine.set(linewidth=0.6, edgecolor=GREY, zorder=9)
        return axes


def pdf_of(pages, title):
    """A PDF as bytes, the same for the same pages whenever it is made.

    Parameters
    ----------
    pages : iterable of callable
        Each makes a `Page`; they are made one after the other, so that only one is held.
    title : str

    Returns
    -------
    bytes
    """
    written = io.BytesIO()
    # Without what a user's own settings of matplotlib would change.
    with matplotlib.style.context(["default", PDF_STYLE]):
        metadata = {"CreationDate": None, "Title": title, "Creator": "sitefinder"}
        with PdfPages(written, metadata=metadata) as file:
            for make in pages:
                file.savefig(make().figure, dpi=IMAGE_DPI)
    return written.getvalue()
