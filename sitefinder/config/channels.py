"""Settings of how wide streams are and how fast they run, beside the depth in the section tailwater."""

from pydantic import Field

from sitefinder.config.sources import Section


class ChannelSettings(Section):
    """Width of streams by flow; depth is that of tailwater, and speed is what then carries the flow."""

    width_at_1_m3s_m: float = Field(
        7.2,
        gt=0,
        description="width at a mean flow of 1 m³/s [m]; an assumption for every river, after Moody & Troutman "
        "2002, Earth Surf. Process. Landforms 27:1251–1266 (from memory): use your own, or measured sections",
    )
    downstream_exponent: float = Field(
        0.5,
        ge=0,
        lt=1,
        description="growth of that width with mean flow down a river (Leopold & Maddock 1953, U.S. Geol. Surv. "
        "Prof. Paper 252, as restated by Pelletier 2021, Earth Surf. Dynam. 9:379–391)",
    )
    station_exponent: float = Field(
        0.26,
        ge=0,
        lt=1,
        description="growth of width with flow at a station (Leopold & Maddock 1953, as restated by others)",
    )
    section_reach_m: float = Field(
        1000.0, gt=0, description="farthest along its stream that a measured section holds, up and down [m]"
    )
