"""Unit and datum of heights: what raster files say of them, held against what the settings say."""

import re
from typing import NamedTuple

from pyproj import CRS
from pyproj.exceptions import CRSError

from sitefinder.errors import InputError, listed
from sitefinder.units import METRES_PER_VERTICAL_UNIT

# How files write the unit of their cells; "feet" alone may be either foot.
CELL_UNITS = {
    "metre": ("metre",),
    "metres": ("metre",),
    "meter": ("metre",),
    "meters": ("metre",),
    "m": ("metre",),
    "ft": ("foot", "us_survey_foot"),
    "foot": ("foot", "us_survey_foot"),
    "feet": ("foot", "us_survey_foot"),
    "internationalfoot": ("foot",),
    "ussurveyfoot": ("us_survey_foot",),
    "ussurveyfeet": ("us_survey_foot",),
    "footus": ("us_survey_foot",),
    "ftus": ("us_survey_foot",),
    "usft": ("us_survey_foot",),
}
# Two units are the same where their metres agree to this share; the two feet differ by 2 parts in a million.
SAME_UNIT = 1e-8


class Heights(NamedTuple):
    """What a file says of its heights: each is None, or empty, where it says nothing.

    ``datum`` is the name to show and ``names`` all by which it may be called; ``axis_m`` are the metres in a unit
    of the vertical axis, ``cell_unit`` the text that stands beside the cells.
    """

    datum: str | None
    names: tuple
    axis_m: float | None
    cell_unit: str | None


def heights_of(crs, cell_unit):
    """What a raster's coordinate system and cells say of heights.

    Parameters
    ----------
    crs : pyproj.CRS or None
    cell_unit : str or None
        Unit of the cells as the file states it.

    Returns
    -------
    Heights
    """
    vertical = None if crs is None else _vertical(crs)
    if vertical is None:
        return Heights(None, (), None, cell_unit or None)
    axis = vertical.axis_info[-1]
    names = {vertical.name}
    if vertical.is_geographic:
        names = {f"ellipsoid of {vertical.datum.name}", "ellipsoid", f"{vertical.name} ellipsoid"}
    elif vertical.datum is not None:
        names.add(vertical.datum.name)
    shown = f"ellipsoid of {vertical.datum.name}" if vertical.is_geographic else vertical.name
    return Heights(shown, tuple(sorted(map(_plain, names))), axis.unit_conversion_factor, cell_unit or None)


# The part of a system that heights are measured in.
def _vertical(crs):
    if crs.is_bound:
        crs = crs.source_crs
    if crs.is_compound:
        return next((part for part in crs.sub_crs_list if part.is_vertical), None)
    if crs.is_vertical:
        return crs
    return crs if crs.is_geographic and len(crs.axis_info) == 3 else None


# A name without what spellings differ in: case, blanks, and the words height and depth.
def _plain(name):
    words = re.sub(r"\(.*?\)|\b(height|depth|heights)\b", " ", name.lower())
    return re.sub(r"[^a-z0-9]", "", words)


def check_heights(heights, source, what):
    """Refuse a DEM whose file, or whose parts, measure heights in another way than the settings say.

    Parameters
    ----------
    heights : dict of str to Heights
        By the name of the file.
    source : sitefinder.config.DemSource
        States ``vertical_unit`` and ``vertical_datum``.
    what : str
        Name of the raster in messages.

    Raises
    ------
    InputError
    """
    datums = {}
    for file, each in heights.items():
        if each.datum is not None:
            datums.setdefault(each.names, (each.datum, []))[1].append(file)
    if len(datums) > 1:
        raise InputError.of(
            f"parts of the {what} raster stand on different vertical datums",
            file=source.path,
            expected="one vertical datum for all",
            found="; ".join(f"{name} in {listed(files, shown=2)}" for name, files in datums.values()),
            fix="bring all parts to one datum beforehand",
        )
    for datum, files in datums.values():
        if not _is_called(heights[files[0]], source.vertical_datum):
            raise InputError.of(
                f"the vertical datum stated for the {what} raster is not the one in its file",
                file=source.path,
                expected=f"{source.vertical_datum}, as the settings state",
                found=f"{datum}, in {listed(files, shown=2)}",
                fix="state the file's in vertical_datum, or correct the file",
            )
    wrong = {file: unit for file, each in heights.items() if (unit := _other_unit(each, source.vertical_unit))}
    if wrong:
        units = sorted(set(wrong.values()))
        raise InputError.of(
            f"the vertical unit stated for the {what} raster is not the one in its file",
            file=source.path,
            expected=f"{source.vertical_unit}, as the settings state",
            found=f"{listed(units)}, in {listed(wrong, shown=2)}",
            fix="correct vertical_unit, or bring all parts of a mosaic to one unit beforehand",
        )


# Whether a stated name, or code, means the datum of a file.
def _is_called(each, stated):
    if _plain(stated) in each.names:
        return True
    try:
        meant = heights_of(CRS.from_user_input(stated), None)
    except CRSError:
        return False
    return bool(set(meant.names) & set(each.names))


# The unit that a file states where it is another than the settings'; else nothing.
def _other_unit(each, stated):
    metres = METRES_PER_VERTICAL_UNIT[stated]
    if each.axis_m is not None and abs(each.axis_m / metres - 1) > SAME_UNIT:
        return f"a vertical axis of {each.axis_m:.9g} m"
    if each.cell_unit is not None:
        meant = CELL_UNITS.get(re.sub(r"[^a-z]", "", each.cell_unit.lower()))
        if meant is not None and stated not in meant:
            return f"cells in {each.cell_unit}"
    return None
