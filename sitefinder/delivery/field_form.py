"""The form for visits: a row for each site, with what is known filled in and room for what is found."""

import csv

import shapely

from sitefinder.report.handover import TablesOf
from sitefinder.schema.field_form import BLANK, COLUMNS
from sitefinder.vocabulary import USED

# Places to a decimetre: finer is false precision in a receiver's hands.
PLACES = 1


def make_field_form(settings, made, scratch):
    """The form for visits, as CSV.

    Returns
    -------
    Path
    """
    tables = TablesOf(made)
    lines = dict(zip(tables["stretches"]["site_id"], tables["stretches"].geometry, strict=True))
    things = tables["stretch_structures"]
    things = things[things["role"] == USED].drop_duplicates("site_id")
    used = dict(zip(things["site_id"], things["object_id"], strict=True))
    path = scratch / "field-observations.csv"
    with open(path, "w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([column.name for column in COLUMNS])
        for site in tables["sites"].sort_values("rank", kind="stable").to_dict("records"):
            ends = shapely.get_coordinates(shapely.get_point(lines[site["site_id"]], [0, -1])).ravel()
            given = [site["site_id"], site["rank"], site["stream"] or "", site["scheme_type"], settings.run.crs]
            given += [f"{value:.{PLACES}f}" for value in ends]
            structure = site["structure_id"] or used.get(site["site_id"], "")
            given += [f"{site['head_uncorrected_m']:.2f}", structure]
            writer.writerow([*given, *[""] * len(BLANK)])
    return path
