"""Files of the user looked at together: DEM first, layers beside it, and all that cannot be opened at once."""

import contextlib
import os
import re
from pathlib import Path
from typing import NamedTuple

from sitefinder.errors import InputError, SitefinderError, all_of
from sitefinder.inspection.archives import DATA_ENDINGS, data_sets_in, is_archive, unpacked
from sitefinder.inspection.layers import LayerFound, inspect_layer
from sitefinder.inspection.licences import licence_texts
from sitefinder.inspection.rasters import RasterFound, RasterRead, inspect_raster
from sitefinder.inspection.roles import DEM, layer_role, raster_role
from sitefinder.inspection.systems import covered_percent
from sitefinder.io.opening import RASTER_FORMATS, VECTOR_FORMATS, is_database, validate_file, validate_layer
from sitefinder.io.vector import layers_of_file

_ELSEWHERE = (
    "no cell lies in the DEM's extent\n"
    "  fix:  check the raster's coordinate system, or name the raster of this region"
)
# A year in the name of a file or layer.
_YEAR = re.compile(r"(?<!\d)(?:19|20)\d\d(?!\d)")
RASTER_ENDINGS = (".tif", ".tiff", ".vrt", ".asc", ".img", ".nc", ".hgt", ".bil", ".flt", ".dem", ".jp2", ".grd")


class Found(NamedTuple):
    """What one layer or raster holds.

    Attributes
    ----------
    file : str
        As the user named it.
    inside : str or None
        The data set within an archive or folder.
    layers : int
        Layers that the data set has; 1 for a raster.
    role : str or None
        The input that it is likely to be, see `sitefinder.inspection.roles`.
    raster : RasterFound or None
    layer : LayerFound or None
        One of the two is None.
    licence : list of LicenceText
    later : str or None
        A later edition among the files, by a year in the name; None where there is none.
    """

    file: str
    inside: str | None
    layers: int
    role: str | None
    raster: RasterFound | None
    layer: LayerFound | None
    licence: list
    later: str | None


class Inspected(NamedTuple):
    """Everything found, in the order of the files, and the problems of those that cannot be opened."""

    found: list
    problems: list

    def validate(self):
        """Refuse files that could not be opened.

        Raises
        ------
        InputError
            Listing them all.
        """
        if len(self.problems) == 1:
            raise InputError(self.problems[0])
        if self.problems:
            raise all_of(InputError, "files that cannot be read", self.problems, named=False)


class _DataSet(NamedTuple):
    # A data set on this disk: the file that was named, where it is, and its place within that file.
    file: str
    path: Path
    inside: str | None


def inspect_files(files, dem=None) -> Inspected:
    """Look at files of any kind that a run may read.

    Parameters
    ----------
    files : sequence of str
        Rasters, vector layers, tables (CSV), zip archives of these, or folders that are a data set.
    dem : str, optional
        The DEM that layers are compared with, which is not shown itself; absent: the first raster among the files
        that is not named after something else.

    Returns
    -------
    Inspected
    """
    problems, results = [], {}
    with contextlib.ExitStack() as opened:
        data_sets = list(_data_sets(files, problems, opened))
        beside = None
        if dem is not None:
            try:
                beside = _raster(_DataSet(dem, Path(dem).absolute(), None), is_dem=True)
            except SitefinderError as error:
                problems.append(str(error))
        rasters = {}
        for number, each in enumerate(data_sets):
            if not _may_be_raster(each.path):
                continue
            role = raster_role(each.path.name)
            try:
                rasters[number] = _raster(each, is_dem=role == DEM)
            except SitefinderError as error:
                problems.append(str(error))
                continue
            if beside is None and role == DEM:
                beside = rasters[number]
        for number, read in rasters.items():
            each, found = data_sets[number], read.found
            if beside is not None and read is not beside:
                share = covered_percent(read.bounds, read.crs, beside.bounds, beside.crs)
                elsewhere = [_ELSEWHERE] if share == 0.0 else []
                found = found._replace(covered_percent=share, problems=[*found.problems, *elsewhere])
            results[number] = [_found(each, 1, raster_role(each.path.name), found, None)]
        box = None if beside is None or beside.crs is None else (beside.bounds, beside.crs)
        for number, each in enumerate(data_sets):
            if not _may_be_raster(each.path):
                results[number] = list(_layers(each, box, problems))
    found = [found for number in sorted(results) for found in results[number]]
    return Inspected(_with_later_editions(found), problems)


# Layers that differ in name by the year alone and have the same fields are editions; all but the last name it.
def _with_later_editions(found):
    editions = {}
    for each in found:
        if each.layer is not None and (year := year_of(each)) is not None:
            fields = tuple(field.name for field in each.layer.fields)
            same = (_YEAR.sub("", _name(each)).lower(), each.layer.kind, fields)
            editions.setdefault(same, []).append((year, each))
    later = {}
    for same in editions.values():
        last_year, last = max(same, key=lambda edition: edition[0])
        later |= {id(each): last for year, each in same if year < last_year}
    return [each if id(each) not in later else _older(each, _shown_of(later[id(each)])) for each in found]


def year_of(found):
    """The year in the name of a file or layer, as text.

    Parameters
    ----------
    found : Found

    Returns
    -------
    str or None
        None where there is none, or several.
    """
    years = _YEAR.findall(_name(found))
    return years[0] if len(years) == 1 else None


def _name(found):
    return found.layer.layer if found.layers > 1 else Path(found.inside or found.file).stem


def _shown_of(found):
    name = found.file if found.inside is None else f"{found.file}/{found.inside}"
    return name if found.layers == 1 else f'{name}, layer "{found.layer.layer}"'


def _older(found, later):
    problem = f"this seems to be an older edition of {later}\n  fix:  use one of them; a draft takes the later one"
    layer = found.layer._replace(problems=[*found.layer.problems, problem])
    return found._replace(layer=layer, later=later)


# Data sets in order; what is in archives is unpacked as long as the stack is open.
def _data_sets(files, problems, opened):
    for file in files:
        # Readers of rasters start a relative path from its own folder.
        path = Path(file).absolute()
        try:
            validate_file(path, "inspected file", file)
            if not path.exists():
                raise InputError.of(
                    "there is no such file",
                    file=file,
                    expected="a raster, layer, table or archive",
                    fix="check the path",
                )
            if is_archive(path):
                folder = opened.enter_context(unpacked(path))
                inside = data_sets_in(folder)
                if not inside:
                    raise InputError.of(
                        "the archive holds no data set",
                        file=file,
                        expected=f"files with the endings {', '.join(DATA_ENDINGS)}",
                        found=", ".join(sorted(each.name for each in folder.rglob("*"))[:5]) or "nothing",
                        fix="name another file",
                    )
                yield from (_DataSet(file, each, each.relative_to(folder).as_posix()) for each in inside)
            elif path.is_dir() and path.suffix.lower() != ".gdb":
                yield from _data_sets_of_folder(file, path)
            else:
                yield _DataSet(file, path, None)
        except SitefinderError as error:
            problems.append(str(error))


def _data_sets_of_folder(file, folder):
    inside = [each for each in data_sets_in(folder) if each.parent == folder]
    if not inside:
        raise InputError.of(
            "the folder holds no data set",
            folder=file,
            expected=f"files with the endings {', '.join(DATA_ENDINGS)}",
            fix="name the files themselves",
        )
    yield from (_DataSet(os.path.join(file, each.name), each, None) for each in inside)


def _may_be_raster(path):
    if path.suffix.lower() in RASTER_ENDINGS:
        return True
    try:
        validate_layer(path, "inspected", str(path))
    except SitefinderError:
        return path.is_file() and path.suffix.lower() not in DATA_ENDINGS
    if not path.is_file() or not is_database(path):
        return False
    # A GeoPackage may hold nothing but a raster.
    try:
        return not layers_of_file(path, "inspected", str(path))
    except SitefinderError:
        return True


def _shown(data_set):
    return data_set.file if data_set.inside is None else f"{data_set.file}/{data_set.inside}"


def _raster(data_set, *, is_dem) -> RasterRead:
    try:
        return inspect_raster(data_set.path, _shown(data_set), is_dem=is_dem)
    except InputError as error:
        if "raster cannot be read" not in str(error):
            raise type(error)(str(error).replace(str(data_set.path), _shown(data_set))) from None
        raise InputError.of(
            "the file cannot be read",
            file=_shown(data_set),
            expected=f"a raster ({RASTER_FORMATS}) or a layer ({VECTOR_FORMATS})",
            found="another kind of file, or a damaged one",
            fix="convert the file to GeoTIFF or GeoPackage, and name that",
        ) from None


def _layers(data_set, dem, problems):
    name = _shown(data_set)
    try:
        validate_layer(data_set.path, "inspected", name)
        layers = layers_of_file(data_set.path, "inspected", name)
    except SitefinderError as error:
        problems.append(str(error))
        return
    if not layers:
        problems.append(
            str(InputError.of("the file has no layer", file=name, expected="a layer", fix="name another file"))
        )
    for layer, _ in layers:
        try:
            found = inspect_layer(data_set.path, layer, f'{name}, layer "{layer}"', dem)
        except SitefinderError as error:
            problems.append(str(error).replace(str(data_set.path), name))
            continue
        role = layer_role(data_set.path.stem, layer, found.kind, [field.name for field in found.fields])
        yield _found(data_set, len(layers), role, None, found)


def _found(data_set, layers, role, raster, layer):
    licence = licence_texts(data_set.path)
    return Found(data_set.file, data_set.inside, layers, role, raster, layer, licence, None)
