"""Filters of features as text: a small language of comparisons, read here and never handed to a database."""

import re
from typing import NamedTuple

# What a filter is made of; a name in double quotation marks may hold anything, doubled where it holds the mark.
TOKENS = re.compile(
    r"""\s*(?:
        (?P<text>'(?:[^']|'')*')
      | (?P<quoted>"(?:[^"]|"")+")
      | (?P<number>[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?(?![\w.]))
      | (?P<operator><=|>=|<>|!=|==|=|<|>)
      | (?P<mark>[(),])
      | (?P<word>[^\W\d]\w*)
    )""",
    re.VERBOSE,
)
KEYWORDS = ("and", "or", "not", "in", "is", "null", "true", "false")
OPERATORS = {"=": "=", "==": "=", "!=": "!=", "<>": "!=", "<": "<", "<=": "<=", ">": ">", ">=": ">="}
COMPARISONS = "=, !=, <, <=, >, >=, in (…), not in (…), is null or is not null"
# A filter is written by hand; a deeper one is a mistake, and would exhaust the reader.
DEEPEST = 50


class Compared(NamedTuple):
    """A column held against values: ``operator`` is one of =, !=, <, <=, >, >=, in; ``at`` the column's place."""

    column: str
    operator: str
    values: tuple
    at: int


class IsNull(NamedTuple):
    """Whether a column says nothing."""

    column: str
    at: int


class Not(NamedTuple):
    """The contrary of a condition."""

    condition: object


class Both(NamedTuple):
    """All of several conditions."""

    conditions: tuple


class Either(NamedTuple):
    """At least one of several conditions."""

    conditions: tuple


class _Token(NamedTuple):
    kind: str
    value: object
    shown: str
    at: int


def parse_filter(text):
    """A filter read from its text.

    Parameters
    ----------
    text : str
        Conditions ``column = value`` (also ``!=``, ``<``, ``<=``, ``>``, ``>=``), ``column in (value, …)``,
        ``column not in (…)``, ``column is null`` and ``column is not null``, joined by ``and``, ``or``, ``not``
        and parentheses. ``not`` binds before ``and``, and ``and`` before ``or``. A value is text in single
        quotation marks (doubled within text), a number, ``true`` or ``false``. A column whose name is no plain
        word stands in double quotation marks. Keywords may be written large.

    Returns
    -------
    Compared, IsNull, Not, Both or Either

    Raises
    ------
    ValueError
        Saying at which character what was expected and what was found.

    Examples
    --------
    >>> parse_filter("kind = 'reserve' and not zone in (3, 4)")
    Both(conditions=(Compared(column='kind', operator='=', values=('reserve',), at=1), \
Not(condition=Compared(column='zone', operator='in', values=(3, 4), at=26))))
    """
    reader = _Reader(_tokens(text))
    condition = reader.either(0)
    reader.expect_end()
    return condition


# The text in tokens, with an end.
def _tokens(text):
    tokens, at = [], 0
    while text[at:].strip():
        match = TOKENS.match(text, at)
        if match is None:
            start = at + len(text[at:]) - len(text[at:].lstrip())
            if text[start] in "'\"":
                raise ValueError(f"at character {start + 1}: quotation mark {text[start]} that is not closed")
            raise ValueError(f"at character {start + 1}: found {text[start]!r}, which no filter holds")
        kind, shown = match.lastgroup, match[match.lastgroup]
        at = match.end()
        value = shown
        if kind == "text":
            value = shown[1:-1].replace("''", "'")
        elif kind == "quoted":
            kind, value = "column", shown[1:-1].replace('""', '"')
        elif kind == "number":
            value = int(shown) if re.fullmatch(r"[-+]?\d+", shown) else float(shown)
        elif kind == "word":
            kind, value = ("keyword", shown.lower()) if shown.lower() in KEYWORDS else ("column", shown)
        tokens.append(_Token(kind, value, shown, match.start(match.lastgroup) + 1))
    tokens.append(_Token("end", None, "the end", len(text) + 1))
    return tokens


# Reads tokens from the left, by the rules of the language from the loosest to the tightest.
class _Reader:
    def __init__(self, tokens):
        self.tokens, self.place = tokens, 0

    def either(self, depth):
        parts = [self.both(depth)]
        while self.took("or"):
            parts.append(self.both(depth))
        return parts[0] if len(parts) == 1 else Either(tuple(parts))

    def both(self, depth):
        parts = [self.condition(depth)]
        while self.took("and"):
            parts.append(self.condition(depth))
        return parts[0] if len(parts) == 1 else Both(tuple(parts))

    def condition(self, depth):
        if depth > DEEPEST:
            raise ValueError(f"at character {self.next.at}: more than {DEEPEST} conditions within each other")
        if self.took("not"):
            return Not(self.condition(depth + 1))
        if self.took("("):
            inner = self.either(depth + 1)
            self.expect(")")
            return inner
        return self.comparison()

    def comparison(self):
        column = self.next
        if column.kind != "column":
            hint = "; a column stands without quotation marks, or in double ones" if column.kind == "text" else ""
            raise self.wrong(f"a column, not or an opening parenthesis{hint}")
        self.place += 1
        operator = self.next
        if operator.kind == "operator":
            self.place += 1
            return Compared(column.value, OPERATORS[operator.value], (self.value(),), column.at)
        if self.took("is"):
            negated = self.took("not")
            self.expect("null")
            return Not(IsNull(column.value, column.at)) if negated else IsNull(column.value, column.at)
        negated = self.took("not")
        if not self.took("in"):
            raise self.wrong("in" if negated else COMPARISONS)
        self.expect("(")
        values = [self.value()]
        while self.took(","):
            values.append(self.value())
        self.expect(")", "a comma or )")
        among = Compared(column.value, "in", tuple(values), column.at)
        return Not(among) if negated else among

    def value(self):
        token = self.next
        if token.kind in ("text", "number"):
            self.place += 1
            return token.value
        if token.kind == "keyword" and token.value in ("true", "false"):
            self.place += 1
            return token.value == "true"
        hint = "; text stands in single quotation marks" if token.kind == "column" else ""
        hint = "; write is null for a value that is missing" if token.value == "null" else hint
        raise self.wrong(f"a value{hint}")

    @property
    def next(self):
        return self.tokens[self.place]

    # Whether a keyword or mark stands here; if so it is passed.
    def took(self, word):
        found = self.next.kind in ("keyword", "mark") and self.next.value == word
        self.place += found
        return found

    def expect(self, word, told=None):
        if not self.took(word):
            raise self.wrong(told or word)

    def expect_end(self):
        if self.next.kind != "end":
            raise self.wrong("and, or or the end")

    def wrong(self, expected):
        found = self.next.shown
        return ValueError(f"at character {self.next.at}: expected {expected} (found {found})")
