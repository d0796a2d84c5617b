"""Which input of a run a file is likely to be, by its name, geometry and fields: a guess to be confirmed."""

import re

from sitefinder.steps.inputs import LAYERS

DEM, PRECIPITATION, GAUGES, RULE = "dem", "covariates.precipitation_mm", "flows.gauges", "rules"
# Words by which files are named, in the order in which they are looked for (own choice). A word counts where it
# begins a word of the name, one with a sign $ where it ends it.
WORDS = {
    "gauge_stations": ("gauge", "gaging", "pegel"),
    "substations": ("substation", "umspannwerk", "transformer_station"),
    "power_lines": ("power_line", "powerline", "transmission", "overhead_line", "grid_line"),
    "regulated": ("regulated", "regulation", "storage_dam"),
    "plants": ("plant", "hydropower", "power_station", "powerhouse"),
    "drops": ("drop", "outfall"),
    "structures": ("weir", "barrier", "dam", "structure", "obstacle", "sill", "wehr", "querbauwerk"),
    "falls": ("fall", "waterfall", "wasserfall"),
    "abstractions": ("abstraction", "withdrawal", "diversion", "intake"),
    "dem_footprints": ("footprint", "dem_survey", "survey"),
    "water_bodies": ("water_bod", "waterbod", "wfd"),
    "parcels": ("parcel", "cadast", "kataster", "flurstück", "flurstueck", "land_register"),
    "districts": ("district", "municipal", "county", "counties", "commune", "gemeinde", "admin"),
    "region": ("region", "perimeter", "study_area", "boundary", "aoi"),
    "lakes": ("lake", "reservoir", "pond", "seen$", "standing_water"),
    "tidal": ("tidal", "estuar"),
    "karst": ("karst",),
    "buildings": ("building", "gebaeude", "gebäude"),
    "settlements": ("settlement", "town", "village", "place", "siedlung", "ort$"),
    "roads": ("road", "street", "highway", "strass", "straße", "route", "track"),
    "streams": (
        "stream", "river", "watercourse", "waterway", "water_line", "flowline", "hydrograph", "hydro", "nhd",
        "gewaesser", "gewässer", "fluss", "flüsse", "bach$", "bäche", "cours", "rio", "reach",
    ),
}  # fmt: skip
# The same by which layers of rules are named whatever their geometry, and those whose places may be secret.
_NATURE = ("nest", "species", "habitat", "spawning", "breeding", "conservation", "protected", "schutz", "biotop")
_SENSITIVE = (
    "nest", "eyrie", "horst", "species", "breeding", "confidential", "secret", "sensitive", "vertraulich",
)  # fmt: skip
_RAIN = ("precip", "rain", "prism", "niederschlag")
_GAUGE_FIELDS = re.compile(r"^flow_|^gauge|discharge|^q\d|pegel")


def raster_role(name):
    """The input that a raster is likely to be.

    Parameters
    ----------
    name : str
        Of the file.

    Returns
    -------
    str
        ``dem`` where nothing in the name says another thing.

    Examples
    --------
    >>> raster_role("dtm_10m.tif"), raster_role("annual_rainfall.tif")
    ('dem', 'covariates.precipitation_mm')
    """
    return PRECIPITATION if any(word in name.lower() for word in _RAIN) else DEM


def layer_role(name, layer, kind, fields):
    """The input that a vector layer or table is likely to be.

    Parameters
    ----------
    name, layer : str
        Of the file and of the layer in it; what the layer's name says comes first.
    kind : {"line", "polygon", "point", "any"} or None
        None for a table.
    fields : list of str

    Returns
    -------
    str or None
        A key of ``inputs``, ``flows.gauges``, ``rules`` for polygons of any other kind and for what is named
        after nature, or None.

    Examples
    --------
    >>> layer_role("hydro.gpkg", "lakes_2019", "polygon", []), layer_role("hydro.gpkg", "axes", "line", [])
    ('lakes', 'streams')
    """
    if kind is None:
        return GAUGES if any(_GAUGE_FIELDS.search(field.lower()) for field in fields) else None
    for text in (layer, name):
        for role, words in WORDS.items():
            if LAYERS[role] in (kind, "any") and any(_holds(text, word) for word in words):
                return role
    return RULE if kind == "polygon" or _names_one((layer, name), _NATURE + _SENSITIVE) else None


def looks_sensitive(*names):
    """Whether names of a file and layer say that its places may be secret.

    Parameters
    ----------
    *names : str

    Returns
    -------
    bool

    Examples
    --------
    >>> looks_sensitive("birds", "eagle_nests"), looks_sensitive("parks_2019")
    (True, False)
    """
    return _names_one(names, _SENSITIVE)


def _names_one(names, words):
    return any(_holds(name, word) for name in names for word in words)


def _holds(text, word):
    plain = re.sub(r"[\W_]+", "_", re.sub(r"(?<=[a-zäöü])(?=[A-Z])", "_", text).lower())
    if word.endswith("$"):
        return re.search(rf"{word[:-1]}(_|$)", plain) is not None
    return re.search(rf"(^|_){word}", plain) is not None
