"""Trials with live fish that a stated share rests on."""

from pydantic import Field, field_validator

from sitefinder.settings import Section, Share


class Trial(Section):
    """A trial with live fish: without species, length and number of fish a share is not `tested`."""

    study: str = Field(min_length=1, description="authors, year, journal, and where the trial was")
    species: str = Field(min_length=1, description="species and life stage of the fish")
    lengths_m: tuple[float, float] = Field(description="shortest and longest fish of the trial [m]")
    fish: int = Field(ge=1, description="number of fish")
    share: Share | None = Field(None, description="share found: of survival or guidance; absent: see the study")

    @field_validator("lengths_m")
    @classmethod
    def _shortest_first(cls, lengths: tuple[float, float]) -> tuple[float, float]:
        if not 0.0 < lengths[0] <= lengths[1]:
            raise ValueError(f"lengths_m must be [shortest, longest] (found {lengths[0]:g}, {lengths[1]:g})")
        return lengths


def covers(trials: tuple[Trial, ...], length_m: float) -> bool:
    """Whether a trial was made with fish of a length [m].

    Examples
    --------
    >>> covers((Trial(study="one", species="trout", lengths_m=(0.1, 0.3), fish=50),), 0.2)
    True
    """
    return any(trial.lengths_m[0] <= length_m <= trial.lengths_m[1] for trial in trials)
