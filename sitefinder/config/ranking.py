"""Settings of the choice of sites and of their ranking."""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from sitefinder.config.choices import Allowable
from sitefinder.config.sources import Section

Criterion = Literal[
    "net_value_per_year",
    "energy_mwh",
    "power_kw",
    "firm_power_kw",
    "capacity_factor",
    "cost_per_kwh",
    "capital_cost",
    "length_m",
    "road_distance_m",
    "line_distance_m",
    "settlement_distance_m",
]


class ScoreSettings(Section):
    """A score of several criteria, each brought to 0 (worst) to 1 (best) among the chosen sites."""

    weights: dict[Criterion, Annotated[float, Field(gt=0)]] = Field(
        min_length=1, description="weight of each criterion, a column of sites; they are divided by their sum"
    )
    normalisation: Literal["range", "rank"] = Field(
        "range", description="range: in proportion from worst to best; rank: even steps in the order"
    )


class RankingSettings(Section):
    """How sites are chosen and ordered."""

    choose_by: Literal["net_value", "energy"] = Field(
        "net_value", description="what the set of sites without overlap is best in"
    )
    rank_by: Literal["net_value", "energy", "cost_per_kwh", "score"] = Field(
        "net_value", description="what the chosen sites are ranked by; score: as [ranking.score] weighs"
    )
    score: ScoreSettings | None = Field(None, description="what the score is made of")
    least_power_kw: float = Field(
        0.0, ge=0, description="stretches whose best plant is smaller are not offered, and told so [kW]"
    )
    most_road_distance_m: float | None = Field(
        None, gt=0, description="stretches with a tailrace farther from any road are not offered [m]"
    )
    spacing_m: float = Field(
        0.0, ge=0, description="least way along the stream from a site's tailrace to the next intake below [m]"
    )
    allow: list[Allowable] = Field(
        default_factory=list, description="doubtful stretches that may become sites all the same"
    )

    @model_validator(mode="after")
    def _score_is_told(self):
        if (self.rank_by == "score") != (self.score is not None):
            raise ValueError('rank_by = "score" and a table score belong together')
        return self
