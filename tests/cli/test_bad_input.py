"""What the command says of each bad input: where, expected, found, fix; status 2, and nothing written."""

import pytest

NO_CRS = """\
the dem layer has no coordinate system
  file:      dem.tif
  expected:  a coordinate system in the file, or crs = … beside its path in the settings
  found:     none
  fix:       state crs in the settings if you know it; sitefinder does not guess
"""

EMPTY_STREAMS = """\
the streams layer is empty
  file:      streams.gpkg, layer "streams"
  expected:  at least one feature
  found:     no features
  fix:       name another layer; for a rule that may be without features, set may_be_empty = true
"""

NO_SOURCE = """\
equations.toml: 3 problems
  equations[1].source: missing
  equations[2].source: missing
  equations[3].source: missing
  fix:  correct these keys in the file
"""


@pytest.fixture
def refused(region, command):
    """A function that runs the command on the spoilt region and gives its message, after the promises of every
    refusal are held: status 2, nothing on standard output, no traceback, and not one file more or less."""

    def run(*, verb="run"):
        before = region.contents()
        arguments = [verb, "--quiet", "settings.toml"] if verb == "run" else [verb, "settings.toml"]

        outcome = command(*arguments)

        assert (outcome.status, outcome.out) == (2, "")
        assert "Traceback" not in outcome.err
        assert region.contents() == before
        return outcome.err

    return run


def test_a_dem_without_coordinate_system_is_refused(region, refused):
    region.write_dem(crs=None)

    assert refused() == NO_CRS


def test_streams_in_another_place_are_refused_with_both_places(region, refused):
    region.write_streams(moved_m=100_000.0)

    # The DEM is 800 m wide and 1200 m high; the stream stands in its middle, 50 m within both ends.
    assert refused() == (
        "the streams layer is not in this region\n"
        '  file:      streams.gpkg, layer "streams"\n'
        "  expected:  features between 500000, 4998800 and 500800, 5000000\n"
        "  found:     features between 600400, 4998850 and 600400, 4999950, from EPSG:32633\n"
        "  fix:       check the layer's coordinate system, or name the layer of this region\n"
    )


def test_a_misspelt_setting_is_refused_with_the_nearest_real_name(region, refused):
    region.write_settings(("station_spacing_m", "station_spacign_m"))

    assert refused() == (
        "settings.toml: 1 problem\n"
        "  network.station_spacign_m: no such setting; did you mean station_spacing_m?\n"
        "  fix:  correct these keys in the file\n"
    )


def test_a_negative_spacing_is_refused_with_the_limit_and_what_was_found(region, refused):
    region.write_settings(("station_spacing_m = 100.0", "station_spacing_m = -100.0"))

    assert refused() == (
        "settings.toml: 1 problem\n"
        "  network.station_spacing_m: input should be greater than 0 (found -100.0)\n"
        "  fix:  correct these keys in the file\n"
    )


def test_equations_without_a_source_are_refused(region, refused):
    region.write_equations(('source = "invented for this test"\n', ""))

    assert refused() == NO_SOURCE


def test_an_empty_stream_layer_is_refused(region, refused):
    region.write_streams(count=0)

    assert refused() == EMPTY_STREAMS


def test_a_dem_of_only_nodata_is_refused(region, refused):
    region.write_dem(elevation_m=-9999.0)

    assert refused() == (
        "the dem raster has no data\n"
        "  file:      dem.tif\n"
        "  expected:  cells with data\n"
        "  found:     only cells without, in all places that were looked at (nodata value -9999)\n"
        "  fix:       check the file, and the nodata value that is stated for it\n"
    )


def test_a_file_in_place_of_the_output_folder_is_refused(region, refused):
    (region.folder / "out").write_text("in the way")

    assert refused() == (
        "the output folder cannot be made\n"
        "  folder:    out\n"
        "  expected:  a folder, or a name that is still free\n"
        "  found:     out is not a folder\n"
        "  fix:       change run.output_folder, or move that file\n"
    )


def test_an_output_folder_below_a_file_is_refused(region, refused):
    (region.folder / "notes.txt").write_text("in the way")
    region.write_settings(('"out"', '"notes.txt/deeper/out"'))

    assert refused() == (
        "the output folder cannot be made\n"
        "  folder:    notes.txt/deeper/out\n"
        "  expected:  a folder, or a name that is still free\n"
        f"  found:     {region.folder / 'notes.txt'} is not a folder\n"
        "  fix:       change run.output_folder, or move that file\n"
    )


@pytest.mark.parametrize("verb", ["run", "check"])
def test_several_bad_inputs_are_reported_together_and_each_as_if_alone(region, refused, verb):
    region.write_dem(crs=None)
    region.write_streams(count=0)
    region.write_equations(('source = "invented for this test"\n', ""))

    inner = "".join("  " + line for line in (NO_CRS + EMPTY_STREAMS + NO_SOURCE).splitlines(keepends=True))
    assert refused(verb=verb) == "settings and inputs: 3 problems\n" + inner


def test_several_wrong_settings_are_reported_together(region, refused):
    region.write_settings(
        ("station_spacing_m = 100.0", "station_spacign_m = 100.0\nreach_length_m = 0"),
        ("price_per_kwh = 0.3\n", ""),
    )

    assert refused() == (
        "settings.toml: 3 problems\n"
        "  costs.price_per_kwh: missing\n"
        "  network.reach_length_m: input should be greater than 0 (found 0)\n"
        "  network.station_spacign_m: no such setting; did you mean station_spacing_m?\n"
        "  fix:  correct these keys in the file\n"
    )


def test_a_settings_file_that_is_not_there_is_refused(region, refused):
    (region.folder / "settings.toml").unlink()

    assert refused() == "there is no such settings file\n  file:  settings.toml\n  fix:   check the path\n"


def test_a_raster_that_is_not_there_is_refused(region, refused):
    (region.folder / "dem.tif").unlink()

    assert refused() == (
        "the dem raster's file does not exist\n"
        "  file:      dem.tif\n"
        "  expected:  a file that GDAL reads, in .\n"
        "  fix:       correct the path, which starts from the settings file's folder\n"
    )


def test_a_stream_file_that_is_not_there_is_refused(region, refused):
    (region.folder / "streams.gpkg").unlink()

    assert refused() == (
        "the streams layer's file does not exist\n"
        "  file:      streams.gpkg\n"
        "  expected:  a file that GDAL reads, in .\n"
        "  found:     no such file\n"
        "  fix:       correct the path, which starts from the settings file's folder\n"
    )


def test_a_settings_file_that_is_not_toml_is_refused_with_the_line(region, refused):
    region.write_settings(("[inputs.streams]", "[inputs.streams"))

    # What is wrong with the line is said in the words of Python's own parser, which differ between its versions.
    lines = refused().splitlines()
    assert lines[:2] == ["the settings file is not TOML", "  file:      settings.toml"]
    assert lines[3].startswith("  found:     ")
    assert "(at line 21, column " in lines[3]


def test_a_run_in_degrees_is_refused(region, refused):
    region.write_settings(('crs = "EPSG:32633"', 'crs = "EPSG:4326"'))

    assert refused() == (
        "run.crs does not measure in metres\n"
        "  expected:  a projected system in metres, for example EPSG:32633\n"
        "  found:     EPSG:4326 (WGS 84), with axes in degree\n"
        "  fix:       choose the projected system of your region; degrees have no length\n"
    )


@pytest.mark.parametrize("verb", ["run", "check"])
def test_equations_that_make_no_duration_curve_are_refused_before_the_terrain_is_touched(region, refused, verb):
    region.write_equations(('"mean"', '"7q10"'))

    assert refused(verb=verb) == (
        "the equations do not make a flow duration curve\n"
        "  expected:  one for the mean flow and at least 2 quantiles (exceedance_NN)\n"
        "  found:     7q10, exceedance_10, exceedance_90\n"
        "  fix:       add equations, or columns flow_mean_m3s and flow_qNN_m3s to the gauge table\n"
    )


@pytest.mark.parametrize("verb", ["check", "run"])
def test_font_files_that_cannot_be_used_are_refused_before_anything_is_run(region, refused, verb):
    region.write_settings(("district_map = false", 'district_map = false\nfont_files = ["absent.ttf", "dem.tif"]'))

    assert refused(verb=verb) == (
        "delivery.font_files: 2 problems\n"
        "  there is no such font file\n"
        "    file:      absent.ttf\n"
        "    expected:  a TrueType or OpenType font (.ttf, .otf, .ttc)\n"
        "    fix:       correct the path, or remove the file from delivery.font_files\n"
        "  the file is not a font\n"
        "    file:      dem.tif\n"
        "    expected:  a TrueType or OpenType font (.ttf, .otf, .ttc)\n"
        "    fix:       correct the path, or remove the file from delivery.font_files\n"
    )
