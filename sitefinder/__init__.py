"""A regional inventory of low-head hydropower sites, from elevation and streams to a ranked GeoPackage.

::

    import sitefinder as sf

    settings = sf.read_settings("region.toml")  # or sf.Settings(**mapping)
    problems = sf.check(settings)  # empty when sound
    inventory = sf.run(settings)  # tables in memory, no file written
    inventory.sites, inventory.reaches, inventory.totals
    inventory.write("out")
    sf.compare("out-2025", inventory).changes

What is named here is loaded when it is first used, so that the import costs nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sitefinder.delivery.fitted_equations import fit_flows as fit_flows
    from sitefinder.errors import ConfigError as ConfigError
    from sitefinder.errors import InputError as InputError
    from sitefinder.errors import SitefinderError as SitefinderError
    from sitefinder.errors import StageError as StageError
    from sitefinder.errors import TableError as TableError
    from sitefinder.finished_runs import Comparison as Comparison
    from sitefinder.finished_runs import Explanation as Explanation
    from sitefinder.finished_runs import compare as compare
    from sitefinder.finished_runs import explain as explain
    from sitefinder.finished_runs import write_district_maps as write_district_maps
    from sitefinder.finished_runs import write_sheets as write_sheets
    from sitefinder.inventory import Inventory as Inventory
    from sitefinder.io.settings_files import read_settings as read_settings
    from sitefinder.planning import Plan as Plan
    from sitefinder.planning import plan as plan
    from sitefinder.preparation import check as check
    from sitefinder.publication.publishing import Published as Published
    from sitefinder.publication.publishing import publish as publish
    from sitefinder.running import run as run
    from sitefinder.settings import Settings as Settings

try:
    # Written when the package is built or installed.
    from sitefinder._version import version as __version__
except ImportError:
    # A checkout that was never built: what an installation of it says, if there is one.
    from importlib.metadata import PackageNotFoundError, version

    try:
        __version__ = version("sitefinder")
    except PackageNotFoundError:
        __version__ = "0+unknown"

# What the package hands on, and the module that each comes from.
_HANDED_ON = {
    "Comparison": "sitefinder.finished_runs",
    "ConfigError": "sitefinder.errors",
    "Explanation": "sitefinder.finished_runs",
    "InputError": "sitefinder.errors",
    "Inventory": "sitefinder.inventory",
    "Plan": "sitefinder.planning",
    "Published": "sitefinder.publication.publishing",
    "Settings": "sitefinder.settings",
    "SitefinderError": "sitefinder.errors",
    "StageError": "sitefinder.errors",
    "TableError": "sitefinder.errors",
    "check": "sitefinder.preparation",
    "compare": "sitefinder.finished_runs",
    "explain": "sitefinder.finished_runs",
    "fit_flows": "sitefinder.delivery.fitted_equations",
    "plan": "sitefinder.planning",
    "publish": "sitefinder.publication.publishing",
    "read_settings": "sitefinder.io.settings_files",
    "run": "sitefinder.running",
    "write_district_maps": "sitefinder.finished_runs",
    "write_sheets": "sitefinder.finished_runs",
}
__all__ = ["__version__", *_HANDED_ON]


def __getattr__(name: str) -> Any:
    if name not in _HANDED_ON:
        raise AttributeError(f"module 'sitefinder' has no attribute {name!r}")
    value = globals()[name] = getattr(import_module(_HANDED_ON[name]), name)
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
