"""Settings of the rules: which layers say where nobody may build, and what each means."""

from typing import Literal

from pydantic import Field, field_validator, model_validator

from sitefinder.config.choices import Action, Effect
from sitefinder.config.filters import parse_filter
from sitefinder.config.reserve import Month
from sitefinder.config.sources import LayerSource
from sitefinder.schema.vocabulary import ACTIONS, BARS_ALL, UNDER, named

Publication = Literal["exact", "generalised", "hidden"]
# What reasons call a rule whose name is not to be read in the results.
SENSITIVE = "sensitive area"
# Settings that mean something only where a rule works along the stream.
ALONG_STREAM = ("effect_distance_m", "stops_at_drop_m")


class RuleSettings(LayerSource):
    """One exclusion or sensitivity layer with what it means."""

    name: str = Field(min_length=1, description="name of the rule, as reasons tell it")
    action: Action = Field(description="what the rule does where it holds")
    column: str | None = Field(None, description="column to filter by")
    values: list[str | int | float | bool] | None = Field(None, description="values that count")
    where: str | None = Field(
        None,
        description="features that count, in place of column and values, as OGC CQL2 text: "
        "category = 'reserve' AND zone < 3",
    )
    buffer_m: float = Field(0.0, ge=0, description="distance around each feature that counts as under it [m]")
    area_ha_column: str | None = Field(
        None, description="column with the area of points [ha], which become discs of that area"
    )
    area_m2_column: str | None = Field(None, description="the same in square metres [m²]")
    touching_counts: bool = Field(False, description="true where a feature that only touches the stream counts")
    least_overlap_m: float = Field(0.0, ge=0, description="overlap of a reach or stretch that counts [m]")
    least_overlap_share: float = Field(
        0.0, ge=0, le=1, description="share of a reach's or stretch's own length that counts"
    )
    effect: Effect = Field(
        UNDER.name, description="where the rule holds: under the layer, or there and along the stream from it"
    )
    effect_distance_m: float | None = Field(
        None, gt=0, description="how far along the stream [m]; absent: to the outlet, or to the sources"
    )
    ends_at_falls: bool = Field(
        True, description="whether the effect along the stream ends at natural falls (inputs.falls, structures)"
    )
    stops_at_drop_m: float | None = Field(
        None,
        gt=0,
        description="a fall of the long profile within a station's segment that ends the effect, too [m]",
    )
    closed_months: list[Month] = Field(
        default_factory=list,
        description="months in which nothing may be taken where the rule holds, 1 to 12; told, not valued",
    )
    covered_by: LayerSource | None = Field(
        None, description="polygons of the area that the layer covers; outside it the rule is unknown"
    )
    publish: Publication = Field(
        "exact",
        description="what results tell: generalised: no feature and no place within the reach; hidden: "
        "nor the rule's name, layer and filter",
    )
    may_be_empty: bool = Field(False, description="true where an empty or distant layer is right")

    @field_validator("where")
    @classmethod
    def _filter_reads(cls, where):
        if where is not None:
            parse_filter(where)
        return where

    @model_validator(mode="after")
    def _settings_belong_together(self):
        if (self.column is None) != (self.values is None):
            raise ValueError("column and values belong together")
        if self.where is not None and self.column is not None:
            raise ValueError("state where, or column and values, not both")
        if self.area_ha_column is not None and self.area_m2_column is not None:
            raise ValueError("state area_ha_column or area_m2_column, not both")
        if self.least_overlap_m > 0 and self.least_overlap_share > 0:
            raise ValueError("state least_overlap_m or least_overlap_share, not both")
        if self.touching_counts and (self.least_overlap_m > 0 or self.least_overlap_share > 0):
            raise ValueError("touching_counts and a least overlap contradict each other")
        if self.effect == UNDER.name and (
            stated := [name for name in ALONG_STREAM if getattr(self, name) is not None]
        ):
            raise ValueError(f'{stated[0]} needs effect = "downstream" or "upstream"')
        action = named(ACTIONS, self.action)
        if action.bars == BARS_ALL and not action.allowed_by and self.closed_months:
            raise ValueError(
                f'action = "{self.action}" closes all months; state closed_months with another action'
            )
        return self

    @property
    def told_as(self):
        """What results call the rule."""
        return SENSITIVE if self.publish == "hidden" else self.name


def checked_rule_names(rules):
    """The rules, if each has a name of its own that no other rule is told as.

    Parameters
    ----------
    rules : list of RuleSettings

    Returns
    -------
    list of RuleSettings

    Raises
    ------
    ValueError
        Naming those found twice, or a rule that is called as hidden ones are told.
    """
    names = [rule.name for rule in rules]
    if repeated := sorted({name for name in names if names.count(name) > 1}):
        raise ValueError(f"each rule needs a name of its own (found twice: {', '.join(repeated)})")
    if SENSITIVE in names and any(rule.publish == "hidden" and rule.name != SENSITIVE for rule in rules):
        raise ValueError(f"{SENSITIVE} is what hidden rules are told as; call the rule of that name otherwise")
    return rules
