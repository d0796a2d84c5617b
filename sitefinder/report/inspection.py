"""What was found in files of the user, as text and as JSON."""

import json
import textwrap

from sitefinder.report.text import WIDTH, counted, plain

_INDENT, _LABEL = 2, 19
# Text of a value that is shown among others, and how many categories are shown.
_MAX_VALUE, _SHOWN_CATEGORIES = 24, 6


def inspection_text(inspected):
    """What was found, a block of lines for each layer or raster.

    Parameters
    ----------
    inspected : sitefinder.inspection.inspecting.Inspected

    Returns
    -------
    str
    """
    return "\n".join(_block(found) for found in inspected.found)


def inspection_json(inspected):
    """The same as one JSON object, with ``found`` and ``problems``.

    Parameters
    ----------
    inspected : sitefinder.inspection.inspecting.Inspected

    Returns
    -------
    str
    """
    return json.dumps(_tree(inspected), ensure_ascii=False, indent=1)


# Named tuples as objects; numbers that JSON does not have as null.
def _tree(value):
    if hasattr(value, "_asdict"):
        return {name: _tree(each) for name, each in value._asdict().items()}
    if isinstance(value, dict):
        return {str(name): _tree(each) for name, each in value.items()}
    if isinstance(value, list | tuple):
        return [_tree(each) for each in value]
    return None if isinstance(value, float) and value - value != 0.0 else value


def _block(found):
    name = found.file if found.inside is None else f"{found.file}/{found.inside}"
    if found.layer is not None and found.layers > 1:
        name += f', layer "{found.layer.layer}"'
    lines = [plain(name)]
    lines += _raster_lines(found.raster) if found.raster is not None else _layer_lines(found.layer)
    lines += [_line("licence", f"{each.file}: {each.text}") for each in found.licence]
    if not found.licence:
        lines.append(_line("licence", "nothing found in the file or beside it"))
    lines.append(_line("likely used as", _role(found.role)))
    part = found.raster or found.layer
    if part.problems:
        lines.append("  to mend or to decide:")
        lines += [textwrap.indent(problem, "    ") for problem in part.problems]
    return "\n".join(lines) + "\n"


def _role(role):
    if role is None:
        return "nothing that the name, geometry and fields show"
    return "a rule ([[rules]])" if role == "rules" else role if role.startswith("flows") else f"inputs.{role}"


def _line(label, text):
    first = " " * _INDENT + f"{label + ':':<{_LABEL}}"
    return textwrap.fill(
        plain(text), WIDTH, initial_indent=first, subsequent_indent=" " * len(first), break_on_hyphens=False
    )


def _system_lines(crs):
    if crs is None:
        return [_line("coordinate system", "the file states none")]
    name = crs.code if crs.code == crs.name else f"{crs.code}, {crs.name}"
    return [
        _line("coordinate system", name),
        _line("axes", crs.axes),
        _line("datum", crs.datum),
    ]


def _raster_lines(raster):
    bands = "" if raster.bands == 1 else f", {raster.bands} bands"
    lines = _system_lines(raster.crs)
    lines.append(
        _line(
            "vertical",
            f"unit {raster.vertical_unit or 'not stated'}, datum {raster.vertical_datum or 'not stated'}",
        )
    )
    lines.append(_line("extent", _extent(raster.bounds)))
    if raster.covered_percent is not None:
        lines.append(_line("at the DEM", f"covers {raster.covered_percent:.0f} % of its extent"))
    size = f"{_number(raster.cell_width)} × {_number(raster.cell_height)}"
    lines.append(
        _line("cells", f"{raster.rows:,} rows × {raster.columns:,} columns of {size}, {raster.dtype}{bands}")
    )
    nodata = "the file states none" if raster.nodata is None else f"{raster.nodata:g}"
    if raster.suspected_nodata:
        nodata += "; cells that seem to be without data hold " + ", ".join(
            f"{value:g}" for value in raster.suspected_nodata
        )
    lines.append(_line("nodata", nodata))
    if raster.looked_at:
        total = raster.rows * raster.columns
        of = "all cells" if raster.looked_at >= total else f"{raster.looked_at:,} cells looked at"
        unmarked = f" are marked, {raster.suspected_percent:.1f} % are not" if raster.suspected_nodata else ""
        lines.append(_line("gaps", f"{raster.gap_percent:.1f} % of {of}{unmarked}"))
        if raster.minimum is not None:
            lines.append(_line("values", f"{raster.minimum:,.6g} to {raster.maximum:,.6g}"))
    return lines


def _layer_lines(layer):
    if layer.kind is None:
        lines = [_line("rows", f"{layer.features:,}, a table without geometry ({layer.driver})")]
    else:
        lines = _system_lines(layer.crs)
        if layer.vertical_datum is not None:
            lines.append(_line("vertical datum", layer.vertical_datum))
        if layer.bounds is not None:
            lines.append(_line("extent", _extent(layer.bounds)))
        if layer.at_dem is not None:
            at = layer.at_dem
            lines.append(_line("at the DEM", f"{at.meeting:,} of {at.features:,} features meet its extent"))
        types = ", ".join(
            f"{count:,} × {kind}" for kind, count in sorted(layer.geometries.items(), key=lambda item: -item[1])
        )
        lines.append(_line("features", f"{layer.features:,} ({types or 'no geometry'}), {layer.driver}"))
        if layer.with_heights:
            heights = counted(layer.with_heights, "feature", "features")
            lines.append(_line("heights", f"on the coordinates of {heights}; a run leaves them out"))
        faults = ", ".join(f"{count:,} × {problem}" for problem, count in sorted(layer.faults.items()))
        lines.append(_line("a run would mend", faults or "nothing"))
    if layer.encoding is not None:
        lines.append(_line("letters", layer.encoding))
    likely = layer.likely
    lines.append(
        _line(
            "likely fields",
            f"id {likely.id or 'none by name, filled and different everywhere'}; name {likely.name or 'none'}; "
            f"status {likely.status or 'none'}",
        )
    )
    if layer.fields:
        lines.append("  fields:")
        lines += [_field_line(field, layer.features) for field in layer.fields]
    return lines


def _field_line(field, features):
    filled = "" if field.filled == features else f", {field.filled:,} of {features:,} filled"
    text = f"{plain(field.name)}: {field.kind}{filled}{', all different' if field.is_unique else ''}"
    if field.categories:
        shown = [f"{_value(value)} {count:,}" for value, count in field.categories[:_SHOWN_CATEGORIES]]
        more = len(field.categories) - len(shown)
        text += "; " + ", ".join(shown) + (f" and {more} more" if more else "")
    elif field.minimum is not None:
        text += f"; {_number(field.minimum)} to {_number(field.maximum)}"
    elif field.example:
        text += f"; such as {_value(field.example)}"
    if field.suspected_nodata is not None:
        text += f"; {field.suspected_nodata:g} may mean that there is no value"
    return textwrap.fill(text, WIDTH, initial_indent="    ", subsequent_indent="      ", break_on_hyphens=False)


def _value(text):
    text = plain(text)
    return text if len(text) <= _MAX_VALUE else text[: _MAX_VALUE - 1] + "…"


def _number(value):
    return f"{value:,.10g}"


def _extent(bounds):
    west, south, east, north = bounds
    places = 5 if max(map(abs, bounds)) <= 360.0 else 0
    x, y = (f"{low:,.{places}f} to {high:,.{places}f}" for low, high in ((west, east), (south, north)))
    return f"x {x}, y {y}"
