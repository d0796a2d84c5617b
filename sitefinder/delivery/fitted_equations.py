"""Regional equations fitted from a table of gauges, with diagnostics: `sitefinder fit-flows`."""

import os
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
from pyproj import CRS
from pyproj.exceptions import CRSError

from sitefinder.delivery.atomic import deliver
from sitefinder.errors import ConfigError
from sitefinder.hydrology.regional_fit import RegionalFits, fit_regions, places_km
from sitefinder.io.catalogue_files import write_equations
from sitefinder.io.gauges import read_gauges
from sitefinder.io.output_folder import writable_folder
from sitefinder.io.settings_files import read_joined
from sitefinder.report.fit import fit_page, fit_text
from sitefinder.settings import Settings, check_fit_settings

REMARK = (
    "Written by sitefinder fit-flows. Name this file under flows.equations of a run's settings. diagnostics.csv, "
    "gauges.csv and plots.html beside it show the fit of each equation to its gauges."
)


class FittedFlows(NamedTuple):
    """What was fitted, from where, the files that were written, and the gauges."""

    fits: RegionalFits
    source: str
    files: list
    gauges: pd.DataFrame

    @property
    def summary(self):
        """The fits in words and figures, ending with a line break."""
        return fit_text(self.source, self.fits, self.files)


def fit_flows(settings, output=None):
    """Fit every statistic and region of the gauges that settings name.

    Parameters
    ----------
    settings : path-like or sitefinder.settings.Settings
        With a table ``fit``, and the gauges there or under ``flows``. A file need be no run's.
    output : path-like, optional
        Folder to write the equation file, diagnostics and plots into; absent: no file is written.

    Returns
    -------
    FittedFlows

    Raises
    ------
    ConfigError, InputError
        Before anything is written. Files are written aside and moved into place together.
    """
    fit, table, limits, folder = _fit_settings(settings)
    return _fitted(fit, table, limits, folder, None if output is None else Path(output))


def fit_and_deliver(config):
    """The same from a settings file, with the files in the folder that it names.

    Parameters
    ----------
    config : path-like

    Returns
    -------
    FittedFlows

    Raises
    ------
    ConfigError, InputError
        See `fit_flows`.
    """
    fit, table, limits, folder = _fit_settings(config)
    return _fitted(fit, table, limits, folder, Path(os.path.normpath(folder / fit.output_folder)))


# How to fit, the table of gauges, the limits of a weak regression, and the folder that paths start from.
def _fit_settings(given):
    known = list(Settings.model_fields)
    if isinstance(given, Settings):
        tables = given.model_dump(mode="json", exclude_unset=True, include={"fit", "flows"})
        name, written, folder = given.file or "settings", None, Path(given.folder)
    else:
        joined = read_joined(given)
        tables, name, written, folder = joined.mapping, str(given), joined.written, Path(given).parent
    return *check_fit_settings(tables, name, known, written), folder


def _fitted(settings, table, limits, folder, output):
    if output is not None:
        writable_folder(output)
    gauges, places = read_fit_gauges(settings, table, folder)
    forms = table.forms
    fits = fit_regions(gauges, places, table=table, settings=settings, limits=limits)
    if output is None:
        return FittedFlows(fits, table.source, [], gauges)
    keys = ["region", "statistic"]
    writers = {
        "equations.toml": lambda path: write_equations(path, fits.equations, REMARK),
        "diagnostics.csv": lambda path: _write_csv(fits.summary.merge(fits.coefficients, on=keys), path),
        "gauges.csv": lambda path: _write_csv(fits.gauges, path),
        "warnings.csv": lambda path: _write_csv(fits.warnings, path),
        "plots.html": lambda path: path.write_text(fit_page(table.source, fits, gauges, forms), encoding="utf-8"),
    }
    if len(fits.suspects):
        writers["suspects.csv"] = lambda path: _write_csv(fits.suspects, path)
    if len(fits.candidates):
        writers["candidates.csv"] = lambda path: _write_csv(fits.candidates, path)
    return FittedFlows(fits, table.source, deliver(output, writers), gauges)


def read_fit_gauges(settings, table, folder):
    """The gauge table with all columns that a fit needs, and the coordinates of the gauges.

    Parameters
    ----------
    settings : sitefinder.settings.FitSettings
    table : sitefinder.settings.GaugeTable
    folder : Path
        From which the table's path starts.

    Returns
    -------
    gauges : DataFrame
        See `sitefinder.io.gauges.read_gauges`; from daily records too, where the settings name them.
    places : ndarray or None
        See `sitefinder.hydrology.regional_fit.places_km`; None where the settings name no places.

    Raises
    ------
    ConfigError, InputError
    """
    texts = [name for name in (settings.region_column, settings.downstream_column) if name]
    gauges = read_gauges(folder / table.path, table, settings.candidates, texts, settings.statistics)
    absent = [name for name in settings.statistics if name not in gauges.columns]
    if absent:
        raise ConfigError.of(
            "fit.statistics lists columns that the gauge table does not have",
            expected="columns such as flow_mean_m3s",
            found=", ".join(absent),
            fix="correct fit.statistics, or columns of the gauge table",
        )
    if table.x_column is None:
        return gauges, None
    try:
        system = CRS.from_user_input(table.crs)
    except CRSError:
        raise ConfigError.of(
            "the crs of the gauge table is not a coordinate system",
            expected="for example EPSG:4326",
            found=table.crs,
            fix="correct flows.gauges.crs",
        ) from None
    x, y = gauges[table.x_column].to_numpy(dtype=np.float64), gauges[table.y_column].to_numpy(dtype=np.float64)
    return gauges, places_km(x, y, system.is_geographic)


def _write_csv(frame, path):
    frame.to_csv(path, index=False, lineterminator="\n")
