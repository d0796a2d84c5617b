"""A regional inventory of low-head hydropower sites, from elevation and streams to a ranked GeoPackage."""

try:
    # Written when the package is built or installed.
    from sitefinder._version import version as __version__
except ImportError:
    __version__ = "0+unknown"
