"""Settings of what is delivered beside the GeoPackage; none of them changes a result."""

from pydantic import Field

from sitefinder.config.sources import Section


class DeliverySettings(Section):
    """Which files are written beside the GeoPackage; none of it changes a result."""

    page: bool = Field(True, description="report.html: map, table and diagrams in one page that needs no network")
    field_sheets: int = Field(
        20, ge=0, description="field-sheets.pdf: an overview and the sheets of so many best sites; 0: none"
    )
    district_map: bool = Field(True, description="district-map.pdf: one map plate of the whole region, A3")
    gpx: bool = Field(True, description="sites.gpx: intakes, tailraces and stretches for a hand-held receiver")
    csv: bool = Field(True, description="sites.csv and reaches.csv: these layers as tables, without geometry")
    geoparquet: bool = Field(
        False, description="sites.parquet, stretches.parquet and reaches.parquet: as GeoParquet"
    )
    terrain_rasters: bool = Field(
        False,
        description="terrain-dem.tif and terrain-relief.tif: the DEM on the run's grid and its relief, as "
        "cloud-optimised GeoTIFF",
    )
    font_files: list[str] = Field(
        [],
        description="TrueType or OpenType files, relative to the settings file, for letters of names that the "
        "fonts of the PDF files lack",
    )
