"""TOML as text: values, and whole documents of nested tables."""

import json
import math
from collections.abc import Iterator, Mapping
from typing import Any


def toml_value(value: Any) -> str:
    """A value in TOML; a mapping becomes an inline table.

    Parameters
    ----------
    value : bool, int, float, str, list or mapping

    Returns
    -------
    str
        Text is written as JSON writes it, whose escapes TOML shares. Numbers have as many digits as it takes to
        read the same number again.

    Raises
    ------
    ValueError
        If a number is not finite.

    Examples
    --------
    >>> toml_value([True, 2.0, 0.1, 'a "b"'])
    '[true, 2.0, 0.1, "a \\\\"b\\\\""]'
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"a TOML file holds no {value} here")
        return repr(value) if value != int(value) or abs(value) >= 1e16 else f"{value:.1f}"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_text(key)} = {toml_value(item)}" for key, item in value.items())
        return f"{{ {inner} }}"
    return "[" + ", ".join(toml_value(item) for item in value) + "]"


def toml_document(tables: Mapping[str, Any]) -> str:
    """A document of nested tables; lists of tables become arrays of tables.

    Parameters
    ----------
    tables : mapping
        Of what `toml_value` takes, and of tables and lists of tables. No value is None.

    Returns
    -------
    str
        Ends with a line break.

    Examples
    --------
    >>> print(toml_document({"run": {"name": "Valley"}, "rules": [{"name": "park"}, {"name": "nests"}]}), end="")
    [run]
    name = "Valley"
    <BLANKLINE>
    [[rules]]
    name = "park"
    <BLANKLINE>
    [[rules]]
    name = "nests"
    """
    return "\n\n".join("\n".join(lines) for lines in _blocks(tables, "", "")) + "\n"


# Blocks of lines: a table with its plain values, then the tables within it.
def _blocks(table: Mapping[str, Any], name: str, head: str) -> Iterator[list[str]]:
    plain = {key: value for key, value in table.items() if not _holds_tables(value)}
    lines = [f"{_key(key)} = {toml_value(value)}" for key, value in plain.items()]
    if head and (lines or head.startswith("[[") or not table):
        yield [head, *lines]
    elif lines:
        yield lines
    for key, value in table.items():
        own = f"{name}.{_key(key)}" if name else _key(key)
        if isinstance(value, Mapping):
            yield from _blocks(value, own, f"[{own}]")
        elif _holds_tables(value):
            for item in value:
                yield from _blocks(item, own, f"[[{own}]]")


def _holds_tables(value: Any) -> bool:
    is_list_of_tables = isinstance(value, list) and bool(value) and all(isinstance(one, Mapping) for one in value)
    return isinstance(value, Mapping) or is_list_of_tables


def _key(key: str) -> str:
    return key if key.isascii() and key.replace("_", "").replace("-", "").isalnum() else _text(key)


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
