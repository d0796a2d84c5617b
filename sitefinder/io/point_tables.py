"""Places in the user's tables (CSV) in the run's coordinate system, and the lineage of such a table."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sitefinder.io.crs import crs_name, crs_of_layer, transform_to_run
from sitefinder.io.digests import content_digest

if TYPE_CHECKING:
    from pathlib import Path
    from typing import Any

    import numpy.typing as npt

    from sitefinder.settings import Source


def table_lineage(source: Source, path: Path, name: str) -> dict[str, Any]:
    """Where a table comes from, without places.

    Parameters
    ----------
    source : sitefinder.settings.Source
    path : Path
        Of the file.
    name : str
        Of the input.

    Returns
    -------
    dict
        ``crs`` and ``operation`` are empty.
    """
    return {
        "name": name,
        "path": source.path,
        "layer": "",
        "digest": content_digest(path),
        "source": source.source,
        "date": source.date,
        "licence": source.licence,
        "crs": "",
        "operation": "",
    }


def points_in_run(
    places: npt.NDArray[Any],
    ids: npt.NDArray[Any],
    source: Source,
    path: Path,
    crs: str,
    name: str,
    stated_crs: str | None = None,
) -> tuple[npt.NDArray[Any], dict[str, Any]]:
    """Places of a table in the run's coordinate system, and the lineage of the table.

    Parameters
    ----------
    places, ids : ndarray, shape (n,)
        Points in the table's own system, and the ids that messages name them by.
    source, path, name
        See `table_lineage`.
    crs : str
        Coordinate system of the run.
    stated_crs : str, optional
        That of the table; by default what the settings state.

    Returns
    -------
    points : ndarray, shape (n,)
    lineage : dict

    Raises
    ------
    InputError
        If no coordinate system is stated, or a place cannot be transformed.
    """
    own = crs_of_layer(None, source.crs if stated_crs is None else stated_crs, name, source.path)
    lineage = table_lineage(source, path, name) | {"crs": crs_name(own)}
    if not len(places):
        return places, lineage
    points, operation = transform_to_run(places, own, crs, ids, name, source.path, source.operation)
    return points, lineage | {"operation": operation.description}
