"""A vector layer as it is: system, extent, geometry and its faults, fields, letters; read part by part."""

import hashlib
from collections import Counter
from typing import NamedTuple

import numpy as np
import shapely

from sitefinder.errors import InputError
from sitefinder.inspection.fields import FieldCounts, LikelyFields, likely_fields
from sitefinder.inspection.systems import (
    Fit,
    SystemFound,
    area_of_use,
    box_in,
    crs_of,
    fit_to,
    system_of,
    vertical_datum_of,
)
from sitefinder.io.crs import crs_of_layer
from sitefinder.io.vector import KIND_OF_TYPE, layer_in_parts, simple_geometries

# Features in memory at a time (own choice).
PART_FEATURES = 20_000
WHAT = "inspected"
# Language bytes of dBase files (the table of the format; from memory) by which old programs named an alphabet.
_LANGUAGES = {
    0x01: "CP437", 0x02: "CP850", 0x03: "CP1252", 0x57: "ISO-8859-1 or CP1252", 0x58: "CP1252", 0x59: "CP1252",
    0x64: "CP852", 0x65: "CP866", 0xC8: "CP1250", 0xC9: "CP1251", 0xCA: "CP1254", 0xCB: "CP1253",
}  # fmt: skip
_LANGUAGE_BYTE = 29


class LayerFound(NamedTuple):
    """A vector layer, or a table without geometry.

    Attributes
    ----------
    layer, driver : str
    features : int
    kind : str or None
        The commonest kind of geometry: line, polygon or point; None for a table.
    geometries : dict of str to int
        Features by type of geometry as in the file.
    crs : SystemFound or None
    vertical_datum : str or None
    bounds : tuple of float, shape (4,), or None
        In the layer's own coordinates.
    with_heights : int
        Features with heights on their coordinates.
    at_dem : Fit or None
        How features lie to the DEM; None without a DEM, or where one of the two has no known place.
    faults : dict of str to int
        What reading the layer would repair, with the number of features.
    encoding : str or None
        For text of old formats: the alphabet that is used, and what states it.
    fields : list of FieldFound
    likely : LikelyFields
    problems : list of str
        What is wrong or doubtful, each with what to do.
    """

    layer: str
    driver: str
    features: int
    kind: str | None
    geometries: dict
    crs: SystemFound | None
    vertical_datum: str | None
    bounds: tuple | None
    with_heights: int
    at_dem: Fit | None
    faults: dict
    encoding: str | None
    fields: list
    likely: LikelyFields
    problems: list


def inspect_layer(path, layer, name, dem=None) -> LayerFound:
    """Look at a layer, some thousand features at a time.

    Parameters
    ----------
    path : Path
    layer : str
    name : str
        The file as messages name it.
    dem : tuple of (sequence of float, pyproj.CRS), optional
        Bounds and system of the DEM.

    Returns
    -------
    LayerFound

    Raises
    ------
    InputError
        If it cannot be read.
    """
    parts = layer_in_parts(path, layer, PART_FEATURES, WHAT, name)
    info = next(parts)
    crs = crs_of(info["crs"])
    dem_box = None if dem is None or crs is None else box_in(dem[0], dem[1], crs)
    use_box = None if crs is None else area_of_use(crs)
    counts = _Geometries(dem_box, use_box)
    fields = {str(field): FieldCounts(str(field)) for field in info["fields"]}
    features = 0
    for part in parts:
        geometry = part.geometry if hasattr(part, "geometry") and "geometry" in part else None
        if geometry is not None:
            counts.add(geometry.to_numpy(), features)
        for field, of_field in fields.items():
            of_field.add(part[field])
        features += len(part)
    found = [of_field.found() for of_field in fields.values()]
    kind = counts.kind if info["geometry_type"] is not None else None
    problems = [] if features else ["the layer has no features\n  fix:  name another layer"]
    if kind is not None:
        problems += _place_problems(crs, counts, dem_box, use_box, name)
    problems += _letter_problems(path, fields.values(), info)
    return LayerFound(
        layer,
        str(info.get("driver") or ""),
        features,
        kind,
        dict(counts.types),
        system_of(crs),
        vertical_datum_of(crs),
        counts.bounds,
        counts.with_heights,
        counts.at_dem if dem_box is not None else None,
        dict(counts.faults()),
        _encoding(path, info),
        found,
        likely_fields(found, features),
        problems,
    )


class _Geometries:
    # Counts of a layer's geometries, part by part.
    def __init__(self, dem_box, use_box):
        self._dem_box, self._use_box = dem_box, use_box
        self.types, self._faults = Counter(), Counter()
        self.bounds, self.with_heights = None, 0
        self.at_dem, self.in_use = Fit(0, 0, 0), Fit(0, 0, 0)
        self._kinds, self._shapes = Counter(), []

    @property
    def kind(self):
        return max(self._kinds, key=self._kinds.get, default="any")

    def add(self, geometries, first):
        numbers = shapely.get_type_id(geometries)
        for number, count in zip(*np.unique(numbers, return_counts=True), strict=True):
            self.types["none" if number < 0 else shapely.GeometryType(number).name.lower()] += int(count)
            if (kind := KIND_OF_TYPE.get(number)) is not None:
                self._kinds[kind] += int(count)
        self.with_heights += int(shapely.has_z(geometries).sum())
        boxes = shapely.bounds(geometries)
        known = boxes[np.isfinite(boxes).all(axis=1)]
        if len(known):
            low, high = known[:, :2].min(axis=0), known[:, 2:].max(axis=0)
            if self.bounds is not None:
                low, high = np.minimum(low, self.bounds[:2]), np.maximum(high, self.bounds[2:])
            self.bounds = (*map(float, low), *map(float, high))
        if self._dem_box is not None:
            self.at_dem = _sum(self.at_dem, fit_to(boxes, self._dem_box))
        if self._use_box is not None:
            self.in_use = _sum(self.in_use, fit_to(boxes, self._use_box))
        ids = np.array([str(first + row) for row in range(len(geometries))], dtype=object)
        with np.errstate(invalid="ignore"):
            _, _, repairs = simple_geometries(geometries, self.kind, ids)
        # Those without a feature are of the layer as a whole, and are counted here by feature.
        self._faults.update({(repair.feature, repair.problem): 1 for repair in repairs if repair.feature})
        collections = int((numbers == shapely.GeometryType.GEOMETRYCOLLECTION).sum())
        if collections:
            self._faults[(str(first), "collection of geometries")] += collections
        self._faults = Counter(_by_problem(self._faults))
        whole = geometries[~shapely.is_missing(geometries)]
        shapes = shapely.to_wkb(shapely.normalize(shapely.force_2d(whole)))
        digests = b"".join(hashlib.blake2b(shape, digest_size=8).digest() for shape in shapes)
        self._shapes.append(np.frombuffer(digests, dtype=np.uint64))

    def faults(self):
        shapes = np.concatenate(self._shapes) if self._shapes else np.empty(0)
        repeated = len(shapes) - len(np.unique(shapes))
        if repeated:
            yield "same geometry as another feature", repeated
        yield from ((problem, count) for (_, problem), count in self._faults.items())


# Faults by problem alone.
def _by_problem(faults):
    summed = Counter()
    for (_, problem), count in faults.items():
        summed[("", problem)] += count
    return summed


def _sum(one, other):
    return Fit(*(a + b for a, b in zip(one, other, strict=True)))


def _place_problems(crs, counts, dem_box, use_box, name):
    problems = []
    try:
        crs_of_layer(crs, None, WHAT, name)
    except InputError as error:
        problems.append(str(error))
    if crs is None or counts.bounds is None:
        return problems
    of, box = (counts.at_dem, dem_box) if dem_box is not None else (counts.in_use, use_box)
    where = "the DEM's extent" if dem_box is not None else "the area in which its coordinate system is used"
    if box is None or of.meeting:
        return problems
    if of.meeting_exchanged:
        found = f"no feature meets {where}; with x and y exchanged {of.meeting_exchanged} of {of.features} would"
        fix = "exchange x and y in the file, for example with ogr2ogr -s_srs and -swapxy beforehand"
    else:
        found = f"no feature meets {where}"
        fix = "check the layer's coordinate system, or name the layer of this region"
    return [*problems, f"{found}\n  fix:  {fix}"]


# The alphabet of a Shapefile's texts, and what states it.
def _encoding(path, info):
    if info.get("driver") != "ESRI Shapefile" or not path.is_file():
        return None
    cpg = _beside(path, ".cpg")
    if cpg is not None:
        stated = cpg.read_bytes()[:40].decode("ascii", "replace").strip()
        return f"{cpg.name} states {stated or 'nothing'}"
    table = _beside(path, ".dbf")
    with (table or path).open("rb") as file:
        head = file.read(_LANGUAGE_BYTE + 1)
    language = head[_LANGUAGE_BYTE] if table is not None and len(head) > _LANGUAGE_BYTE else 0
    if language:
        stated = _LANGUAGES.get(language, "an alphabet that is not known here")
        return f"the language byte {language:#04x} of {table.name} states {stated}"
    return "ISO-8859-1 is assumed: neither a .cpg file nor the language byte of the .dbf states one"


def _beside(path, ending):
    return next(
        (path.with_suffix(each) for each in (ending, ending.upper()) if path.with_suffix(each).is_file()), None
    )


# Texts whose letters show that they were read in a wrong alphabet.
def _letter_problems(path, fields, info):
    problems = []
    if misread := [field for field in fields if field.misread]:
        count = sum(field.misread for field in misread)
        problems.append(("UTF-8", f"{count} texts, such as {misread[0].found().example}, look like UTF-8"))
    elif control := [field for field in fields if field.control]:
        count = sum(field.control for field in control)
        problems.append(("CP1252", f"{count} texts hold signs that no alphabet has"))
    cpg = path.with_suffix(".cpg").name
    is_shapefile = info.get("driver") == "ESRI Shapefile"
    return [
        f"{found}, read in another alphabet\n  fix:  "
        + (
            f"write the alphabet's name ({alphabet}, or what the data's producer says) into {cpg} beside the file"
            if is_shapefile
            else f"save the file again from its source, as {alphabet}"
        )
        for alphabet, found in problems
    ]
