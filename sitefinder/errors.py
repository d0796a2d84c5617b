"""The errors that sitefinder raises: each states where, what was expected, what was found and the fix."""

from collections.abc import Iterable, Sequence
from typing import ClassVar, Self, TypeVar

SHOWN_ROWS = 5
# How the line of an error begins that says what to do.
FIX = "fix:"


class SitefinderError(Exception):
    """Base of all errors that the user can fix; the whole text is its only argument."""

    _problems: tuple[str, ...] = ()
    # What mends a list of problems of this kind none of which says how.
    usual_fix: ClassVar[str | None] = None

    @property
    def problems(self) -> tuple[str, ...]:
        """Each problem of the error as a separate text."""
        return self._problems or (str(self),)

    @classmethod
    def of(cls, headline: str, **facts: object) -> Self:
        """An error from a headline and named facts, one a line.

        Parameters
        ----------
        headline : str
            What is wrong, in one line.
        **facts : object
            For example ``file``, ``expected``, ``found``, ``fix``; those that are None are omitted.
            Underscores in a name are shown as spaces.

        Returns
        -------
        SitefinderError
            Of the class it was called on. Its text survives pickling.

        Examples
        --------
        >>> print(InputError.of("the stream layer is empty", file="streams.gpkg", fix="name another layer"))
        the stream layer is empty
          file:  streams.gpkg
          fix:   name another layer
        """
        return cls(described(headline, **facts))


class ConfigError(SitefinderError):
    """The settings file, or a data file that it names, is wrong."""

    usual_fix = "correct these keys in the file"


class InputError(SitefinderError):
    """A layer, raster or table of the user is wrong."""

    usual_fix = "correct these places in the file, or the settings that name them"


class TableError(SitefinderError):
    """A table between two stages breaks its contract."""


class StageError(SitefinderError):
    """A stage failed; the text states which, and where in the region."""


AnyError = TypeVar("AnyError", bound=SitefinderError)


def described(headline: str, **facts: object) -> str:
    """Headline and facts as text, the facts aligned one a line.

    Examples
    --------
    >>> print(described("wrong", found=3))
    wrong
      found:  3
    """
    shown = {name.replace("_", " "): value for name, value in facts.items() if value is not None}
    width = max((len(name) for name in shown), default=0) + 1
    lines = [f"  {name + ':':<{width}}  {value}" for name, value in shown.items()]
    return "\n".join([headline, *lines])


def listed(values: Iterable[object], shown: int = SHOWN_ROWS) -> str:
    """The first few values and a count of the rest, for messages about many rows.

    Examples
    --------
    >>> listed([12, 40, 41, 77, 90, 95, 99])
    '12, 40, 41, 77, 90 and 2 more'
    """
    texts = [str(value) for value in values]
    rest = len(texts) - shown
    head = ", ".join(texts[:shown])
    return f"{head} and {rest} more" if rest > 0 else head


def all_of(error_class: type[AnyError], headline: str, problems: Sequence[str], *, named: bool = True) -> AnyError:
    """One error that holds several problems at once.

    Parameters
    ----------
    error_class : type
        One of the classes above.
    headline : str
        For example the file that was read.
    problems : list of str
        Each may be several lines.
    named : bool
        Whether a problem needs the headline too where it is shown without the others.

    Returns
    -------
    SitefinderError
        With what usually mends such problems, where none of them says it.

    Examples
    --------
    >>> print(all_of(ConfigError, "run.toml", ["network.snap_m: missing"]))
    run.toml: 1 problem
      network.snap_m: missing
      fix:  correct these keys in the file
    """
    count = f"{len(problems)} problem" + ("" if len(problems) == 1 else "s")
    indented = ["  " + problem.replace("\n", "\n  ") for problem in problems]
    if error_class.usual_fix and not any(FIX in problem for problem in problems):
        indented.append(f"  {FIX}  {error_class.usual_fix}")
    error = error_class("\n".join([f"{headline}: {count}", *indented]))
    error._problems = tuple(f"{headline}: {problem}" if named else problem for problem in problems)
    return error
