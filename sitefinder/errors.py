"""The errors that sitefinder raises: each states where, what was expected, what was found and the fix."""

SHOWN_ROWS = 5


class SitefinderError(Exception):
    """Base of all errors that the user can fix; the whole text is its only argument."""

    @classmethod
    def of(cls, headline, **facts):
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


class InputError(SitefinderError):
    """A layer, raster or table of the user is wrong."""


class TableError(SitefinderError):
    """A table between two stages breaks its contract."""


class StageError(SitefinderError):
    """A stage failed; the text states which, and where in the region."""


def described(headline, **facts):
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


def listed(values, shown=SHOWN_ROWS):
    """The first few values and a count of the rest, for messages about many rows.

    Examples
    --------
    >>> listed([12, 40, 41, 77, 90, 95, 99])
    '12, 40, 41, 77, 90 and 2 more'
    """
    values = [str(value) for value in values]
    rest = len(values) - shown
    head = ", ".join(values[:shown])
    return f"{head} and {rest} more" if rest > 0 else head


def all_of(error_class, headline, problems):
    """One error that holds several problems at once.

    Parameters
    ----------
    error_class : type
        One of the classes above.
    headline : str
        For example the file that was read.
    problems : list of str
        Each may be several lines.

    Returns
    -------
    SitefinderError

    Examples
    --------
    >>> print(all_of(ConfigError, "run.toml", ["network.snap_m: missing"]))
    run.toml: 1 problem
      network.snap_m: missing
    """
    count = f"{len(problems)} problem" + ("" if len(problems) == 1 else "s")
    indented = ["  " + problem.replace("\n", "\n  ") for problem in problems]
    return error_class("\n".join([f"{headline}: {count}", *indented]))
