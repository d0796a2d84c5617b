"""Old names of settings, values and columns: each is answered with the one of today."""

import pytest

from sitefinder.catalogue.costs import CostFile
from sitefinder.catalogue.equations import EquationFile
from sitefinder.catalogue.turbines import TurbineFile
from sitefinder.errors import ConfigError
from sitefinder.schema import LAYERS
from sitefinder.settings import EnvironmentalFlowPreset, Settings, checked, renamed
from sitefinder.settings.loading import _model_within

FILES = (Settings, EnvironmentalFlowPreset, TurbineFile, CostFile, EquationFile)


def models():
    """Every model of a settings file or a data file, with those within it."""
    found, waiting = [], list(FILES)
    while waiting:
        model = waiting.pop()
        if model not in found:
            found.append(model)
            within = [_model_within(field.annotation) for field in model.model_fields.values()]
            waiting += [inner for inner in within if inner is not None]
    return found


def pairs():
    """Every old name with each name that stands for it today."""
    return [(old, today) for old, names in renamed.SETTINGS.items() for today in names.split()]


@pytest.mark.parametrize(("old", "today"), pairs())
def test_an_old_name_is_answered_with_that_of_today_wherever_that_is_a_setting(old, today):
    known = [model for model in models() if today in model.model_fields]

    assert known, f"no setting is called {today}"
    for model in known:
        with pytest.raises(ConfigError) as refused:
            checked(model, {old: 1}, "old.toml")
        assert f"  {old}: this setting is now called {today}\n" in f"{refused.value}\n"
        assert f"{today}: missing" not in str(refused.value)


@pytest.mark.parametrize("old", renamed.SETTINGS)
def test_no_setting_has_an_old_name(old):
    # Words that are a setting elsewhere under another meaning would be answered wrongly there.
    assert not [model.__name__ for model in models() if old in model.model_fields]


def test_an_old_name_is_named_with_its_place_in_the_file():
    mapping = {"turbines": [{"name": "a", "units_most": 3}]}

    with pytest.raises(ConfigError) as refused:
        checked(TurbineFile, mapping, "turbines.toml")

    assert "  turbines[1].units_most: this setting is now called units_max" in str(refused.value).splitlines()


def test_tables_of_a_turbine_file_under_their_old_name_are_one_problem():
    with pytest.raises(ConfigError) as refused:
        checked(TurbineFile, {"machines": []}, "turbines.toml")

    assert "machines: this setting is now called turbines" in str(refused.value)


@pytest.mark.parametrize(
    ("section", "values", "message"),
    [
        (
            "ranking",
            {"rank_by": "cost_per_kwh"},
            "ranking.rank_by: input should be 'net_value', 'energy', 'lcoe_per_kwh' or 'score' (found "
            "'cost_per_kwh'); cost_per_kwh is now called lcoe_per_kwh",
        ),
        (
            "ranking",
            {"score": {"weights": {"net_value_per_year": 1.0}}},
            "(found 'net_value_per_year'); net_value_per_year is now called net_annual_value",
        ),
        ("energy", {"design_by": "cost_per_kwh"}, "cost_per_kwh is now called lcoe_per_kwh"),
        ("network", {"main_path_column_wins": "least"}, "least is now called minimum"),
    ],
)
def test_an_old_value_is_answered_with_that_of_today(section, values, message):
    with pytest.raises(ConfigError) as refused:
        checked(Settings, {section: values}, "old.toml")

    assert message in str(refused.value)


def test_layers_and_columns_of_today_are_delivered_and_old_ones_are_not():
    columns = {column.name for layer in LAYERS.values() for column in layer.columns}

    assert set(renamed.LAYERS.values()) <= set(LAYERS)
    assert set(renamed.LAYERS).isdisjoint(LAYERS)
    assert set(renamed.COLUMNS.values()) <= columns
    assert set(renamed.COLUMNS).isdisjoint(columns)
