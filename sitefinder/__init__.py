"""A regional inventory of low-head hydropower sites, from elevation and streams to a ranked GeoPackage."""

__version__ = "0.1.0"
