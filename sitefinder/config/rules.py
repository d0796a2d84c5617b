"""Settings of the rules: which layers say where nobody may build, and what each means."""

from typing import Literal

from pydantic import Field, model_validator

from sitefinder.config.sources import LayerSource

Action = Literal["exclude", "conditional", "fish_safe_only", "no_diversion", "no_new_barrier", "note"]


class RuleSettings(LayerSource):
    """One exclusion or sensitivity layer with what it means."""

    name: str = Field(description="name of the rule, as reasons tell it")
    action: Action = Field(description="what the rule does where it holds")
    column: str | None = Field(None, description="column to filter by")
    values: list[str | int | float | bool] | None = Field(None, description="values that count")
    buffer_m: float = Field(0.0, ge=0, description="distance around each feature that counts as under it [m]")
    least_overlap_m: float = Field(0.0, ge=0, description="overlap of a reach or stretch that counts [m]")
    may_be_empty: bool = Field(False, description="true where an empty or distant layer is right")

    @model_validator(mode="after")
    def _filter_whole(self):
        if (self.column is None) != (self.values is None):
            raise ValueError("column and values belong together")
        return self
