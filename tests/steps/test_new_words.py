"""A new rule action, scheme type and flag, each added in one place, and everything speaks of them."""

import json
import os
import re
import shutil
import subprocess
import sys
from typing import NamedTuple

import geopandas
import pyogrio
import pytest
import shapely
from small_valley import write_valley

from sitefinder.running import run_and_deliver

pytestmark = pytest.mark.slow

# One record each, and the line of the vocabulary before which it goes. A tunnel is a diversion by another name,
# and what forbids tunnels bars all that diverts.
NEW = {
    '    Action(\n        "note",': """    Action(
        "no_tunnel",
        "restricted",
        "no tunnel here",
        "No tunnel may be driven here.",
        "true where no tunnel may be driven",
        BARS_DIVERSIONS,
        "no tunnel may be driven",
    ),
""",
    '    SchemeType(\n        "kinetic",': """    SchemeType(
        "tunnel", "tunnel works", "A tunnel takes water past a depleted reach.", FROM_STREAM, diverts=True
    ),
""",
    '    Flag("tidal"': """    Flag(
        "rockfall", BY_PLACE, "rockfall likely", "Rocks fall into the stretch: see it from afar first."
    ),
""",
}
# The program with a computation that sets the new flag: that of each stretch and reach on the first streams. It
# does the commands that it is given, and ends the output of each with a line of its own.
PROGRAM = """
import functools
import json
import sys

from sitefinder.steps import flags

flag_stations = flags.flag_stations


@functools.wraps(flag_stations)
def with_rockfall(*arguments, **given):
    found = flag_stations(*arguments, **given)
    found.along["rockfall"] = ~found.along["tidal"]
    return found


flags.flag_stations = with_rockfall
from sitefinder.cli import main

for arguments in json.loads(sys.argv[1]):
    sys.argv = ["sitefinder", *arguments]
    try:
        main()
    except SystemExit as ended:
        if ended.code:
            raise
    print("END OF COMMAND")
"""
STEM = """\
[[rules]]
name = "migration stem"
path = "stem.gpkg"
id_column = "migration_id"
action = "fish_safe_only"
"""
RUN = """\
extends = "run.toml"
rules_left_out = ["migration stem"]

[run]
output_folder = "out-words"

[stretches]
scheme_types = ["tunnel"]

[energy]
turbines = ["tunnels.toml"]

[delivery]
page = true
field_sheets = 2

[[rules_added]]
name = "migration stem"
path = "stem.gpkg"
id_column = "migration_id"
action = "no_tunnel"
# As far as the drop above, where the site of the first valley is.
effect = "upstream"
effect_distance_m = 6000.0
"""


class Outcome(NamedTuple):
    """A run of a program with three words more: its folder, what it and `compare` printed, and reaches before."""

    folder: object
    printed: str
    compared: str
    before: object


@pytest.fixture(scope="module")
def outcome(repository, made_once):
    return made_once("words", lambda folder: ran_with_new_words(folder, repository))


def ran_with_new_words(folder, repository):
    # With the compiled kernels, which go by the time of a file's change.
    shutil.copytree(repository / "sitefinder", folder / "program" / "sitefinder")
    vocabulary = folder / "program" / "sitefinder" / "vocabulary.py"
    text = vocabulary.read_text(encoding="utf-8")
    for before, record in NEW.items():
        assert text.count(before) == 1
        text = text.replace(before, record + before)
    vocabulary.write_text(text, encoding="utf-8")
    (folder / "program" / "main.py").write_text(PROGRAM, encoding="utf-8")
    settings = write_two_valleys(folder)
    first = run_and_deliver(settings)
    turbines = (folder / "turbine.toml").read_text(encoding="utf-8")
    (folder / "tunnels.toml").write_text(turbines.replace('"diversion"', '"tunnel"'), encoding="utf-8")
    (folder / "words.toml").write_text(RUN, encoding="utf-8")

    commands = ["run", "--no-store", "words.toml"], ["compare", str(first.path), "out-words/sites.gpkg"]
    ended = subprocess.run(
        [sys.executable, str(folder / "program" / "main.py"), json.dumps(commands)],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder / "program")},
        capture_output=True,
        text=True,
    )
    assert ended.returncode == 0, ended.stderr
    summary, compared, rest = ended.stdout.split("END OF COMMAND\n")
    assert rest == ""
    return Outcome(folder / "out-words", summary, compared, first.tables["reaches"])


# Two small valleys with a site each. Below that of the first lies what fish migrate along.
def write_two_valleys(folder):
    settings = write_valley(folder, valleys=2)
    stem = shapely.box(500_450.0, 4_999_900.0, 500_550.0, 5_000_000.0)
    frame = geopandas.GeoDataFrame({"migration_id": ["M1"]}, geometry=[stem], crs="EPSG:32633")
    pyogrio.write_dataframe(frame, folder / "stem.gpkg", layer="stem")
    text = settings.read_text(encoding="utf-8")
    (rule,) = re.findall(r"\[\[rules\]\]\n(?:.+\n)*", text)
    text = text.replace(rule, STEM)
    # Reaches so short that the rule holds in some alone.
    assert text.count("reach_length_m = 600.0") == 1
    settings.write_text(text.replace("reach_length_m = 600.0", "reach_length_m = 100.0"), encoding="utf-8")
    return settings


def layer_of(outcome, name):
    return pyogrio.read_dataframe(outcome.folder / "sites.gpkg", layer=name, read_geometry=False)


def test_a_new_action_has_its_mark_and_verdict_and_bars_what_it_declares(outcome):
    reaches, sites = layer_of(outcome, "reaches"), layer_of(outcome, "sites")
    before = outcome.before

    # The rule holds where it held with the action that it had, and upstream from there.
    held = before["mark_fish_safe_only"].to_numpy()
    assert held.any()
    assert reaches.loc[held, "mark_no_tunnel"].all()
    assert not reaches["mark_fish_safe_only"].any()
    assert (reaches["verdict"] == before["verdict"].to_numpy())[held].all()
    beyond = reaches[reaches["mark_no_tunnel"].to_numpy() & ~held]
    assert set(beyond["verdict"]) <= {"restricted", "excluded"}
    assert reaches["mark_no_tunnel"].any()
    assert not sites["mark_no_tunnel"].any()
    assert "excluded by rules" in set(reaches.loc[reaches["mark_no_tunnel"], "rejection_reason"])


def test_a_new_scheme_type_is_accepted_by_settings_and_turbines_and_makes_sites(outcome):
    sites = layer_of(outcome, "sites")

    assert len(sites) > 0
    assert set(sites["scheme_type"]) == {"tunnel"}
    assert (sites["conduit_length_m"] > 0).all()


def test_a_new_flag_is_listed_among_the_others(outcome):
    flags = layer_of(outcome, "sites")["flags"]

    # The intake of a site may stand at a weir, which is a flag as well.
    assert len(flags)
    assert all("rockfall" in own.split("; ") for own in flags)


def test_the_summary_names_all_three(outcome):
    lines = outcome.printed.split("\n")

    assert any("migration stem (no tunnel here)" in line for line in lines)
    assert any(" tunnel works " in line for line in lines)
    flags = re.search(r"^Data-quality flags of the sites: (?:.+\n)+", outcome.printed, flags=re.M)[0]
    assert f"rockfall likely ({len(layer_of(outcome, 'sites'))})" in " ".join(flags.split())


def test_the_geopackage_explains_all_three(outcome):
    columns = pyogrio.read_dataframe(outcome.folder / "sites.gpkg", layer="columns").set_index(["layer", "column"])
    allowed = pyogrio.read_dataframe(
        outcome.folder / "sites.gpkg", sql="SELECT * FROM gpkg_data_column_constraints", sql_dialect="SQLITE"
    )

    assert columns.loc[("sites", "mark_no_tunnel"), "meaning"] == "true where no tunnel may be driven"
    assert "rockfall" in columns.loc[("sites", "flags"), "meaning"]
    assert "tunnel" in columns.loc[("sites", "scheme_type"), "meaning"]
    assert {"no_tunnel", "tunnel"} <= set(allowed["value"])


def test_compare_names_all_three(outcome):
    text = " ".join(outcome.compared.split())

    assert "rule migration stem: action fish_safe_only → no_tunnel" in text
    assert "setting stretches.scheme_types" in text
    # The site on the stem is gone by that rule, and the other goes by the name of its new scheme type.
    assert "by migration stem (" in text
    assert "Sites: newly excluded" in text
    assert "/tunnel" in text
    reaches = len(layer_of(outcome, "reaches"))
    assert f"Data-quality flags: rockfall likely set on {reaches} reaches." in text


@pytest.mark.parametrize("part", ["page", "sheets"])
def test_page_and_sheets_name_all_three(outcome, part):
    if part == "page":
        text = (outcome.folder / "report.html").read_text(encoding="utf-8")
    else:
        paper = ["pdftotext", str(outcome.folder / "field-sheets.pdf"), "-"]
        text = subprocess.run(paper, capture_output=True, text=True, check=True).stdout
    text = " ".join(text.split())

    assert "tunnel works" in text
    assert "Rocks fall into the stretch: see it from afar first." in text
    assert part == "sheets" or "no tunnel here" in text
