"""Settings of what is delivered, and of who answers for it; none of them changes a result."""

import calendar
import re
from typing import Any

from pydantic import Field, field_validator, model_validator

from sitefinder.config.sources import Section

# Enough to find a slip of the pen; whether somebody reads it there is another question.
EMAIL = re.compile(r"[^@\s]+@[^@\s]+\.[^@\s]+")
DATE = re.compile(r"(\d{4})-(\d{2})-(\d{2})")


class ContactSettings(Section):
    """Whom to ask about the delivery, for its metadata; a name or an organisation at least."""

    name: str | None = Field(None, min_length=1, description="name of a person")
    organisation: str | None = Field(None, min_length=1, description="name of an organisation")
    email: str | None = Field(None, description="e-mail address")

    @field_validator("email")
    @classmethod
    def _email_has_its_parts(cls, email: str | None) -> str | None:
        if email is not None and not EMAIL.fullmatch(email):
            raise ValueError("expected an address such as office@example.org")
        return email

    @model_validator(mode="after")
    def _somebody_is_named(self) -> "ContactSettings":
        # ISO 19115:2003, CI_ResponsibleParty: one of the names is required.
        if self.name is None and self.organisation is None:
            raise ValueError("state name, organisation or both")
        return self


class DeliverySettings(Section):
    """Which files are written beside the GeoPackage, and its contact and date; none of it changes a result."""

    contact: ContactSettings | None = Field(
        None, description="whom to ask about the delivery, for its metadata; absent: the metadata say so"
    )
    date: str | None = Field(
        None,
        description="date of the delivery for its metadata, such as 2026-05-31; absent: none, so that the same "
        "results give the same file on any day",
    )
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

    # TOML also knows dates without quotation marks, and they arrive as dates.
    @field_validator("date", mode="before")
    @classmethod
    def _date_as_text(cls, date: Any) -> Any:
        return date.isoformat() if hasattr(date, "isoformat") else date

    @field_validator("date")
    @classmethod
    def _date_exists(cls, date: str | None) -> str | None:
        if date is None:
            return date
        match = DATE.fullmatch(date)
        if match:
            year, month, day = map(int, match.groups())
            if year >= 1 and 1 <= month <= 12 and 1 <= day <= calendar.monthrange(year, month)[1]:
                return date
        raise ValueError("expected a date, year, month and day, such as 2026-05-31")
