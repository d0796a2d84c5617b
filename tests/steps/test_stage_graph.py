"""Every stage names a function that takes what it reads, and every layer and file has its stage."""

import subprocess
import sys

import pytest

from sitefinder.delivery.graph import FILE_STAGES, KNOWN, LAYERS_MADE, STAGES, stages_of_files
from sitefinder.pipeline.code import own_code
from sitefinder.pipeline.executors import loaded
from sitefinder.pipeline.graph import check_arguments
from sitefinder.schema import LAYERS


@pytest.mark.parametrize("stage", [*STAGES, *stages_of_files(KNOWN)], ids=lambda stage: stage.name)
def test_the_functions_of_a_stage_are_there_and_take_what_it_reads(stage):
    check_arguments(stage)

    for function in (*stage.functions, stage.content):
        assert function is None or callable(loaded(function))


def test_each_layer_but_that_of_columns_is_made_by_a_stage():
    # What the columns mean is declared, and made of no result.
    assert set(LAYERS_MADE) == set(LAYERS) - {"columns"}
    assert len(LAYERS_MADE) == len(set(LAYERS_MADE))


def test_each_file_is_declared_once_and_depends_on_results_alone():
    names = [stage.name for stage in FILE_STAGES.values()]

    assert len(set(names)) == len(names)
    for stage in FILE_STAGES.values():
        assert "inputs" not in stage.reads
        assert set(stage.depends_on.get("made", ())) <= {each.name for each in STAGES}


def test_code_that_reads_inputs_counts_in_their_digests_and_in_no_key_of_a_stage():
    readers = {"sitefinder/steps/inputs.py", "sitefinder/steps/readers.py"}

    assert readers <= own_code().reached_from("sitefinder.steps.inputs")
    for stage in STAGES:
        assert not readers & own_code().files_of(stage.functions).keys(), stage.name


def test_stages_are_declared_without_the_libraries_that_their_functions_need():
    heavy = "{'numpy', 'numba', 'geopandas', 'rasterio', 'matplotlib', 'scipy', 'bokeh'}"
    found = f"import sys, sitefinder.delivery.graph; print(*{heavy} & set(sys.modules))"

    found_there = subprocess.run([sys.executable, "-c", found], capture_output=True, text=True, check=True).stdout

    assert found_there.split() == []


@pytest.mark.parametrize(
    ("module", "made_by_it"),
    [
        # Contours are drawn for the maps of the sheets, by the package that draws them.
        ("sitefinder/report/sheets/field_sheets.py", {"field_sheets", "district_map", "site_contours"}),
        ("sitefinder/report/page/__init__.py", {"page"}),
        ("sitefinder/delivery/geopackage.py", {"geopackage"}),
        ("sitefinder/report/summary.py", {"summary", "figures"}),
    ],
)
def test_code_of_one_kind_of_file_is_part_of_the_keys_of_those_files_alone(module, made_by_it):
    code, stages = own_code(), [*STAGES, *stages_of_files(KNOWN)]

    assert {stage.name for stage in stages if module in code.files_of(stage.functions)} == made_by_it
