"""Templates of HTML files: values are escaped, and a missing value is an error."""

import functools
from importlib.resources import files

from sitefinder.report.languages import plural, say
from sitefinder.report.text import plain

# Shown where a line ends there alone.
SOFT_HYPHEN = "\u00ad"


@functools.cache
def environment(package):
    """The templates of a package, compiled once in a process.

    Parameters
    ----------
    package : str
        Templates are found by the names of their files in it.

    Returns
    -------
    jinja2.Environment
        Escapes every text that is not markup of its own making; control characters and line breaks of a user's
        text become spaces. Templates show their own texts by ``say`` and ``plural``, in the current language.

    Raises
    ------
    jinja2.UndefinedError
        On rendering, if a value of a template is missing.

    Examples
    --------
    >>> template = environment("sitefinder.report").from_string("<b>{{ name }}</b>")
    >>> template.render(name="<i>\\n")
    '<b>&lt;i&gt; </b>'
    >>> template.render(name="long\\u00adword") == "<b>long\\u00adword</b>"
    True
    """
    import jinja2  # noqa: PLC0415 (commands that write no HTML start without it)

    made = jinja2.Environment(
        loader=jinja2.FunctionLoader(lambda name: files(package).joinpath(name).read_text(encoding="utf-8")),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_printable,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    made.globals.update(say=say, plural=plural)
    return made


# Markup is a kind of str and stays as it is; so does a place to break a long word.
def _printable(value):
    if type(value) is not str or value.isprintable():
        return value
    return SOFT_HYPHEN.join(map(plain, value.split(SOFT_HYPHEN)))
