"""The small valley with two secret layers, and credits for all others: for tests of public editions."""

import re

import geopandas
import shapely
import small_valley

CRS = small_valley.CRS
CREDITS = 'licence = "CC0-1.0"\nattribution = "none"\nredistribute = true\n'
SECRETS = """
[[rules]]
name = "osprey nests"
path = "secret-place/eyries_2031.gpkg"
id_column = "ring"
where = "pairs > 0"
buffer_m = 25.0
action = "exclude"
source = "Bird trust"
licence = "by agreement"
attribution = "Bird trust, 2031"
publish = "generalised"

[rules.covered_by]
path = "secret-place/survey_extent.gpkg"
licence = "by agreement"
attribution = "Bird trust, 2031"

[[rules]]
name = "stone crayfish refuge"
path = "secret-place/astacus_survey.gpkg"
id_column = "tag"
where = "kind = 'Austropotamobius'"
buffer_m = 7.0
action = "fish_safe_only"
source = "Diver Quimby"
licence = "by agreement"
attribution = "Diver Quimby"
publish = "hidden"
"""
PUBLICATION = """
[publication]
licence = "CC-BY-4.0"
cell_m = 200.0
"""
# Places of the nest and of the refuge, x and y: the first, and others in their cells of 200 m, by which nothing of
# the program was tuned.
FIRST = ((500_113.37, 4_999_947.61), (500_361.83, 4_999_941.27))
MOVED = (
    ((500_041.58, 4_999_939.73), (500_249.29, 4_999_953.86)),
    ((500_177.94, 4_999_897.19), (500_203.46, 4_999_987.62)),
)
ALL_FILES = "page field_sheets district_map gpx csv field_form gis_project"


def write_secrets(folder, places, *, rings=("RING-88417", "RING-90233"), pairs=(2, None)):
    """The secret layers: a nest that counts, one of unknown pairs, where nests were sought, and a refuge."""
    (folder / "secret-place").mkdir(exist_ok=True)
    nest, refuge = places
    frames = {
        "eyries_2031": geopandas.GeoDataFrame(
            {"ring": list(rings), "pairs": list(pairs), "keeper": "Quimby"},
            geometry=shapely.points([nest, (nest[0] - 5.0, nest[1] + 2.0)]),
            crs=CRS,
        ),
        "astacus_survey": geopandas.GeoDataFrame(
            {"tag": ["TAG-5521"], "kind": ["Austropotamobius"]}, geometry=shapely.points([refuge]), crs=CRS
        ),
        # The survey went a little beyond two whole cells, and how far depends on the nest.
        "survey_extent": geopandas.GeoDataFrame(
            geometry=[shapely.box(499_991.7, 4_999_790.3, 500_401.3 + nest[0] % 9.0, 5_000_007.1)], crs=CRS
        ),
    }
    for name, frame in frames.items():
        path = folder / "secret-place" / f"{name}.gpkg"
        path.unlink(missing_ok=True)
        frame.to_file(path, driver="GPKG")


def write_secret_valley(folder, places=FIRST, *, files="", more=SECRETS + PUBLICATION):
    """The small valley with credits, reaches of 100 m and the secret layers; gives the path of its settings."""
    path = small_valley.write_valley(folder)
    text = path.read_text(encoding="utf-8")
    text = re.sub(r"(\[(?:inputs\.\w+|\[rules\])\]\n(?:name = .*\n)?path = .*\n)", rf"\1{CREDITS}", text)
    text = text.replace("reach_length_m = 600.0", "reach_length_m = 100.0")
    text = text.replace("[delivery]\n", '[delivery]\ndate = "2031-05-31"\n')
    for name in files.split():
        wanted = "1" if name == "field_sheets" else "true"
        text = re.sub(rf"^{name} = (false|0)$", f"{name} = {wanted}", text, flags=re.MULTILINE)
    path.write_text(text + more, encoding="utf-8")
    if more:
        write_secrets(folder, places)
    return path


def files_in(folder):
    """Bytes of all files of a folder by name."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
