"""Made and spoilt inputs: nothing comes of them but a refusal; a slice of `tests/tools/fuzz.py`."""

import json

import fuzz
import pytest

from sitefinder.errors import InputError

# So many cases of each kind; the command itself tries thousands.
CASES = 30


@pytest.mark.parametrize("target", fuzz.TARGETS, ids=[target.name for target in fuzz.TARGETS])
def test_made_and_spoilt_inputs_are_read_or_refused(target, quick_folder):
    refused = []

    fuzz.make(target, quick_folder, CASES, 1, refused.append)

    assert len(refused) >= CASES
    assert any(refused)


@pytest.mark.parametrize("target", fuzz.TARGETS, ids=[target.name for target in fuzz.TARGETS])
def test_what_cases_are_made_from_is_sound(target, quick_folder):
    assert [fuzz.tried(target, data, quick_folder) for data in target.seeds()].count(True) <= 1


def test_another_exception_and_a_warning_are_found(quick_folder):
    def fails_on_a_semicolon(data, folder):
        if b";" in data:
            raise KeyError("semicolon")

    target = fuzz.TARGETS[0]._replace(read=fails_on_a_semicolon, seeds=lambda: [b"a;b"], words=(";",))
    with pytest.raises(KeyError, match="semicolon"):
        fuzz.make(target, quick_folder, 200, 1)


# Found by the guided search.


def test_a_line_of_one_vertex_is_refused_with_what_a_line_needs(quick_folder):
    shape = {"type": "LineString", "coordinates": [[500_000.0, 5_000_000.0]]}
    feature = {"type": "Feature", "properties": {"id": "a"}, "geometry": shape}
    case = b"\0" + json.dumps({"type": "FeatureCollection", "features": [feature]}).encode()

    with pytest.raises(InputError, match="expected:  lines of two vertices or more"):
        fuzz.TARGETS[-1].read(case, quick_folder)


@pytest.mark.parametrize("north", [1e10, 1.4e154, 1e300])
def test_a_place_beyond_the_earth_is_dropped_and_a_layer_of_such_places_refused(quick_folder, north):
    ring = [[500_000.0, 5_000_000.0], [500_000.0, north], [500_001.0, 5_000_000.0], [500_000.0, 5_000_000.0]]
    shape = {"type": "Polygon", "coordinates": [ring]}
    feature = {"type": "Feature", "properties": {"id": "a"}, "geometry": shape}
    crs = {"type": "name", "properties": {"name": fuzz.CRS}}
    case = b"\1" + json.dumps({"type": "FeatureCollection", "crs": crs, "features": [feature]}).encode()

    with pytest.raises(InputError, match="1 × coordinates greater than the earth has"):
        fuzz.TARGETS[-1].read(case, quick_folder)


def test_a_gauge_with_an_area_of_nearly_nothing_is_read_without_a_warning(quick_folder):
    number = 1
    header, row = fuzz.TABLES[number][0].splitlines()
    case = bytes([number]) + f"{header}\n{row.replace(',12.5,', ',5e-324,')}\n".encode()

    assert not fuzz.tried(fuzz.TARGETS[3], case, quick_folder)
