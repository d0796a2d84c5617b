"""Shares that depend on the body length of the fish."""

from typing import Annotated, Any

import numpy as np
from pydantic import AfterValidator, BeforeValidator

from sitefinder.settings import Share

# The length that a plain share is noted with; with one point it holds for every length.
ANY_LENGTH_M = 1.0


# A plain share is one point, so that files need no list where the length does not matter.
def _points(stated: Any) -> Any:
    return ((ANY_LENGTH_M, stated),) if isinstance(stated, int | float) else stated


def _lengths_rise(points: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    lengths = [length for length, _ in points]
    if not points or lengths[0] <= 0 or np.any(np.diff(lengths) <= 0):
        raise ValueError("body lengths must be above 0 and rise")
    return points


ShareByLength = Annotated[tuple[tuple[float, Share], ...], BeforeValidator(_points), AfterValidator(_lengths_rise)]


def at_length(points: tuple[tuple[float, float], ...], length_m: float) -> float:
    """The share at a body length [m]: linear between the lengths stated, and that of the nearest beyond them.

    Examples
    --------
    >>> [at_length(((0.25, 0.0), (0.75, 0.5)), length) for length in (0.1, 0.5, 0.9)]
    [0.0, 0.25, 0.5]
    """
    lengths, shares = zip(*points, strict=True)
    return float(np.interp(length_m, lengths, shares))
