"""Settings of a public edition: its licence, and what it leaves out."""

from typing import Literal

from pydantic import Field

from sitefinder.settings.section import Section


class PublicationSettings(Section):
    """What a public edition of a run shows (`sitefinder publish`); no effect on a run."""

    licence: str | None = Field(
        None,
        min_length=1,
        description="licence of the edition itself, such as CC-BY-4.0 or the address of a licence; absent: "
        "publish refuses",
    )
    cell_m: float | None = Field(
        None,
        gt=0,
        description="side of the square cells that stand for the features of layers that are generalised or "
        "hidden [m]; absent: each such rule states publish_cell_m",
    )
    hidden_rules: Literal["cells", "left_out"] = Field(
        "cells",
        description='what becomes of rules with publish = "hidden": cells, without name, layer and filter; or '
        "left_out, as if there were none, so that sites may show where such a rule forbids them",
    )
    left_out: list[str] = Field(
        default_factory=list,
        description="inputs that the edition is made without, such as observations",
    )
    texts: Literal["withheld", "exact"] = Field(
        "withheld",
        description="personal names and free texts: author and justification of decisions, observer, fish "
        "signs, access and remarks of observations",
    )
