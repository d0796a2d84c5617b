"""Files with the error of a kind of DEM, read from TOML and checked."""

from sitefinder.config import checked
from sitefinder.io.digests import content_digest
from sitefinder.io.settings import read_toml
from sitefinder.streams.dem_errors import DemErrorFile, stated_error


def read_dem_error(source, folder):
    """The error that the settings state of their DEM, with the preset that they name.

    Parameters
    ----------
    source : sitefinder.config.DemSource
    folder : Path
        Folder that the preset's path starts from.

    Returns
    -------
    error : sitefinder.streams.dem_errors.DemError
    lineage : dict or None
        Where the preset came from, as of a layer; None without one.

    Raises
    ------
    ConfigError
        If the preset is absent, is no TOML, or is not whole: a preset without error or source does not load.
    """
    if source.error_preset is None:
        return stated_error(source), None
    path = folder / source.error_preset
    preset = checked(DemErrorFile, read_toml(path, "DEM error"), str(path))
    lineage = {
        "name": "dem error preset",
        "path": source.error_preset,
        "layer": "",
        "digest": content_digest(path),
        "source": preset.sources.error,
        "date": "",
        "licence": "",
        "crs": "",
        "operation": preset.name,
    }
    return stated_error(source, preset), lineage
