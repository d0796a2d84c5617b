"""A stage sees what it declares and nothing else, and its key depends on exactly that."""

import re

import pytest
from pydantic import BaseModel

from sitefinder.delivery.graph import STAGES
from sitefinder.pipeline.graph import WHOLE
from sitefinder.preparation import read_run
from sitefinder.settings import check_settings
from sitefinder.steps.scope import InputsParts, NotDeclared, SettingsParts, rules_of


@pytest.fixture(scope="module")
def sample(copy_sample, tmp_path_factory):
    """Settings and inputs of the sample region."""
    return read_run(copy_sample(tmp_path_factory.mktemp("scope")))


def changed(settings, **sections):
    """Settings with single values changed, as ``section={"name": value}``."""
    tables = settings.model_dump(exclude_unset=True)
    for section, values in sections.items():
        tables[section] = tables.get(section, {}) | values
    return check_settings(tables, "changed")


def test_a_stage_sees_what_it_declares(sample):
    scoped = SettingsParts(sample[0]).scoped(("heads", "run.crs", "inputs.dem.vertical_unit", "rules"))

    assert (scoped.heads.quantile, scoped.run.crs) == (0.4, "EPSG:32633")
    assert scoped.inputs.dem.metres_per_unit == 1.0  # a property that reads the unit alone
    assert scoped.rules[0].name == "strict reserve"


@pytest.mark.parametrize(
    ("look", "key"),
    [
        (lambda scoped: scoped.run.seed, "run.seed"),
        (lambda scoped: scoped.flows, "flows"),
        (lambda scoped: scoped.inputs.dem.error_rmse_m, "inputs.dem.error_rmse_m"),
        (lambda scoped: scoped.inputs.streams, "inputs.streams"),
        (lambda scoped: scoped.inputs.dem.licence, "inputs.dem.licence"),
        (lambda scoped: scoped.rules[0].source, "rules.source"),
        (lambda scoped: scoped.costs.file, "costs.file"),
    ],
)
def test_a_stage_that_looks_at_more_is_our_fault(sample, look, key):
    scoped = SettingsParts(sample[0]).scoped(("heads", "run.crs", "inputs.dem.vertical_unit", "rules", "costs"))

    with pytest.raises(NotDeclared, match=re.escape(f"setting {key}: name it")):
        look(scoped)


def test_a_stage_may_depend_on_single_settings_of_the_items_of_a_list(sample):
    parts = SettingsParts(sample[0])
    own = "fish.groups.lengths_m", "fish.groups.name"

    scoped, facts = parts.scoped(own), parts.facts(own)

    assert scoped.fish.groups[0].lengths_m == [0.45, 0.65]
    with pytest.raises(NotDeclared, match=re.escape("setting fish.groups.months: name it")):
        scoped.fish.groups[0].months  # noqa: B018
    assert facts["setting fish.groups.sea trout.lengths_m"] == "[0.45, 0.65]"
    assert {name.rpartition(".")[2] for name in facts if ".groups.eel." in name} == {"name", "lengths_m"}


def test_inputs_are_scoped_by_part_and_by_layer(sample):
    scoped = InputsParts(sample[1]).scoped(("dem", "layers.lakes", "layers.karst"))

    assert scoped.dem.shape == sample[1].dem.shape
    assert scoped.layers["lakes"].frame is sample[1].layers["lakes"].frame
    assert "karst" not in scoped.layers
    for look in (lambda: scoped.turbines, lambda: scoped.layers["roads"], lambda: "roads" in scoped.layers):
        with pytest.raises(NotDeclared, match="name it in the depends_on of this stage"):
            look()
    with pytest.raises(NotDeclared, match="all layers at once"):
        list(scoped.layers)


def test_no_stage_depends_on_paths_workers_tiles_or_what_is_only_reported(sample):
    settings, inputs = sample
    other = settings.model_dump(exclude_unset=True)
    other["run"] |= {"name": "Other", "output_folder": "elsewhere", "workers": 7}
    other["terrain"] |= {"tile_rows": 100, "tile_columns": 90, "margin_cells": 8}
    for source in (other["inputs"]["dem"], other["inputs"]["streams"], other["rules"][0]):
        source |= {"path": "moved.tif", "source": "another office", "date": "1999", "licence": "other"}
    other["energy"]["turbines"], other["costs"]["file"] = ["moved.toml"], "moved.toml"
    dem = inputs.dem._replace(path="/elsewhere/dem.tif", lineage=inputs.dem.lineage | {"path": "moved.tif"})

    # Provenance states all of it, and is kept under all of it.
    whole = [stage.name for stage in STAGES if WHOLE in stage.depends_on.get("settings", ())]
    assert whole == ["provenance_table"]
    assert SettingsParts(settings).facts((WHOLE,)) != SettingsParts(check_settings(other, "other")).facts((WHOLE,))
    for stage in STAGES:
        if stage.name in whole:
            continue
        parts = stage.depends_on.get("settings", ())
        assert SettingsParts(settings).facts(parts) == SettingsParts(check_settings(other, "other")).facts(parts)
    assert InputsParts(inputs).facts(("dem",)) == InputsParts(inputs._replace(dem=dem)).facts(("dem",))


def test_every_setting_that_may_change_results_is_declared_by_a_stage_or_reported_by_the_delivery(sample):
    scoped = set().union(*(stage.depends_on.get("settings", ()) for stage in STAGES))
    # Of the delivery: draws, ranks, coordinates, what is listed. It is made in every run, so no key is needed.
    delivered = {"uncertainty", "ranking", "fish", "run.name", "run.output_folder", "fit", "districts", "delivery"}
    # Of a public edition, which is a run of its own.
    delivered |= {"publication"}
    kept = {"run.store_folder", "run.store_limit_gb", "run.memory_limit_gb", "run.workers", "run.part_stations"}
    # Costs are read in the money of their year; the input holds them so.
    files = {"energy.turbines", "costs.file", "costs.price_year", "flows.equations", "flows.environmental"}
    files |= {"flows.regime", "flows.change"}

    def leaves(section, key=""):
        for name in type(section).model_fields:
            own, value = f"{key}{name}", getattr(section, name)
            if isinstance(value, BaseModel) and name != "inputs":
                yield from leaves(value, f"{own}.")
            elif name != "inputs":
                yield own

    def is_in(key, parts):
        return any(f"{key}.".startswith(f"{part}.") or part.startswith(f"{key}.") for part in parts)

    unseen = [key for key in leaves(sample[0]) if not is_in(key, scoped | delivered | kept | files)]

    assert unseen == []


@pytest.mark.parametrize(
    ("section", "values", "redone"),
    [
        ("heads", {"transect_half_width_m": 30.0}, "channels"),
        ("terrain", {"sink_depth_m": 2.0}, "terrain"),
        ("stretches", {"min_head_m": 0.7}, "found_candidates"),
        ("costs", {"price_per_kwh": 0.3}, "selection_luck"),
        ("ranking", {"allow": ["unresolved"]}, "rule_verdicts"),
        ("costs", {"max_lcoe_per_kwh": 0.5}, "sites"),
        ("network", {"reach_length_m": 400.0}, "stationing"),
    ],
)
def test_the_first_stage_that_a_setting_redoes(sample, section, values, redone):
    old, new = (SettingsParts(settings) for settings in (sample[0], changed(sample[0], **{section: values})))

    differ = [
        stage.name
        for stage in STAGES
        if old.facts(stage.depends_on.get("settings", ())) != new.facts(stage.depends_on.get("settings", ()))
    ]

    assert differ[0] == redone


def test_a_layer_counts_by_its_content(sample):
    inputs = sample[1]
    lakes = inputs.layers["lakes"]
    moved = lakes._replace(frame=lakes.frame.set_geometry(lakes.frame.translate(1e-6)))
    renamed = lakes._replace(frame=lakes.frame.assign(name="another"))
    same = lakes._replace(frame=lakes.frame.copy(), lineage={"path": "elsewhere"})

    def digest(read):
        return InputsParts(inputs._replace(layers=inputs.layers | {"lakes": read})).facts(("layers.lakes",))

    assert digest(same) == digest(lakes)
    assert digest(moved) != digest(lakes)
    assert digest(renamed) != digest(lakes)
    assert InputsParts(inputs).facts(("layers.karst",)) == {"input karst": "none"}


def test_each_rule_counts_by_itself(sample):
    settings, inputs = sample
    given = {"settings": settings, "inputs": inputs}
    other = settings.model_copy(
        update={"rules": [settings.rules[0].model_copy(update={"buffer_m": 9.0}), *settings.rules[1:]]}
    )

    old, new = (
        {name: part.facts(()) for name, part in rules_of(given | {"settings": each}).items()}
        for each in (settings, other)
    )

    assert [name for name in old if old[name] != new[name]] == ["strict reserve"]
