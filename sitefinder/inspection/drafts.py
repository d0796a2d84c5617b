"""Settings drafted from what files hold: facts, guesses marked for the user to confirm, and blanks."""

import json
import os
import re
from pathlib import Path
from typing import NamedTuple, get_args

from sitefinder.errors import InputError
from sitefinder.inspection.archives import is_archive, unpack
from sitefinder.inspection.fields import is_renumbered, likely_height, values_of_removal
from sitefinder.inspection.inspecting import inspect_files, year_of
from sitefinder.inspection.roles import DEM, GAUGES, RULE, looks_sensitive
from sitefinder.inspection.systems import crs_of, utm_code
from sitefinder.io.new_folder import DATA_FOLDER, write_new_folder
from sitefinder.io.settings_files import GUESS, UNFILLED
from sitefinder.report.text import counted, plain
from sitefinder.settings import FIRST_INVENTORY, Publication
from sitefinder.vocabulary import ACTIONS

HOW = (
    f'# Drafted from files. What says "{UNFILLED}" is refused until you decide. Where a guess is right, remove\n'
    f'# "{GUESS.strip()}" (and the quotation marks of a number); else write what is right.\n'
)
# Sections that the settings of a new folder have already.
_IN_TEMPLATE = (f"inputs.{DEM}", "inputs.streams", GAUGES)
_MAX_SHOWN = 8
# The input whose owners have classes and no names.
PARCELS = "parcels"
# What the drop of a structure is called in the settings.
DROP_COLUMN = "drop_m"


class Section(NamedTuple):
    """A section of settings: its table, each key with its value as TOML, and notes for the user."""

    table: str
    settings: list
    notes: list

    def text(self):
        """The section as text."""
        header = f"[[{self.table}]]" if self.table == RULE else f"[{self.table}]"
        notes = [f"# {note}" for note in self.notes]
        return "\n".join([*notes, header, *(f"{key} = {value}" for key, value in self.settings)]) + "\n"


def section_of(found, path) -> Section | None:
    """The section of settings for a layer, raster or table.

    Parameters
    ----------
    found : sitefinder.inspection.inspecting.Found
    path : str or None
        Its path from the settings' folder; None where it must be unpacked first.

    Returns
    -------
    Section or None
        None where nothing shows which input it is.
    """
    if found.role is None:
        return None
    table = found.role if found.role in (GAUGES, RULE) else f"inputs.{found.role}"
    place = _guess(path) if path is not None else _blank(f"unpack {found.file} and name {found.inside} in it")
    if found.raster is not None:
        settings, notes = _raster_settings(found)
    elif found.role == GAUGES:
        settings, notes = [], []
    else:
        settings, notes = _layer_settings(found)
    licence = [] if found.role == GAUGES else [_licence(each) for each in found.licence[:1]]
    # The edition, as reasons and explanations give it.
    date = [("date", _guess(year))] if (year := year_of(found)) and found.role != GAUGES else []
    return Section(table, [*_rule(found), ("path", place), *settings, *date, *licence], [_origin(found), *notes])


# What a data set's own metadata say is a fact; what a text in its folder says may be of other files.
def _licence(licence):
    return "licence", _text(licence.text) if licence.is_own else _guess(licence.text)


def _origin(found):
    name = found.file if found.inside is None else f"{found.file}/{found.inside}"
    if found.raster is not None:
        return f"{name} (raster, {found.raster.rows:,} × {found.raster.columns:,} cells)"
    layer = found.layer
    if found.layers > 1:
        name += f', layer "{layer.layer}"'
    kind = "table" if layer.kind is None else layer.kind
    return f"{name} ({kind}, {counted(layer.features, 'feature', 'features')})"


def _raster_settings(found):
    raster, notes, settings = found.raster, [], []
    if raster.crs is None:
        settings.append(("crs", _blank("coordinate system, such as EPSG:32633; the file states none")))
    if found.role == DEM:
        unit = raster.vertical_unit
        settings += [
            (
                "vertical_unit",
                _text(unit) if unit else _blank("metre, foot or us_survey_foot; the file states none"),
            ),
            (
                "vertical_datum",
                _text(raster.vertical_datum)
                if raster.vertical_datum
                else _blank("name of the vertical datum, such as EGM2008; the file states none"),
            ),
        ]
    if raster.suspected_nodata:
        settings.append(("nodata", _guess(f"{raster.suspected_nodata[0]:.10g}")))
        if len(raster.suspected_nodata) > 1:
            values = ", ".join(f"{value:.10g}" for value in raster.suspected_nodata)
            notes.append(f"Cells of {values} all seem to be without data; make them one value beforehand.")
    return settings, notes


def _layer_settings(found):
    layer, notes, settings = found.layer, [], []
    if found.layers > 1:
        settings.append(("layer", _text(layer.layer)))
    if layer.crs is None:
        settings.append(("crs", _blank("coordinate system, such as EPSG:32633; the file states none")))
    if layer.likely.id is not None:
        settings.append(("id_column", _guess(layer.likely.id)))
        if is_renumbered(layer.likely.id):
            notes.append(f"{layer.likely.id} may be a row number, which changes when the file is saved again.")
    else:
        notes.append("No field that is named like an id is filled and different in all features; without")
        notes.append("id_column, ids are row numbers.")
    if layer.likely.name is not None and found.role != PARCELS:
        settings.append(("name_column", _guess(layer.likely.name)))
    for field in layer.fields:
        if len(field.categories) > 1 and (field.name == layer.likely.status or found.role in (RULE, "streams")):
            values = ", ".join(f"{value} ({count:,})" for value, count in field.categories[:_MAX_SHOWN])
            notes.append(plain(f"{field.name} holds {values}."))
    if found.role == PARCELS:
        owner = "class of this owner, such as public; a line for each word of the column that counts"
        settings.append(("owner_column", _blank("column of the owner, or of a class of owner")))
        settings.append(("owner_classes", f"{{ word = {_blank(owner)} }}"))
    if found.role == FIRST_INVENTORY:
        own, more = _inventory_settings(layer)
        settings, notes = settings + own, notes + more
    return settings, notes


# What fields of an inventory of weirs say of their height and of what is gone, as guesses.
def _inventory_settings(layer):
    settings, notes = [], []
    height = likely_height(layer.fields)
    if height is not None:
        if height.name != DROP_COLUMN:
            settings.append(("columns", f"{{ {DROP_COLUMN} = {_guess(height.name)} }}"))
        if height.minimum == 0.0:
            settings.append(("zero_height_is_missing", _guess("true")))
            notes.append(plain(f"{height.name} is 0 somewhere: a height that nobody measured, or no drop at all?"))
    status = next((field for field in layer.fields if field.name == layer.likely.status), None)
    removed, planned = ([], []) if status is None else values_of_removal(status)
    if removed or planned:
        settings.append(("status_column", _guess(status.name)))
        for setting, values in (("removed_values", removed), ("removal_planned_values", planned)):
            if values:
                settings.append((setting, f"[{', '.join(_guess(value) for value in values)}]"))
    return settings, notes


def _rule(found):
    if found.role != RULE:
        return []
    publish = []
    if looks_sensitive(Path(found.file).stem, found.layer.layer):
        forms = ", ".join(get_args(Publication))
        publish.append(("publish", _blank(f"your decision: {forms}; the layer looks sensitive")))
    return [
        ("name", _guess(found.layer.layer.replace("_", " "))),
        ("action", _blank(f"your decision: {', '.join(action.name for action in ACTIONS)}")),
        *publish,
    ]


def _text(value):
    # A JSON string without escapes for letters is a TOML string.
    return json.dumps(plain(value), ensure_ascii=False)


def _guess(value):
    return _text(f"{GUESS}{value}")


def _blank(hint):
    return _text(f"{UNFILLED}: {hint}")


def draft_text(found, folder) -> str:
    """Sections of settings for everything found.

    Parameters
    ----------
    found : list of sitefinder.inspection.inspecting.Found
    folder : Path
        Folder of the settings, from which paths start.

    Returns
    -------
    str
        TOML. What nothing shows a use for, and what another file has taken already, is commented out.
    """
    return HOW + "".join(
        f"\n{text}" for text in _texts(found, [_path_from(folder, each) for each in found], set())
    )


# Texts of sections; `taken` are tables that are in the settings already.
def _texts(found, paths, taken):
    for each, path in zip(found, paths, strict=True):
        section = section_of(each, path)
        if section is None:
            yield f"# {plain(_origin(each))}: nothing shows which input this is; see config/README.md.\n"
        elif each.later is not None:
            yield _commented(section, f"A later edition is drafted: {plain(each.later)}.")
        elif section.table == f"inputs.{FIRST_INVENTORY}" and section.table in taken:
            # Several inventories of weirs are merged.
            section = section._replace(table=_further_table(each, taken))
            taken.add(section.table)
            yield section.text()
        elif section.table != RULE and section.table in taken:
            why = f"Another file is taken for {section.table} already."
            if each.role == DEM:
                why += " Tiles of one DEM: build a mosaic of them (VRT), and name that."
            yield _commented(section, why)
        else:
            taken.add(section.table)
            yield section.text()


def _commented(section, why):
    lines = section.text().splitlines()
    return "\n".join([f"# {why}", *(line if line.startswith("#") else f"# {line}" for line in lines)]) + "\n"


def _further_table(found, taken):
    name = re.sub(r"\W+", "_", found.layer.layer.lower()).strip("_") or "further"
    number, table = 2, f"inputs.more_structures.{name}"
    while table in taken:
        number, table = number + 1, f"inputs.more_structures.{name}_{number}"
    return table


def _path_from(folder, found):
    return None if found.inside is not None else _relative(found.file, folder)


def _relative(path, folder):
    if os.path.isabs(path) and os.path.splitdrive(os.path.abspath(folder))[0] != os.path.splitdrive(path)[0]:
        return Path(path).as_posix()
    return Path(os.path.relpath(path, folder)).as_posix()


def new_folder_from(folder, files) -> Path:
    """Make a folder to start from, its settings drafted from files of the user.

    Parameters
    ----------
    folder : Path
        New or empty.
    files : sequence of str
        Stay where they are; archives are unpacked into the folder's ``data``.

    Returns
    -------
    Path
        The settings file.

    Raises
    ------
    InputError
        If a file cannot be read or the folder is not empty; nothing is written then.
    """
    inspected = inspect_files(files)
    inspected.validate()
    folder = Path(folder)
    archives = _folders_of_archives(files)
    paths = [
        _relative(each.file, folder)
        if each.inside is None
        else f"{DATA_FOLDER}/{archives[each.file]}/{each.inside}"
        for each in inspected.found
    ]
    settings = write_new_folder(folder, lambda template: filled_template(template, inspected.found, paths))
    for archive, name in archives.items():
        unpack(Path(archive), folder / DATA_FOLDER / name)
    return settings


# Names of folders for archives, by archive; two archives of one name are refused.
def _folders_of_archives(files):
    names = {file: Path(file).stem for file in files if is_archive(Path(file))}
    repeated = [file for file, name in names.items() if list(names.values()).count(name) > 1]
    if repeated:
        raise InputError.of(
            "two archives have the same name",
            expected="archives of different names, which are unpacked side by side",
            found=", ".join(repeated),
            fix="rename one of them",
        )
    return names


def filled_template(template, found, paths) -> str:
    """The settings of a new folder with what files show.

    Parameters
    ----------
    template : str
        Commented settings with blanks.
    found : list of sitefinder.inspection.inspecting.Found
    paths : list of str
        Of each, from the settings' folder.

    Returns
    -------
    str
    """
    text, rest, taken = template, [], set()
    for each, path in zip(found, paths, strict=True):
        section = section_of(each, path)
        is_first = section is not None and section.table not in taken and each.later is None
        if is_first and section.table in _IN_TEMPLATE:
            taken.add(section.table)
            text = _with_settings(text, f"[{section.table}]", section.settings, section.notes)
            if each.role == DEM and (code := _run_crs(each.raster)) is not None:
                text = _with_settings(text, "[run]", [("crs", _guess(code))], [])
        else:
            rest.append((each, path))
    if not rest:
        return text
    sections = list(_texts([each for each, _ in rest], [path for _, path in rest], taken))
    for table in taken:
        # What the template shows as an example of this section.
        text = re.sub(rf"(?m)^# \[{re.escape(table)}\].*\n(# \w+ = .*\n)*\n?", "", text)
    return text.rstrip("\n") + "\n\n" + HOW + "".join(f"\n{each}" for each in sections)


# The settings with keys of a table replaced, or put after its path.
def _with_settings(text, header, settings, notes):
    lines = text.split("\n")
    first = lines.index(header)
    end = next((row for row in range(first + 1, len(lines)) if re.match(r"(# )?\[", lines[row])), len(lines))
    after = first + 1
    for key, value in settings:
        own = (row for row in range(first + 1, end) if re.match(rf"(# )?{re.escape(key)} = ", lines[row]))
        row = next(own, None)
        if row is None:
            lines.insert(after, f"{key} = {value}")
            end, row = end + 1, after
        else:
            lines[row] = f"{key} = {value}"
        after = row + 1
    return "\n".join([*lines[:first], *(f"# {note}" for note in notes), *lines[first:]])


# The system of the DEM if it is one in metres, else the UTM zone of its middle.
def _run_crs(raster):
    crs = None if raster.crs is None else crs_of(raster.crs.code)
    if crs is None:
        return None
    in_metres = crs.is_projected and all(axis.unit_conversion_factor == 1.0 for axis in crs.axis_info)
    return raster.crs.code if in_metres else utm_code(raster.bounds, crs)
