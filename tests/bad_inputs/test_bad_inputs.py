"""Each bad input: its whole message, status 2, nothing printed or written; and what the message says mends it."""

import copy
import os
import tomllib
from typing import Literal, NamedTuple, get_args, get_origin

import pytest
from approved import approved, refused
from cases import CASES
from region import SETTINGS, Region

from sitefinder.errors import ConfigError
from sitefinder.io.digests import Memory, remembering
from sitefinder.settings import Settings, check_settings
from sitefinder.settings.section import Section

MESSAGES = approved()
# The collection grows; it never shrinks.
MIN_CASES = 420


# Those of files take a fifth of a second each, so that the tests try every fourth of them, and all where this
# variable of the environment is set (`tests/README.md`).
ALL_CASES = "SITEFINDER_ALL_BAD_INPUTS"


class Sound(NamedTuple):
    """The sound region, which the command accepts; names and bytes of its files, and what is known of them."""

    region: Region
    contents: dict
    memory: Memory


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sound")
    region, memory = Region(folder), Memory()
    with remembering(memory):
        status, _, message = refused(["check", str(folder / "settings.toml")])
    assert (status, message) == (0, "")
    return Sound(region, region.contents(), memory)


@pytest.fixture
def region(sound, monkeypatch):
    """The sound region, to be spoilt; its files are those of all cases, and put back after each.

    As in a run that follows another, a file that is still the same is not read once more, unless all cases are
    tried: a case is about what it spoils, and all that depends on it.
    """
    monkeypatch.chdir(sound.region.folder)
    with remembering(None if os.environ.get(ALL_CASES) else sound.memory):
        yield sound.region
    sound.region.put_back(sound.contents)
    assert sound.region.contents() == sound.contents


FILE_CASES = [case for case in CASES if not case.name.startswith("settings ")]
# Tables whose readers have tests of their own for every cell, in io/.
OF_VISITS = [case for case in FILE_CASES if case.name.startswith(("decisions ", "observations ", "gaugings "))]
# Always tried: layers of another geometry, which no other test refuses.
OF_GEOMETRY = {"streams points", "streams polygons", "structures as lines", "lakes as points"}
OTHERS = [case for case in FILE_CASES if case not in OF_VISITS]
SOME = [*OTHERS[::4], *OF_VISITS[::10]]
SOME += [case for case in OTHERS if case.name in OF_GEOMETRY and case not in SOME]
TRIED = CASES if os.environ.get(ALL_CASES) else [case for case in CASES if case not in FILE_CASES] + SOME


@pytest.mark.parametrize("case", TRIED, ids=lambda case: case.name)
def test_a_bad_input_is_refused_in_whole_and_mended_by_what_the_message_says(case, region, sound):
    case.spoil(region)
    before = region.contents()

    status, out, message = refused(["check", "settings.toml"])

    assert (status, out) == (2, "")
    assert message.replace(str(region.folder), "FOLDER").rstrip("\n") == MESSAGES[case.name]
    assert "fix:" in message
    assert region.contents() == before

    case.mend(region)

    # What has the bytes of the sound region again needs no second look.
    assert region.contents() == sound.contents or refused(["check", "settings.toml"])[0] == 0


def test_the_collection_is_large_and_each_case_has_one_message():
    assert len(CASES) >= MIN_CASES
    assert list(MESSAGES) == [case.name for case in CASES]


# Numbers of all sections that have a sound value without being stated, or are stated in the region's settings.
def _numbers(section, values, place):
    for name, field in section.model_fields.items():
        inner, annotation = values.get(name), field.annotation
        if isinstance(annotation, type) and issubclass(annotation, Section):
            if inner is not None or field.default is not None:
                yield from _numbers(annotation, inner or {}, [*place, name])
        elif _is_number(annotation):
            yield [*place, name]


def _is_number(annotation):
    if get_origin(annotation) is Literal or get_origin(annotation) in (list, dict):
        return False
    kinds = get_args(annotation) or (annotation,)
    return all(kind in (int, float, type(None)) for kind in kinds)


SOUND = tomllib.loads(SETTINGS)
NUMBERS = list(_numbers(Settings, SOUND, []))


@pytest.mark.parametrize("place", NUMBERS, ids=".".join)
def test_what_is_no_finite_number_is_refused_for_every_number_of_the_settings(place):
    spoilt = {
        "text": ("7", "expected a number, without quotation marks (found '7')"),
        "true": (True, "expected a number (found true, which is none)"),
        "infinite": (float("inf"), "expected a finite number (found inf)"),
        "nan": (float("nan"), "expected a finite number (found nan)"),
    }
    for value, expected in spoilt.values():
        section = mapping = copy.deepcopy(SOUND)
        for part in place[:-1]:
            section = section.setdefault(part, {})
        section[place[-1]] = value

        with pytest.raises(ConfigError) as caught:
            check_settings(mapping, "settings.toml")

        assert f"\n  {'.'.join(place)}: {expected}\n" in str(caught.value)


def test_most_settings_that_are_numbers_are_tried():
    assert len(NUMBERS) > 120
