"""Regional equations fitted from a table of gauges, with diagnostics: `sitefinder fit-flows`."""

import os
from pathlib import Path
from typing import NamedTuple

import numpy as np
from pyproj import CRS
from pyproj.exceptions import CRSError

from sitefinder.delivery.atomic import deliver
from sitefinder.errors import ConfigError
from sitefinder.hydrology.regional_fit import RegionalFits, fit_regions, places_km
from sitefinder.io.catalogue_files import write_equations
from sitefinder.io.gauges import read_gauges
from sitefinder.io.output_folder import writable_folder
from sitefinder.io.settings_files import read_joined
from sitefinder.report.fit import fit_page
from sitefinder.settings import Settings, check_fit_settings

REMARK = (
    "Written by sitefinder fit-flows. Name this file under flows.equations of a run's settings. diagnostics.csv, "
    "gauges.csv and plots.html beside it show the fit of each equation to its gauges."
)


class DeliveredFits(NamedTuple):
    """The fits, their source, and the files that were written."""

    fits: RegionalFits
    source: str
    files: list


def fit_flows(config):
    """Fit every statistic and region of the gauges of a settings file, and write the results.

    Parameters
    ----------
    config : Path
        Settings file with a table ``fit``, and the gauges there or under ``flows``; it may be a run's.

    Returns
    -------
    DeliveredFits

    Raises
    ------
    ConfigError, InputError
        Before anything is written. Files are written aside and moved into place together.
    """
    joined = read_joined(config)
    settings, table = check_fit_settings(joined.mapping, str(config), list(Settings.model_fields), joined.written)
    folder = Path(config).parent
    output = writable_folder(Path(os.path.normpath(folder / settings.output_folder)))
    gauges, places = read_fit_gauges(settings, table, folder)
    fits = fit_regions(gauges, places, table=table, settings=settings)
    keys = ["region", "statistic"]
    writers = {
        "equations.toml": lambda path: write_equations(path, fits.equations, REMARK),
        "diagnostics.csv": lambda path: _write_csv(fits.summary.merge(fits.coefficients, on=keys), path),
        "gauges.csv": lambda path: _write_csv(fits.gauges, path),
        "warnings.csv": lambda path: _write_csv(fits.warnings, path),
        "plots.html": lambda path: path.write_text(fit_page(table.source, fits, gauges), encoding="utf-8"),
    }
    if len(fits.candidates):
        writers["candidates.csv"] = lambda path: _write_csv(fits.candidates, path)
    return DeliveredFits(fits, table.source, deliver(output, writers))


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
    gauges = read_gauges(folder / table.path, table, settings.candidates, texts)
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
        raise ConfigError.of("the crs of the gauge table is not a coordinate system", found=table.crs) from None
    x, y = gauges[table.x_column].to_numpy(dtype=np.float64), gauges[table.y_column].to_numpy(dtype=np.float64)
    return gauges, places_km(x, y, system.is_geographic)


def _write_csv(frame, path):
    frame.to_csv(path, index=False, lineterminator="\n")
