"""Layers of the long profile: that of each site with its surroundings, and what heads the DEM resolves."""

from sitefinder.schema.columns import SITE_ID, Column, Layer, amount, count, statement, text

SITE_PROFILES = Layer(
    "site_profiles",
    None,
    "a site and a station of the stream around it, from above the intake to below the tailrace",
    ("site_id", "position"),
    (
        SITE_ID,
        count("position", "number of the station from the top down; two share a place at a confluence", least=1),
        amount("distance_m", "m", "way down the stream from the first station of the profile")._replace(
            nullable=False
        ),
        Column("raw_m", "real", "m", "elevation as read from the DEM; NULL where it gave none"),
        Column("profile_m", "real", "m", "elevation of the water, conditioned: what heads are taken from"),
        Column("low_m", "real", "m", "lower end of its 90 % band; neighbours share most of their error"),
        Column("high_m", "real", "m", "upper end of its 90 % band"),
        statement("is_refused", "true where the elevation as read was left out, as at a bridge"),
        statement("is_step", "true where a step, such as a weir, lies right below"),
        statement("is_standing", "true for standing water between this station and the one above"),
        text("structure_id", "structures between this station and the one above"),
        Column("structure_drop_m", "real", "m", "their drop, surveyed where it is", 0),
        text("mark", "intake or tailrace, where the station is that", ("", "intake", "tailrace")),
    ),
)

LEAST_HEADS = Layer(
    "least_heads",
    None,
    "a length of stretch and the least head that the DEM resolves over it",
    ("length_m",),
    (
        amount("length_m", "m", "length of stretch")._replace(nullable=False),
        amount("least_head_m", "m", "least head that is resolved, median of the region's stretches so long"),
        amount("least_head_worst_m", "m", "the same on the worst tenth of the stream"),
    ),
)
