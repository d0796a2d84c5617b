"""Settings: what is filled in, what is refused, and that every problem is reported at once."""

import copy
import datetime
from typing import get_args

import pytest
from pydantic import BaseModel, ValidationError

from sitefinder.errors import ConfigError
from sitefinder.settings import LayerSource, Settings, check_settings

MINIMUM = {
    "run": {"name": "North", "crs": "EPSG:32633", "output_folder": "out"},
    "inputs": {
        "dem": {"path": "dem.tif", "vertical_unit": "metre", "vertical_datum": "invented", "error_rmse_m": 0.5}
    },
    "flows": {"equations": ["mean.toml"], "environmental": [{"kind": "share_of_mean", "share": 0.1}]},
    "energy": {"turbines": ["turbines.toml"]},
    "costs": {"file": "costs.toml", "price_per_kwh": 0.2},
}


def changed(**values):
    """The least settings, changed at places such as ``network__snap_m``; None takes a key out."""
    mapping = copy.deepcopy(MINIMUM)
    for place, value in values.items():
        *sections, key = place.split("__")
        inner = mapping
        for section in sections:
            inner = inner.setdefault(section, {})
        if value is None:
            del inner[key]
        else:
            inner[key] = value
    return mapping


def complaint(**values):
    with pytest.raises(ConfigError, match=r"^run\.toml: ") as caught:
        check_settings(changed(**values), "run.toml")
    text = str(caught.value)
    assert text.endswith("\n  fix:  correct these keys in the file")
    return text.removesuffix("\n  fix:  correct these keys in the file")


def test_the_smallest_settings_are_enough_and_the_rest_is_filled_in():
    settings = check_settings(MINIMUM, "run.toml")

    assert settings.run.seed == 1
    assert settings.network.station_spacing_m == 50.0
    assert settings.network.reach_length_m == 500.0
    assert settings.ranking.allow == []
    assert settings.rules == []


def test_several_problems_are_reported_at_once_by_key_with_the_nearest_name():
    text = complaint(
        network={"snap_m": -5, "reach_lenght_m": 400, "station_spacing_m": "wide"},
        run__crs=None,
        inputs__dem__vertical_unit="feet",
        rules=[{"name": "park", "path": "park.gpkg", "action": "exclud", "bufer_m": 10}],
    )

    assert text == (
        "run.toml: 7 problems\n"
        "  inputs.dem.vertical_unit: input should be 'metre', 'foot' or 'us_survey_foot' (found 'feet')\n"
        "  network.reach_lenght_m: no such setting; did you mean reach_length_m?\n"
        "  network.snap_m: input should be greater than or equal to 0 (found -5)\n"
        "  network.station_spacing_m: expected a number, without quotation marks (found 'wide')\n"
        "  rules[1].action: input should be 'exclude', 'conditional', 'fish_safe_only', 'fish_safe_as_built',"
        " 'no_diversion', 'no_new_barrier' or 'note' (found 'exclud')\n"
        "  rules[1].bufer_m: no such setting; did you mean buffer_m?\n"
        "  run.crs: missing"
    )


@pytest.mark.parametrize(
    ("place", "line"),
    [
        ("netwrok__snap_m", "netwrok: no such setting; did you mean network?"),
        ("inputs__dem__pth", "inputs.dem.pth: no such setting; did you mean path?"),
        ("costs__price_per_kw", "costs.price_per_kw: no such setting; did you mean price_per_kwh?"),
        ("run__qqq", "run.qqq: no such setting"),
    ],
)
def test_a_misspelt_key_is_refused_with_the_nearest_real_name(place, line):
    assert complaint(**{place: "x"}) == f"run.toml: 1 problem\n  {line}"


@pytest.mark.parametrize(
    ("place", "value", "line"),
    [
        ("network__station_spacing_m", -50, "input should be greater than 0 (found -50)"),
        ("network__station_spacing_m", 0, "input should be greater than 0 (found 0)"),
        ("terrain__tile_rows", 4, "input should be greater than or equal to 8 (found 4)"),
        ("heads__quantile", 1.0, "input should be less than 1 (found 1.0)"),
        ("energy__availability", 95, "input should be less than or equal to 1 (found 95)"),
        ("run__workers", 1.5, "input should be a valid integer, got a number with a fractional part (found 1.5)"),
        ("inputs__dem__error_rmse_m", 0, "input should be greater than 0 (found 0)"),
    ],
)
def test_a_value_out_of_its_range_is_refused_with_what_was_found(place, value, line):
    assert complaint(**{place: value}) == f"run.toml: 1 problem\n  {place.replace('__', '.')}: {line}"


@pytest.mark.parametrize(
    ("values", "line"),
    [
        (
            {"stretches": {"min_head_m": 5, "max_head_m": 5}},
            "stretches: min_head_m must be below max_head_m",
        ),
        ({"flows__equations": None}, "flows: state either flows.equations or flows.gauges"),
        (
            {"flows__environmental": [{"kind": "exceedance_flow", "share": 0.1}]},
            "flows.environmental[1]: a rule of kind exceedance_flow needs exceedance_percent",
        ),
        (
            {"rules": [{"name": "park", "path": "a", "action": "note", "values": ["x"]}]},
            "rules[1]: column and values belong together",
        ),
        (
            {"rules": [{"name": "park", "path": "a", "action": "note"}] * 2},
            "rules: each rule needs a unique name (found twice: park)",
        ),
        (
            {
                "rules": [{"name": "spawning ground", "path": "a", "action": "note"}],
                "fish": {"spawning_rules": ["spawning"]},
            },
            "fish.spawning_rules lists spawning, but there is no rule of that name; did you mean spawning ground?",
        ),
        (
            {"fish": {"min_passage_survival": 0.8}},
            "fish.min_passage_survival needs fish.spawning_rules, where migration starts",
        ),
        (
            {"costs__rate_kind": "nominal"},
            'costs: rate_kind = "nominal" and inflation belong together',
        ),
        (
            {"costs__connection": "settlement"},
            'costs.connection = "settlement" needs inputs.settlements',
        ),
        (
            {"ranking": {"max_plants_per_water_body": 2}},
            "ranking.max_plants_per_water_body needs inputs.water_bodies, the layer that it counts in",
        ),
        (
            {"inputs__water_bodies": {"path": "a", "must_not_fall_values": ["good"]}},
            "inputs.water_bodies: must_not_fall_values needs status_column, the column that holds them",
        ),
        (
            {"ranking": {"within_free_capacity": True}, "inputs__substations": {"path": "a"}},
            "ranking.within_free_capacity needs inputs.substations with a capacity_column",
        ),
        (
            {"inputs__abstractions": {"path": "a", "kinds": {"mill": "milling"}}},
            "inputs.abstractions: kinds gives milling; expected one of abstraction, transfer_out, return, "
            "transfer_in",
        ),
        (
            {"inputs__abstractions": {"path": "a", "return_x_column": "x"}},
            "inputs.abstractions: return_x_column and return_y_column belong together",
        ),
        ({"off_grid": {"demand_column": "homes"}}, "off_grid needs inputs.settlements"),
        ({"ranking": {"rank_by": "score"}}, 'ranking: rank_by = "score" and a table score belong together'),
        (
            {"ranking": {"max_road_distance_m": 500}},
            "[ranking] uses road_distance_m, but there is no inputs.roads",
        ),
        (
            {"ranking": {"rank_by": "score", "score": {"weights": {"settlement_distance_m": 1}}}},
            "[ranking] uses settlement_distance_m, but there is no inputs.settlements",
        ),
    ],
)
def test_settings_that_contradict_each_other_are_refused(values, line):
    assert complaint(**values) == f"run.toml: 1 problem\n  {line}"


NO_SINGLE_ERROR = (
    "inputs.dem.error_rmse_m: state exactly one of error_preset, error_le90_m, error_le95_m and error_rmse_m"
)


@pytest.mark.parametrize(
    ("values", "found"),
    [
        ({"error_rmse_m": None}, "none"),
        ({"error_le90_m": 16.0}, "error_le90_m and error_rmse_m"),
        (
            {"error_rmse_m": None, "error_preset": "lidar.toml", "error_le95_m": 3.0},
            "error_preset and error_le95_m",
        ),
    ],
)
def test_the_error_of_the_dem_is_stated_exactly_once(values, found):
    values = {f"inputs__dem__{key}": value for key, value in values.items()}

    assert complaint(**values) == f"run.toml: 1 problem\n  {NO_SINGLE_ERROR} (found {found})"


def test_with_the_error_all_other_problems_of_the_dem_are_reported():
    text = complaint(
        inputs__dem__error_rmse_m=None,
        inputs__dem__eror_le90_m=4.0,
        inputs__dem__kind="bare",
        inputs__dem_footprints={"path": "a.gpkg", "error_measure": "le99", "dat_column": "flown"},
    )

    assert text == (
        "run.toml: 5 problems\n"
        "  inputs.dem.eror_le90_m: no such setting; did you mean error_le90_m?\n"
        f"  {NO_SINGLE_ERROR} (found none)\n"
        "  inputs.dem.kind: input should be 'terrain' or 'surface' (found 'bare')\n"
        "  inputs.dem_footprints.dat_column: no such setting; did you mean date_column?\n"
        "  inputs.dem_footprints.error_measure: input should be 'rmse', 'le90' or 'le95' (found 'le99')"
    )


@pytest.mark.parametrize(
    ("written", "date"),
    [(2019, "2019"), (datetime.date(2019, 5, 31), "2019-05-31"), ("spring 2019", "spring 2019")],
)
def test_an_edition_may_be_a_year_or_a_day_without_quotation_marks(written, date):
    assert LayerSource(path="a.gpkg", date=written).date == date


@pytest.mark.parametrize("written", [True, 2019.5])
def test_an_edition_is_no_other_kind_of_value(written):
    with pytest.raises(ValidationError, match="date"):
        LayerSource(path="a.gpkg", date=written)


def test_an_error_out_of_its_range_is_reported_once():
    assert complaint(inputs__dem__error_rmse_m=None, inputs__dem__error_le90_m=-4) == (
        "run.toml: 1 problem\n  inputs.dem.error_le90_m: input should be greater than 0 (found -4)"
    )


def test_a_section_that_is_no_table_is_refused():
    assert "network: input should be a valid dictionary" in complaint(network=5)


def test_settings_cannot_be_changed_afterwards():
    settings = check_settings(MINIMUM, "run.toml")

    with pytest.raises(ValidationError, match="frozen"):
        settings.network.snap_m = 3.0


def test_the_mapping_is_not_altered():
    mapping = copy.deepcopy(MINIMUM)

    check_settings(mapping, "run.toml")

    assert mapping == MINIMUM


@pytest.mark.parametrize(("unit", "metres"), [("metre", 1.0), ("foot", 0.3048), ("us_survey_foot", 1200 / 3937)])
def test_the_unit_of_elevations_has_its_metres(unit, metres):
    settings = check_settings(changed(inputs__dem__vertical_unit=unit), "run.toml")

    assert settings.inputs.dem.metres_per_unit == metres


def sections(model, seen):
    """All models within a model, itself included."""
    if model in seen:
        return seen
    seen.add(model)
    for field in model.model_fields.values():
        waiting = [field.annotation]
        while waiting:
            part = waiting.pop()
            if isinstance(part, type) and issubclass(part, BaseModel):
                sections(part, seen)
            waiting.extend(getattr(part, "__args__", ()))
    return seen


def test_every_section_is_closed_frozen_and_described():
    found = sections(Settings, set())

    assert len(found) > 15
    for model in found:
        assert model.model_config["extra"] == "forbid"
        assert model.model_config["frozen"]
        assert model.__doc__


def test_a_length_area_or_flow_in_the_settings_carries_its_unit():
    words = ("length", "spacing", "radius", "width", "height", "buffer", "depth")
    names = {name for model in sections(Settings, set()) for name in model.model_fields}

    without = {name for name in names if any(word in name.split("_") for word in words)} - {
        name for name in names if name.endswith(("_m", "_m3s", "_km2"))
    }
    # What a height of 0 means is no height.
    assert without == {"zero_height_is_missing"}


def test_tables_that_a_file_leaves_out_hold_what_would_be_accepted_in_it():
    # Such a default is not validated when it is made.
    left_out = [
        field.default
        for section in sections_in(Settings)
        for field in section.model_fields.values()
        if isinstance(field.default, BaseModel)
    ]

    assert left_out
    for default in left_out:
        assert type(default).model_validate(default.model_dump()) == type(default)() == default


# A section and all within it.
def sections_in(annotation):
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
        for field in annotation.model_fields.values():
            yield from sections_in(field.annotation)
    else:
        for inner in get_args(annotation):
            yield from sections_in(inner)
