"""Layers of rules as read: their filters and areas judged, so that what is wrong is told before a run."""

import pandas as pd

from sitefinder.config import RuleSettings
from sitefinder.io.vectors import read_layer, refuse_distant
from sitefinder.siting.filters import matching
from sitefinder.siting.rules import disc_areas_m2
from sitefinder.streams.lines import REPAIR_COLUMNS


def read_layer_here(source, folder, crs, bounds, what, geometry, allow_empty):
    """A layer that lies where the run is, unless it may be empty.

    Parameters
    ----------
    source, folder, crs, what, geometry, allow_empty
        See `sitefinder.io.vectors.read_layer`.
    bounds : sequence of float or None
        Of the run [m]; None where they are not known.

    Returns
    -------
    sitefinder.io.vectors.LayerRead

    Raises
    ------
    InputError
    """
    read = read_layer(source, folder, crs, what=what, geometry=geometry, allow_empty=allow_empty)
    if bounds is not None and not allow_empty:
        refuse_distant(read, bounds)
    return read


def read_rule(rule, folder, crs, bounds):
    """The layer of a rule, with what its filter and areas make of it among the repairs and in its lineage.

    Parameters
    ----------
    rule : sitefinder.config.RuleSettings
    folder, crs, bounds
        See `read_layer_here`.

    Returns
    -------
    sitefinder.io.vectors.LayerRead

    Raises
    ------
    InputError
        If the layer cannot be read, is empty or elsewhere, or the filter or an area is wrong.
    """
    what = f"rule {rule.name}"
    read = read_layer_here(rule, folder, crs, bounds, what, "any", rule.may_be_empty)
    frame = read.frame
    if frame.empty:
        return read
    match = matching(frame, rule)
    rows, told = [], read.lineage["features"]
    if rule.column is not None or rule.where is not None:
        row = frame["source_row"]
        told += f", {row[match.meant].nunique()} meant by the filter"
        if match.category_missing.any():
            count = row[match.category_missing].nunique()
            rows.append(("", "no category to filter by", f"{count} features make what they touch unknown"))
    if (area_m2 := disc_areas_m2(frame, rule)).any():
        action = f"{(area_m2 > 0).sum()} turned into discs, {area_m2.sum():.1f} m² in all"
        rows.append(("", "points with an area", action))
    added = pd.DataFrame([(what, *row) for row in rows], columns=REPAIR_COLUMNS, dtype="str")
    repairs = pd.concat([read.repairs, added], ignore_index=True)
    return read._replace(repairs=repairs, lineage=read.lineage | {"features": told})


def read_coverage(rule, folder, crs, bounds):
    """Polygons of the area that a rule's layer covers, or None where the rule names none.

    Parameters
    ----------
    rule : sitefinder.config.RuleSettings
    folder, crs, bounds
        See `read_layer_here`.

    Returns
    -------
    sitefinder.io.vectors.LayerRead or None

    Raises
    ------
    InputError
        If the layer cannot be read, is empty or lies elsewhere.
    """
    if rule.covered_by is None:
        return None
    return read_layer_here(
        rule.covered_by, folder, crs, bounds, f"area of rule {rule.name}", "polygon", allow_empty=False
    )


def read_share(source, folder, crs, name):
    """Polygons of the values that count, whose share of each catchment is a predictor of flow.

    A layer of no ground near the DEM is right: the share is nothing there.

    Parameters
    ----------
    source : sitefinder.config.ShareSource
    folder, crs
        See `read_layer_here`.
    name : str
        Of the share.

    Returns
    -------
    sitefinder.io.vectors.LayerRead

    Raises
    ------
    InputError
    """
    read = read_layer(source, folder, crs, what=f"share {name}", geometry="polygon")
    rule = RuleSettings(
        name=f"share {name}", path=source.path, action="note", column=source.column, values=source.values
    )
    match = matching(read.frame, rule)
    repairs = read.repairs
    if match.category_missing.any():
        row = (
            f"share {name}",
            "",
            f"{match.category_missing.sum()} polygons do not say {source.column}",
            "left out",
        )
        repairs = pd.concat([repairs, pd.DataFrame([row], columns=REPAIR_COLUMNS, dtype="str")], ignore_index=True)
    return read._replace(frame=read.frame[match.meant].reset_index(drop=True), repairs=repairs)
