"""A regional inventory of low-head hydropower sites, from elevation and streams to a ranked GeoPackage."""

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
