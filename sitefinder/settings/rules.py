"""Settings of the rules: which layers say where nobody may build, and what each one means."""

import functools
import re
import unicodedata
from collections.abc import Iterable
from typing import Any, Literal, NamedTuple

from pydantic import Field, field_validator, model_validator

from sitefinder.settings.choices import Action, Effect
from sitefinder.settings.flows import Month
from sitefinder.settings.inputs import LayerSource
from sitefinder.vocabulary import ACTIONS, BARS_ALL, UNDER, named

SUPPORTED = (
    "columns compared with values by =, <>, <, <=, >, >=, BETWEEN, IN, LIKE and IS NULL, joined by AND, OR and "
    "NOT; CASEI, ACCENTI, DATE and TIMESTAMP"
)
# What a text is made of, as far as places in it and what the parser is lenient about are concerned.
TOKENS = re.compile(
    r"""\s*(?:
        (?P<text>'(?:[^']|'')*')
      | (?P<quoted>"(?:[^"]|"")+")
      | (?P<number>(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)
      | (?P<word>(?:[^\W\d]|[:_])[\w.:]*)
      | (?P<mark><=|>=|<>|!=|==|\S)
    )""",
    re.VERBOSE,
)
KEYWORDS = ("and", "or", "not", "in", "is", "null", "like", "between", "true", "false")
# Spellings that are not CQL2, to what CQL2 writes for them.
SPELLINGS = {"==": "=", "!=": "<>"}
COMPARISONS = ("=", "<>", "<", "<=", ">", ">=")
OPERATORS = "=, <>, <, <=, >, >=, BETWEEN, IN, LIKE, IS NULL"
# The parser calls itself for each level, and a text that exhausts the stack would end the program without a
# word: 300 levels do so where the stack has 1 MB. A filter is written by hand.
MAX_DEPTH = 50
MAX_JOINED = 1000
# Whole numbers beyond this are not all numbers of the parser (IEEE 754, binary64: 53 bits).
MAX_WHOLE_NUMBER = 2**53
FOLDINGS = ("casei", "accenti")
# Year, month and day; a day that a month does not have is found where it is compared.
DAY = r"\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])"
INSTANTS = {
    "date": (re.compile(DAY), "DATE('2024-05-31')"),
    "timestamp": (
        re.compile(DAY + r"T([01]\d|2[0-3]):[0-5]\d:[0-5]\d(\.\d+)?Z"),
        "TIMESTAMP('2024-05-31T12:00:00Z')",
    ),
}
# What a family of functions of the language does, by the beginning of its names, with what to do in its place.
FAMILIES = {
    "s_": ("a spatial function", "a rule already holds where its layer lies; cut the layer to what shall count"),
    "t_": ("a temporal function", "compare dates with =, <>, <, <=, > or >="),
    "a_": ("an array function", "give the layer a column for it"),
}
ARITHMETIC = ("+", "-", "*", "/", "%", "^", "div")


class Instant(NamedTuple):
    """A date or a time in UTC: ``text`` as ISO 8601 writes it; ``whole_day`` for a date."""

    text: str
    whole_day: bool

    def __repr__(self) -> str:
        return f"{'DATE' if self.whole_day else 'TIMESTAMP'}('{self.text}')"


class Compared(NamedTuple):
    """A column compared with values.

    ``operator`` is =, <>, <, <=, >, >=, in, like or between; ``at`` the place of the column in the text, from 1,
    or 0 without a text; ``foldings`` what is done to the text of the column first, the inner one first: casei,
    accenti.
    """

    column: str
    operator: str
    values: tuple[Any, ...]
    at: int
    foldings: tuple[str, ...] = ()


class IsNull(NamedTuple):
    """Whether a column has no value."""

    column: str
    at: int


class Not(NamedTuple):
    """The contrary of a condition."""

    condition: "Condition"


class Both(NamedTuple):
    """All of several conditions."""

    conditions: "tuple[Condition, ...]"


class Either(NamedTuple):
    """At least one of several conditions."""

    conditions: "tuple[Condition, ...]"


Condition = Compared | IsNull | Not | Both | Either


class _Token(NamedTuple):
    kind: str
    value: str
    shown: str
    at: int


@functools.lru_cache(maxsize=256)
def parse_filter(text: str) -> Condition:
    """A filter read from CQL2 text.

    Parameters
    ----------
    text : str
        For example ``kind = 'reserve' AND (zone IN (3, 4) OR zone IS NULL)``.

    Returns
    -------
    Compared, IsNull, Not, Both or Either

    Raises
    ------
    ValueError
        Saying at which character what was expected and what was found, and how to mend it where that is plain.

    Examples
    --------
    >>> parse_filter("kind = 'reserve' AND NOT zone IN (3, 4)")
    Both(conditions=(Compared(column='kind', operator='=', values=('reserve',), at=1, foldings=()), \
Not(condition=Compared(column='zone', operator='in', values=(3, 4), at=26, foldings=()))))
    """
    # Only here: a run without such a rule does without it.
    import cql2  # noqa: PLC0415

    tokens = _tokens(text)
    _validate_depth(tokens)
    try:
        expression = cql2.parse_text(text)
    except cql2.ParseError as error:
        raise _parse_problem(str(error), text, tokens) from None
    reader = _Reader(tokens)
    condition = reader.condition(expression.to_json())
    reader.expect_no_more_columns()
    return condition


def folded(text: str, foldings: Iterable[str]) -> str:
    """Text without the differences of case (``casei``) or of accents (``accenti``), for comparing.

    Examples
    --------
    >>> folded("Straße", ["casei"]), folded("débárquér", ["accenti"])
    ('strasse', 'debarquer')
    """
    for folding in foldings:
        if folding == "casei":
            text = text.casefold()
        else:
            apart = unicodedata.normalize("NFD", text)
            text = unicodedata.normalize("NFC", "".join(each for each in apart if not unicodedata.combining(each)))
    return text


# The text in tokens with an end; refuses what the library would read in another way than the standard.
def _tokens(text: str) -> list[_Token]:
    tokens: list[_Token] = []
    for match in TOKENS.finditer(text):
        kind = match.lastgroup or "mark"
        shown, at = match[kind], match.start(kind) + 1
        value = shown
        if kind == "mark" and shown in "'\"":
            raise ValueError(f"at character {at}: expected a second quotation mark {shown} (found the end)")
        if kind == "mark" and shown in SPELLINGS:
            raise ValueError(f"at character {at}: expected {SPELLINGS[shown]}, as CQL2 writes it (found {shown})")
        if shown != "(" and tokens and tokens[-1].value == "in":
            raise ValueError(f"at character {at}: expected ( after IN (found {shown})")
        if kind == "text" and shown.endswith("\\'"):
            # The standard also reads \' as a quotation mark in a text, and the library does not.
            raise ValueError(f"at character {at}: expected '' for a quotation mark within a text (found \\')")
        if kind == "number":
            if shown.startswith("."):
                raise ValueError(f"at character {at}: expected 0{shown} (found {shown})")
            if shown.isdigit() and int(shown) > MAX_WHOLE_NUMBER:
                raise ValueError(
                    f"at character {at}: expected a whole number up to {MAX_WHOLE_NUMBER} (found {shown}); "
                    "let the layer hold such a number as text"
                )
        if kind == "quoted":
            kind, value = "column", shown[1:-1].replace('""', '"')
        elif kind == "word":
            kind, value = ("keyword", shown.lower()) if shown.lower() in KEYWORDS else ("column", shown)
        elif shown == "(" and tokens and tokens[-1].kind == "column" and not tokens[-1].shown.startswith('"'):
            tokens[-1] = tokens[-1]._replace(kind="function", value=tokens[-1].value.lower())
        tokens.append(_Token(kind, value, shown, at))
    return [*tokens, _Token("end", "", "the end", len(text) + 1)]


# Refuses a text that could exhaust the parser's stack.
def _validate_depth(tokens: list[_Token]) -> None:
    depth = joined = run = 0
    for token in tokens:
        depth += {"(": 1, ")": -1}.get(token.shown, 0)
        joined += token.value in ("and", "or")
        run = 0 if token.value in ("and", "or") or token.shown in ("(", ")", ",") else run + 1
        if depth > MAX_DEPTH or run > MAX_DEPTH:
            raise ValueError(f"at character {token.at}: more than {MAX_DEPTH} conditions within each other")
        if joined > MAX_JOINED:
            raise ValueError(f"at character {token.at}: more than {MAX_JOINED} conditions; use IN (…)")


# What the parser says, in the words of the language: it names the rules of its grammar that it tried.
def _parse_problem(message: str, text: str, tokens: list[_Token]) -> ValueError:
    place = re.search(r"--> (\d+):(\d+)", message)
    if place is None:
        return ValueError(f"expected CQL2 text ({message})")
    line, column = map(int, place.groups())
    start = sum(len(each) + 1 for each in text.split("\n")[: line - 1]) + column
    found = next((token for token in tokens if token.at + len(token.shown) > start), tokens[-1])
    tried = set(re.findall(r"\w+", message.rpartition("= expected")[2]))
    after_not = tried & {"Like", "In"} and "NotFlag" not in tried
    if "And" in tried and after_not and found.value == "not":
        return ValueError(f"at character {found.at}: expected IN, LIKE or BETWEEN after NOT")
    if "And" in tried:
        inner = sum(token.shown == "(" for token in tokens if token.at < found.at)
        inner -= sum(token.shown == ")" for token in tokens if token.at < found.at)
        expected = f"AND, OR, {OPERATORS} or {') or a comma' if inner > 0 else 'the end'}"
    elif tried <= {"NotFlag", "Null"}:
        expected = "NULL or NOT NULL"
    elif found.at == 1 or found.shown == "(":
        expected = "a condition such as kind = 'reserve'"
    else:
        expected = "a value or a condition"
    hint = ""
    if found.kind == "column" and found.shown[0] in "_:":
        hint = f'; write "{found.shown}", with the quotation marks'
    return ValueError(f"at character {found.at}: expected {expected} (found {found.shown}){hint}")


# Takes the library's tree, in the notation of CQL2 JSON, apart; columns stand in it in the order of the text.
class _Reader:
    def __init__(self, tokens: list[_Token]) -> None:
        self.tokens = tokens
        self.columns = iter([token for token in tokens if token.kind == "column"])

    def condition(self, node: Any) -> Condition:
        if isinstance(node, bool):
            raise self.wrong("a condition", str(node).upper(), "leave where out if all features count", str(node))
        if isinstance(node, dict) and "property" in node:
            column = self.column(node)
            raise ValueError(
                f"at character {column.at}: expected a condition (found the column {column.shown}); "
                f"for a column of true and false write {column.shown} = TRUE"
            )
        if not isinstance(node, dict) or "op" not in node:
            raise self.wrong("a condition", "a value alone")
        operator, parts = node["op"].lower(), node["args"]
        if operator in ("and", "or"):
            return (Both if operator == "and" else Either)(tuple(self.condition(part) for part in parts))
        if operator == "not":
            return Not(self.condition(parts[0]))
        if operator == "isnull":
            column, foldings = self.folded_column(parts[0])
            if foldings:
                raise self.wrong("a column before IS NULL", foldings[-1].upper(), "leave it out", foldings[-1])
            return IsNull(column.value, column.at)
        if operator in (*COMPARISONS, "in", "like", "between"):
            return self.comparison(operator, parts)
        raise self.unsupported(operator)

    def comparison(self, operator: str, parts: list[Any]) -> Compared:
        column, foldings = self.folded_column(parts[0])
        stated = parts[1] if operator == "in" else parts[1:]
        if not isinstance(stated, list):
            raise self.wrong("values in parentheses after IN", "another thing")
        values = tuple(self.value(each, column) for each in stated)
        if operator == "like" and not isinstance(values[0], str):
            raise ValueError(f"at character {column.at}: expected a text after LIKE (found {values[0]!r})")
        if operator == "between" and not all(_is_number(value) for value in values):
            raise ValueError(
                f"at character {column.at}: expected two numbers for BETWEEN (found {values[0]!r} and "
                f"{values[1]!r}); write {column.shown} >= … AND {column.shown} <= … for dates"
            )
        if operator == "between" and values[0] > values[1]:
            raise ValueError(
                f"at character {column.at}: expected BETWEEN the smaller AND the larger number (found "
                f"{values[0]} and {values[1]})"
            )
        for value in values if foldings else ():
            if not isinstance(value, str):
                raise ValueError(f"at character {column.at}: expected text to compare (found {value!r})")
            if folded(value, foldings) != value:
                both = f"'{value}'"
                for folding in foldings:
                    both = f"{folding.upper()}({both})"
                raise ValueError(
                    f"at character {column.at}: expected the same on both sides, {both} (found '{value}', which "
                    f"{foldings[-1].upper()} never gives)"
                )
        return Compared(column.value, operator, values, column.at, foldings)

    # A column, as its token, with what is done to its text, the inner folding first.
    def folded_column(self, node: Any) -> tuple[_Token, tuple[str, ...]]:
        node, foldings = _inside_foldings(node)
        if isinstance(node, dict) and "property" in node:
            return self.column(node), foldings
        if isinstance(node, dict) and "op" in node:
            raise self.unsupported(node["op"].lower())
        shown = _shown_value(node)
        name = isinstance(node, str) and re.fullmatch(r"\w+", node)
        hint = f'for the column of that name write {node} or "{node}"' if name else "write the column first"
        raise self.wrong("a column before the operator", shown, hint, shown)

    def column(self, node: dict[str, str]) -> _Token:
        token = next(self.columns, self.tokens[-1])
        if token.value != node["property"]:
            raise self.not_clear(token)
        return token

    def value(self, node: Any, column: _Token) -> Any:
        node, foldings = _inside_foldings(node)
        if foldings and not isinstance(node, str):
            raise ValueError(f"at character {column.at}: expected a text in {foldings[-1].upper()} of the value")
        if isinstance(node, str):
            return folded(node, foldings)
        if isinstance(node, bool):
            return node
        if isinstance(node, int | float):
            return int(node) if float(node).is_integer() else float(node)
        if node is None:
            hint = f"write {column.shown} IS NULL for a value that is missing"
            raise self.wrong("a value", "NULL", hint, "null")
        if isinstance(node, dict):
            for name, (form, example) in INSTANTS.items():
                if name in node:
                    if not isinstance(node[name], str) or not form.fullmatch(node[name]):
                        raise self.wrong(f"a date or time such as {example}", repr(node[name]), None, name)
                    return Instant(node[name], name == "date")
            if "property" in node:
                other = self.column(node)
                raise ValueError(
                    f"at character {other.at}: expected a value (found the column {other.shown}); text stands in "
                    "single quotation marks, and two columns cannot be compared"
                )
            if "op" in node:
                raise self.unsupported(node["op"].lower())
        raise self.wrong("a value", "a geometry, an interval or a list", f"supported are {SUPPORTED}")

    def expect_no_more_columns(self) -> None:
        token = next(self.columns, None)
        if token is not None:
            raise self.not_clear(token)

    # Words that the parser takes apart otherwise than by spaces, as in 1 ANDzone = 2, or keywords as columns.
    def not_clear(self, token: _Token) -> ValueError:
        if token.kind == "end":
            names = ", ".join(KEYWORDS).upper()
            return ValueError(
                "a word of the language stands for a column; write the column in double quotation marks if its "
                f"name is one of {names}"
            )
        return ValueError(
            f"at character {token.at}: expected a column, a value or a word of the language (found "
            f"{token.shown}); put a space between words, and an odd name of a column in double quotation marks"
        )

    def unsupported(self, operator: str) -> ValueError:
        if operator in ARITHMETIC:
            what, fix = "arithmetic", "compute the column in the layer first"
        elif operator in FOLDINGS:
            what, fix = operator.upper(), "compare it with a value"
        elif operator in COMPARISONS or operator in ("and", "or", "not", "in", "like", "between", "isnull"):
            what, fix = "a condition as a value", "join conditions by AND, OR and NOT"
        else:
            what, fix = FAMILIES.get(operator[:2], ("a function", "give the layer a column for it"))
        return self.wrong(f"what a rule can evaluate: {SUPPORTED}", f"{what}, {operator.upper()}", fix, operator)

    # An error at the first token that reads like what is meant.
    def wrong(self, expected: str, found: str, fix: str | None = None, word: str | None = None) -> ValueError:
        places = [token.at for token in self.tokens if word and token.shown.lower() == word.lower()]
        where = f"at character {places[0]}: " if places else ""
        return ValueError(f"{where}expected {expected} (found {found})" + (f"; {fix}" if fix else ""))


# What stands within CASEI and ACCENTI, and their names from the inside out.
def _inside_foldings(node: Any) -> tuple[Any, tuple[str, ...]]:
    foldings: tuple[str, ...] = ()
    while isinstance(node, dict) and (name := node.get("op", "").lower()) in FOLDINGS:
        foldings = (name, *foldings)
        node = node["args"][0]
    return node, foldings


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


# A value as CQL2 text shows it, which is how the token of it reads.
def _shown_value(node: Any) -> str:
    if isinstance(node, str):
        return "'" + node.replace("'", "''") + "'"
    if isinstance(node, bool) or node is None:
        return "NULL" if node is None else str(node).upper()
    if isinstance(node, int | float):
        return f"{node:g}"
    return "no column"


Publication = Literal["exact", "generalised", "hidden"]
# What reasons call a rule whose name is not to be read in the results.
SENSITIVE = "sensitive area"
# Settings that mean something only where a rule works along the stream.
ALONG_STREAM = ("effect_distance_m", "stops_at_drop_m")


class RuleSettings(LayerSource):
    """One exclusion or sensitivity layer with what it means."""

    name: str = Field(min_length=1, description="name of the rule, as reasons list it")
    action: Action = Field(description="what the rule does where it holds")
    column: str | None = Field(None, description="column to filter by")
    values: list[str | int | float | bool] | None = Field(None, description="values that count")
    where: str | None = Field(
        None,
        description="features that count, in place of column and values, as OGC CQL2 text: "
        "category = 'reserve' AND zone < 3",
    )
    buffer_m: float = Field(0.0, ge=0, description="distance around each feature that counts as under it [m]")
    area_ha_column: str | None = Field(
        None, description="column with the area of points [ha], which become discs of that area"
    )
    area_m2_column: str | None = Field(None, description="the same in square metres [m²]")
    touching_counts: bool = Field(False, description="true where a feature that only touches the stream counts")
    min_overlap_m: float = Field(0.0, ge=0, description="overlap of a reach or stretch that counts [m]")
    min_overlap_share: float = Field(
        0.0, ge=0, le=1, description="share of a reach's or stretch's own length that counts"
    )
    effect: Effect = Field(
        UNDER.name, description="where the rule holds: under the layer, or there and along the stream from it"
    )
    effect_distance_m: float | None = Field(
        None, gt=0, description="how far along the stream [m]; absent: to the outlet, or to the sources"
    )
    ends_at_falls: bool = Field(
        True, description="whether the effect along the stream ends at natural falls (inputs.falls, structures)"
    )
    stops_at_drop_m: float | None = Field(
        None,
        gt=0,
        description="a drop of the long profile within a station's segment that ends the effect, too [m]",
    )
    closed_months: list[Month] = Field(
        default_factory=list,
        description="months without abstraction where the rule holds, 1 to 12; listed, not valued",
    )
    covered_by: LayerSource | None = Field(
        None, description="polygons of the area that the layer covers; outside it the rule is unknown"
    )
    publish: Publication = Field(
        "exact",
        description="what results show: generalised: no feature and no place within the reach; hidden: "
        "nor the rule's name, layer and filter",
    )
    may_be_empty: bool = Field(False, description="true where an empty or distant layer is right")

    @field_validator("where")
    @classmethod
    def _filter_reads(cls, where):
        if where is not None:
            parse_filter(where)
        return where

    @model_validator(mode="after")
    def _settings_belong_together(self):
        if (self.column is None) != (self.values is None):
            raise ValueError("column and values belong together")
        if self.where is not None and self.column is not None:
            raise ValueError("state where, or column and values, not both")
        if self.area_ha_column is not None and self.area_m2_column is not None:
            raise ValueError("state area_ha_column or area_m2_column, not both")
        if self.min_overlap_m > 0 and self.min_overlap_share > 0:
            raise ValueError("state min_overlap_m or min_overlap_share, not both")
        if self.touching_counts and (self.min_overlap_m > 0 or self.min_overlap_share > 0):
            raise ValueError("touching_counts and a least overlap contradict each other")
        if self.effect == UNDER.name and (
            stated := [name for name in ALONG_STREAM if getattr(self, name) is not None]
        ):
            raise ValueError(f'{stated[0]} needs effect = "downstream" or "upstream"')
        action = named(ACTIONS, self.action)
        if action.bars == BARS_ALL and not action.allowed_by and self.closed_months:
            raise ValueError(
                f'action = "{self.action}" closes all months; state closed_months with another action'
            )
        return self

    @property
    def reported_as(self):
        """What results call the rule."""
        return SENSITIVE if self.publish == "hidden" else self.name


def checked_rule_names(rules):
    """The rules, if each has a name of its own that no other rule is told as.

    Parameters
    ----------
    rules : list of RuleSettings

    Returns
    -------
    list of RuleSettings

    Raises
    ------
    ValueError
        Naming those found twice, or a rule that is called as hidden ones are told.
    """
    names = [rule.name for rule in rules]
    if repeated := sorted({name for name in names if names.count(name) > 1}):
        raise ValueError(f"each rule needs a name of its own (found twice: {', '.join(repeated)})")
    if SENSITIVE in names and any(rule.publish == "hidden" and rule.name != SENSITIVE for rule in rules):
        raise ValueError(f"{SENSITIVE} is what hidden rules are told as; call the rule of that name otherwise")
    return rules
