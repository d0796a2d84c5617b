"""Classes of owners of the ground at points and along lines; no owner's name gets anywhere."""

import geopandas
import numpy as np
import pytest
import shapely
from pydantic import ValidationError

from sitefinder.errors import InputError
from sitefinder.rules.confidentiality import published_overrides, published_settings
from sitefinder.settings import ParcelSource
from sitefinder.siting.land import land_along_lines, land_at_points, parcels_of

NAME = "Anna Beispiel"


def layer(*parcels):
    """Parcels as (id, owner, geometry)."""
    ids, owners, shapes = zip(*parcels, strict=True)
    return geopandas.GeoDataFrame({"feature_id": ids, "owner": owners}, geometry=list(shapes), crs="EPSG:32633")


def source(**classes):
    return ParcelSource(path="parcels.gpkg", owner_column="owner", owner_classes=classes or {"State": "public"})


def test_owners_become_classes_and_nothing_else_of_them_is_kept():
    frame = layer(
        ("p1", "STATE ", shapely.box(0, 0, 10, 10)),
        ("p2", NAME, shapely.box(10, 0, 20, 10)),
        ("p3", None, shapely.box(20, 0, 30, 10)),
    )

    parcels, notes = parcels_of(frame, source())

    assert parcels["owner_class"].tolist() == ["public", "not stated", "not stated"]
    assert list(parcels.columns) == ["feature_id", "owner_class", "geometry"]
    assert notes == [("owner not in owner_classes: 2 of 3 parcels", "class: not stated")]


def test_a_layer_without_any_listed_owner_is_refused_without_naming_one():
    frame = layer(("p1", NAME, shapely.box(0, 0, 10, 10)), ("p2", "", shapely.box(10, 0, 20, 10)))

    with pytest.raises(InputError) as caught:
        parcels_of(frame, source())

    assert str(caught.value) == (
        "no parcel has an owner that the settings list\n"
        "  file:      parcels.gpkg, column owner\n"
        "  expected:  values that inputs.parcels.owner_classes lists: State\n"
        "  found:     1 different values in 2 parcels, which are not shown since they may be names\n"
        "  fix:       list the values of the column in owner_classes, each with its class"
    )
    with pytest.raises(InputError, match=r"has no column owner\n(.*\n)+  found: +columns holder\n"):
        parcels_of(frame.rename(columns={"owner": "holder"}), source())


def test_the_ground_at_a_point_is_that_of_all_parcels_near_it():
    parcels, _ = parcels_of(
        layer(
            ("p1", "State", shapely.box(0, 0, 10, 10)),
            ("p2", "Farm", shapely.box(0, 14, 10, 20)),
            ("p3", "Farm", shapely.box(0, 20, 10, 30)),
            ("p4", "State", shapely.box(0, 10, 10, 14)),
        ),
        source(State="public", Farm="private"),
    )
    points = shapely.points([[5.0, 12.0], [5.0, 5.0], [100.0, 100.0]])

    near = land_at_points(points, parcels, 9.0)

    assert near[["site", "owner_class", "parcels"]].to_numpy().tolist() == [
        [0, "public", 2],
        [0, "private", 2],
        [1, "public", 2],
        [1, "private", 1],
        [2, "no parcel", 0],
    ]
    assert near.index.tolist() == [0, 1, 2, 3, 4]
    assert land_at_points(points, parcels, 0.0)["owner_class"].tolist() == ["public", "public", "no parcel"]


def test_lengths_along_a_conduit_are_those_in_each_class_overlaps_once_and_the_rest_without_a_parcel():
    parcels, _ = parcels_of(
        layer(
            ("p1", "Farm", shapely.box(0, 0, 30, 10)),
            # It overlaps the first by 10 m.
            ("p2", "Farm", shapely.box(20, 0, 50, 10)),
            ("p3", "State", shapely.box(50, 0, 70, 10)),
            ("p4", "State", shapely.box(69.5, 0, 70, 10)),
        ),
        source(State="public", Farm="private"),
    )
    lines = np.array(
        [shapely.LineString([(-5, 5), (100, 5)]), shapely.LineString([(200, 0), (200, 9)])], dtype=object
    )

    along = land_along_lines(lines, parcels)

    # A piece of half a metre is no parcel of its own.
    assert along.to_numpy().tolist() == [
        [0, "private", 2, 50.0],
        [0, "no parcel", 0, 35.0],
        [0, "public", 1, 20.0],
        [1, "no parcel", 0, 9.0],
    ]


@pytest.mark.parametrize(("owners", "classes"), [(("State",), 1), (("State", "Farm"), 2)])
def test_each_of_several_conduits_has_its_own_lengths_however_many_classes_there_are(owners, classes):
    frame = layer(
        *[(owner, owner, shapely.box(0, 10 * row, 20, 10 * row + 8)) for row, owner in enumerate(owners)]
    )
    parcels, _ = parcels_of(frame, source(State="public", Farm="private"))
    # Each goes up through all of them, past 2 m of no parcel between; the last two are in none and in the first.
    lines = [shapely.LineString([(x, 1), (x, 10 * classes - 2)]) for x in (5, 10, 15)]
    lines += [shapely.LineString([(30, 0), (30, 3)]), shapely.LineString([(0, 4), (9, 4)])]

    along = land_along_lines(np.array(lines, dtype=object), parcels)

    of_one = [["private", 8.0], ["public", 7.0], ["no parcel", 2.0]] if classes == 2 else [["public", 7.0]]
    expected = [[line, *each] for line in range(3) for each in of_one]
    expected += [[3, "no parcel", 3.0], [4, "public", 9.0]]
    assert along[["site", "owner_class", "length_m"]].to_numpy().tolist() == expected
    assert along.index.tolist() == list(range(len(expected)))


@pytest.mark.parametrize(
    ("width_m", "in_parcel", "bare"),
    [(1.0, ["public"], ["no parcel"]), (0.75, [], ["no parcel"]), (9.0, ["public"], ["no parcel"])]
    + [(9.25, ["public"], []), (10.0, ["public"], [])],
)
def test_a_metre_of_a_conduit_in_a_parcel_or_in_none_counts_and_less_does_not(width_m, in_parcel, bare):
    parcels, _ = parcels_of(layer(("p1", "State", shapely.box(0, -1, width_m, 1))), source())

    along = land_along_lines(np.array([shapely.LineString([(0, 0), (10, 0)])], dtype=object), parcels)

    assert sorted(along["owner_class"]) == sorted(in_parcel + bare)


@pytest.mark.parametrize("seed", range(5))
def test_lengths_along_lines_are_those_of_the_cut_lines(seed):
    rng = np.random.default_rng([seed, 61])
    boxes = [
        shapely.box(x, y, x + w, y + h)
        for x, y, w, h in np.column_stack([rng.uniform(0, 80, (30, 2)), rng.uniform(5, 30, (30, 2))])
    ]
    owners = rng.choice(["State", "Farm", "Unknown"], 30)
    frame = layer(
        *[(f"p{number}", owner, box) for number, (owner, box) in enumerate(zip(owners, boxes, strict=True))]
    )
    parcels, _ = parcels_of(frame, source(State="public", Farm="private"))
    line = shapely.LineString(rng.uniform(0, 100, (6, 2)))

    along = land_along_lines(np.array([line], dtype=object), parcels).set_index("owner_class")

    for kind in ("public", "private", "not stated"):
        ground = shapely.union_all(parcels.geometry.to_numpy()[parcels["owner_class"] == kind])
        # Pieces shorter than a metre are left out.
        assert along["length_m"].get(kind, 0.0) == pytest.approx(line.intersection(ground).length, abs=8.0)
    bare_m = line.difference(shapely.union_all(parcels.geometry.to_numpy())).length
    assert along["length_m"].get("no parcel", 0.0) == pytest.approx(bare_m, abs=8.0)


def test_settings_of_parcels_name_no_owner_in_what_is_published():
    settings = [
        ("inputs.parcels.owner_column", "owner"),
        (f"inputs.parcels.owner_classes.{NAME}", "private"),
        ("inputs.parcels.owner_classes.State", "public"),
    ]

    published = published_settings(iter(settings), [])

    assert NAME not in str(published)
    assert published[0] == ("inputs.parcels.owner_column", "owner")
    assert published[-1] == (
        "inputs.parcels.owner_classes",
        "private, public (the layer's words are not published)",
    )
    overrides = [("--set", f'inputs.parcels.owner_classes.{NAME}="private"')]
    overrides += [("--set", f'inputs.parcels.owner_classes={{ "{NAME}" = "private" }}')]
    assert NAME not in str(published_overrides(overrides, []))


def test_a_column_of_names_and_classes_that_are_none_are_refused():
    given = {"path": "parcels.gpkg", "owner_column": "owner"}
    with pytest.raises(ValidationError, match="parcels take no name_column"):
        ParcelSource(**given, owner_classes={"State": "public"}, name_column="owner")
    with pytest.raises(ValidationError, match="2 words have no class"):
        ParcelSource(**given, owner_classes={"State": " ", NAME: "a; b"})
    with pytest.raises(ValidationError):
        ParcelSource(**given, owner_classes={})
