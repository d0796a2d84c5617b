"""Settings of the rules: exclusion and sensitivity layers, and the filters of their features."""

import functools
import re
import unicodedata
from collections.abc import Iterable
from typing import Any, Literal, NamedTuple, Self

from pydantic import Field, field_validator, model_validator

from sitefinder.settings.choices import Action, Effect, FishSafety, PassedKind
from sitefinder.settings.flows import Month
from sitefinder.settings.inputs import LayerSource
from sitefinder.vocabulary import ACTIONS, AS_BUILT_SAFETY, BARS_ALL, FISH_SAFE_ONLY, SCREENED_SAFETY, UNDER, named

SUPPORTED = (
    "columns compared with values by =, <>, <, <=, >, >=, BETWEEN, IN, LIKE and IS NULL, joined by AND, OR and "
    "NOT; CASEI, ACCENTI, DATE and TIMESTAMP"
)
# Tokens of a filter text: to report character positions, and to reject what the parser would tolerate.
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
# Spellings that are not CQL2, and the CQL2 spelling.
SPELLINGS = {"==": "=", "!=": "<>"}
COMPARISONS = ("=", "<>", "<", "<=", ">", ">=")
# Number of values and conditions that each operator takes; AND and OR take as many or more.
ARGUMENTS = {"not": 1, "isnull": 1, "between": 3, "in": 2, "like": 2, "and": 2, "or": 2} | dict.fromkeys(
    COMPARISONS, 2
)
OPERATORS = "=, <>, <, <=, >, >=, BETWEEN, IN, LIKE, IS NULL"
# The parser is recursive, and a text that exhausts the stack would end the program without a message: 300
# levels do so with a stack of 1 MB. Filters are written by hand.
MAX_DEPTH = 50
# With each bracket within another it takes the parser twice as long to find that a text is wrong: 0.1 s with 14,
# 19 s with 22 (measured).
MAX_BRACKETS = 15
MAX_JOINED = 1000
# The parser does not represent every integer above this exactly (IEEE 754, binary64: 53 bits).
MAX_WHOLE_NUMBER = 2**53
FOLDINGS = ("casei", "accenti")
# Year, month and day; whether the day exists is checked on comparison.
DAY = r"\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])"
INSTANTS = {
    "date": (re.compile(DAY), "DATE('2024-05-31')"),
    "timestamp": (
        re.compile(DAY + r"T([01]\d|2[0-3]):[0-5]\d:[0-5]\d(\.\d+)?Z"),
        "TIMESTAMP('2024-05-31T12:00:00Z')",
    ),
}
# Families of CQL2 functions by the prefix of their names, with the alternative to suggest.
FAMILIES = {
    "s_": ("a spatial function", "a rule already applies where its features are; clip the layer instead"),
    "t_": ("a temporal function", "compare dates with =, <>, <, <=, > or >="),
    "a_": ("an array function", "add a column for it to the layer"),
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

    ``operator`` is =, <>, <, <=, >, >=, in, like or between; ``at`` the character position of the column in the
    text, from 1, or 0 without a text; ``foldings`` the functions applied to the column first, innermost first:
    casei, accenti.
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
    """The negation of a condition."""

    condition: "Condition"


class Both(NamedTuple):
    """Conditions joined by AND."""

    conditions: "tuple[Condition, ...]"


class Either(NamedTuple):
    """Conditions joined by OR."""

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
        With the character position, what was expected, what was found, and a fix where one is clear.

    Examples
    --------
    >>> parse_filter("kind = 'reserve' AND NOT zone IN (3, 4)")
    Both(conditions=(Compared(column='kind', operator='=', values=('reserve',), at=1, foldings=()), \
Not(condition=Compared(column='zone', operator='in', values=(3, 4), at=26, foldings=()))))
    """
    # Imported here: most runs have no filter.
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
    """Text without case (``casei``) or accents (``accenti``), for comparison.

    Examples
    --------
    >>> folded("Straße", ["casei"]), folded("débárquér", ["accenti"])
    ('strasse', 'debarquer')
    """
    for folding in foldings:
        if folding == "casei":
            text = text.casefold()
        else:
            decomposed = unicodedata.normalize("NFD", text)
            text = unicodedata.normalize(
                "NFC", "".join(each for each in decomposed if not unicodedata.combining(each))
            )
    return text


# Tokens of the text, with an end token; rejects what the library reads differently from the standard.
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
                    "store such numbers as text in the layer"
                )
        if kind == "quoted":
            kind, value = "column", shown[1:-1].replace('""', '"')
        elif kind == "word":
            kind, value = ("keyword", shown.lower()) if shown.lower() in KEYWORDS else ("column", shown)
        elif shown == "(" and tokens and tokens[-1].kind == "column" and not tokens[-1].shown.startswith('"'):
            tokens[-1] = tokens[-1]._replace(kind="function", value=tokens[-1].value.lower())
        tokens.append(_Token(kind, value, shown, at))
    return [*tokens, _Token("end", "", "the end", len(text) + 1)]


# Rejects a text that could exhaust the parser's stack, or keep it busy without end.
def _validate_depth(tokens: list[_Token]) -> None:
    depth = joined = run = 0
    for token in tokens:
        depth += {"(": 1, ")": -1}.get(token.shown, 0)
        joined += token.value in ("and", "or")
        run = 0 if token.value in ("and", "or") or token.shown in ("(", ")", ",") else run + 1
        if depth > MAX_BRACKETS:
            raise ValueError(f"at character {token.at}: more than {MAX_BRACKETS} brackets within each other")
        if run > MAX_DEPTH:
            raise ValueError(f"at character {token.at}: more than {MAX_DEPTH} conditions within each other")
        if joined > MAX_JOINED:
            raise ValueError(f"at character {token.at}: more than {MAX_JOINED} conditions; use IN (…)")


# An error of the parser, in terms of CQL2: the parser lists the grammar rules that it tried.
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


# Converts the library's CQL2 JSON tree; its columns are in the order of the text.
class _Reader:
    def __init__(self, tokens: list[_Token]) -> None:
        self.tokens = tokens
        self.columns = iter([token for token in tokens if token.kind == "column"])

    def condition(self, node: Any) -> Condition:
        if isinstance(node, bool):
            raise self.wrong("a condition", str(node).upper(), "remove where if all features count", str(node))
        if isinstance(node, dict) and "property" in node:
            column = self.column(node)
            raise ValueError(
                f"at character {column.at}: expected a condition (found the column {column.shown}); "
                f"for a column of true and false write {column.shown} = TRUE"
            )
        if not isinstance(node, dict) or "op" not in node:
            raise self.wrong("a condition", "a value alone")
        operator, parts = node["op"].lower(), node["args"]
        # The parser also takes an operator for a function, of any number of arguments.
        count = ARGUMENTS.get(operator, len(parts))
        if len(parts) < count or (len(parts) > count and operator not in ("and", "or")):
            name = operator.upper()
            raise self.wrong(f"{name} among its values", f"{name} as a function of {len(parts)}", None, operator)
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
        if not isinstance(stated, list) or not stated:
            raise self.wrong("values in parentheses after IN", "none" if stated == [] else "something else")
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
                    f"at character {column.at}: expected the same function on both sides, {both} (found "
                    f"'{value}', which {foldings[-1].upper()} never returns)"
                )
        return Compared(column.value, operator, values, column.at, foldings)

    # A column as its token, and the functions applied to it, innermost first.
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
                    f"at character {other.at}: expected a value (found the column {other.shown}); put text in "
                    "single quotation marks; two columns cannot be compared"
                )
            if "op" in node:
                raise self.unsupported(node["op"].lower())
        raise self.wrong("a value", "a geometry, an interval or a list", f"supported are {SUPPORTED}")

    def expect_no_more_columns(self) -> None:
        token = next(self.columns, None)
        if token is not None:
            raise self.not_clear(token)

    # Words that the parser separates without a space, as in 1 ANDzone = 2, or keywords used as columns.
    def not_clear(self, token: _Token) -> ValueError:
        if token.kind == "end":
            names = ", ".join(KEYWORDS).upper()
            return ValueError(
                "a keyword is used as a column; put the column in double quotation marks if its name is one of "
                f"{names}"
            )
        return ValueError(
            f"at character {token.at}: expected a column, a value or a keyword (found "
            f"{token.shown}); put a space between words, and an unusual column name in double quotation marks"
        )

    def unsupported(self, operator: str) -> ValueError:
        if operator in ARITHMETIC:
            what, fix = "arithmetic", "compute the column in the layer first"
        elif operator in FOLDINGS:
            what, fix = operator.upper(), "compare it with a value"
        elif operator in COMPARISONS or operator in ("and", "or", "not", "in", "like", "between", "isnull"):
            what, fix = "a condition as a value", "join conditions by AND, OR and NOT"
        else:
            what, fix = FAMILIES.get(operator[:2], ("a function", "add a column for it to the layer"))
        return self.wrong(f"what a rule can evaluate: {SUPPORTED}", f"{what}, {operator.upper()}", fix, operator)

    # An error at the position of the first matching token.
    def wrong(self, expected: str, found: str, fix: str | None = None, word: str | None = None) -> ValueError:
        places = [token.at for token in self.tokens if word and token.shown.lower() == word.lower()]
        where = f"at character {places[0]}: " if places else ""
        return ValueError(f"{where}expected {expected} (found {found})" + (f"; {fix}" if fix else ""))


# The argument of CASEI and ACCENTI, and their names, innermost first.
def _inside_foldings(node: Any) -> tuple[Any, tuple[str, ...]]:
    foldings: tuple[str, ...] = ()
    while isinstance(node, dict) and (name := node.get("op", "").lower()) in FOLDINGS and node["args"]:
        foldings = (name, *foldings)
        node = node["args"][0]
    return node, foldings


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


# A value as CQL2 text, as in its token.
def _shown_value(node: Any) -> str:
    if isinstance(node, str):
        return "'" + node.replace("'", "''") + "'"
    if isinstance(node, bool) or node is None:
        return "NULL" if node is None else str(node).upper()
    if isinstance(node, int | float):
        return f"{node:g}"
    return "no column"


Publication = Literal["exact", "generalised", "hidden"]
# Display name of a rule whose name is not published.
SENSITIVE = "sensitive area"
# Settings that only apply to a rule with an effect along the stream.
ALONG_STREAM = ("effect_distance_m", "stops_at_drop_m")


class RuleSettings(LayerSource):
    """One exclusion or sensitivity layer and its meaning."""

    name: str = Field(min_length=1, max_length=200, description="name of the rule, as listed in reasons")
    action: Action = Field(description="what the rule does where it applies")
    fish_safe_only: FishSafety | None = Field(
        None,
        description='question that action = "fish_safe_only" asks: as_built, no screen counts, as action = '
        '"fish_safe_as_built"; screened, a turbine behind a screen may be used; absent: fish.safe',
    )
    column: str | None = Field(
        None, description="column to filter by; absent: all features count, or those of where"
    )
    values: list[str | int | float | bool] | None = Field(
        None, description="values of that column that count; absent: all features count, or those of where"
    )
    where: str | None = Field(
        None,
        description="filter instead of column and values, as OGC CQL2 text: category = 'reserve' AND zone < 3; "
        "absent: no such filter",
    )
    buffer_m: float = Field(0.0, ge=0, le=100_000.0, description="buffer around each feature [m]")
    area_ha_column: str | None = Field(
        None,
        description="column of the area of points [ha], which become discs of that area; absent: points stay "
        "points",
    )
    area_m2_column: str | None = Field(
        None, description="the same in square metres [m²]; absent: points stay points"
    )
    touching_counts: bool = Field(False, description="true: a feature that only touches the stream counts")
    min_overlap_m: float = Field(0.0, ge=0, description="minimum overlap with a reach or stretch [m]")
    min_overlap_share: float = Field(
        0.0, ge=0, le=1, description="minimum overlap as a share of the length of the reach or stretch"
    )
    effect: Effect = Field(
        UNDER.name,
        description="where the rule applies: under the features, or there and along the stream from them",
    )
    effect_distance_m: float | None = Field(
        None,
        gt=0,
        description="distance along the stream over which it applies [m]; absent: to the outlet, or to the "
        "sources",
    )
    ends_at_falls: bool = Field(
        True, description="whether the effect along the stream ends at natural falls (inputs.falls, structures)"
    )
    stops_at_drop_m: float | None = Field(
        None,
        gt=0,
        description="drop of the long profile between two stations that also ends the effect [m]; absent: none "
        "does",
    )
    closed_months: list[Month] = Field(
        default_factory=list,
        description="months, 1 to 12, in which nothing may be abstracted where the rule applies; their energy is "
        "taken away where monthly equations, daily records or flows.regime say when water flows",
    )
    never_past: list[PassedKind] = Field(
        default_factory=list,
        description="what no diversion may go past and no pond may drown where the rule applies, as in "
        "stretches.never_past; in addition to the action",
    )
    covered_by: LayerSource | None = Field(
        None,
        description="polygons of the area that the layer covers; outside it the rule is unknown; absent: it "
        "covers the whole region",
    )
    publish: Publication = Field(
        "exact",
        description="exact; generalised: results give no feature and no position within the reach; hidden: nor "
        "the rule's name, layer and filter",
    )
    publish_cell_m: float | None = Field(
        None,
        gt=0,
        description="side of the square cells that a public edition shows instead of the features of a layer that "
        "is generalised or hidden [m]; absent: publication.cell_m",
    )
    may_be_empty: bool = Field(False, description="true: an empty or distant layer is not an error")

    @model_validator(mode="before")
    @classmethod
    def _question_is_an_action(cls, fields: object) -> object:
        if isinstance(fields, dict) and fields.get("fish_safe_only") == AS_BUILT_SAFETY.name:
            [as_built] = [action.name for action in ACTIONS if action.asks == AS_BUILT_SAFETY.name]
            if fields.get("action") == FISH_SAFE_ONLY:
                return {**fields, "action": as_built}
        return fields

    @field_validator("where")
    @classmethod
    def _filter_is_valid(cls, where: str | None) -> str | None:
        if where is not None:
            parse_filter(where)
        return where

    @model_validator(mode="after")
    def _settings_belong_together(self) -> Self:
        if (self.column is None) != (self.values is None):
            raise ValueError("column and values belong together")
        if self.where is not None and self.column is not None:
            raise ValueError("state where, or column and values, not both")
        if self.area_ha_column is not None and self.area_m2_column is not None:
            raise ValueError("state area_ha_column or area_m2_column, not both")
        if self.min_overlap_m > 0 and self.min_overlap_share > 0:
            raise ValueError("state min_overlap_m or min_overlap_share, not both")
        if self.touching_counts and (self.min_overlap_m > 0 or self.min_overlap_share > 0):
            raise ValueError("touching_counts contradicts min_overlap_m and min_overlap_share")
        if self.effect == UNDER.name and (
            stated := [name for name in ALONG_STREAM if getattr(self, name) is not None]
        ):
            raise ValueError(f'{stated[0]} needs effect = "downstream" or "upstream"')
        action = named(ACTIONS, self.action)
        if self.fish_safe_only is not None and not action.fish_safe_only:
            raise ValueError(f'fish_safe_only needs action = "{FISH_SAFE_ONLY}"')
        if self.fish_safe_only == SCREENED_SAFETY.name and action.asks == AS_BUILT_SAFETY.name:
            raise ValueError(f'action = "{self.action}" contradicts fish_safe_only = "{self.fish_safe_only}"')
        if action.bars == BARS_ALL and not action.allowed_by and self.closed_months:
            raise ValueError(
                f'action = "{self.action}" closes all months; state closed_months with another action'
            )
        return self

    @property
    def display_name(self) -> str:
        """Name of the rule in the results."""
        return SENSITIVE if self.publish == "hidden" else self.name


def checked_rule_names(rules: list[RuleSettings]) -> list[RuleSettings]:
    """The rules, if each has a unique name that no hidden rule is displayed with.

    Parameters
    ----------
    rules : list of RuleSettings

    Returns
    -------
    list of RuleSettings

    Raises
    ------
    ValueError
        Listing duplicate names, or a rule with the display name of hidden rules.
    """
    names = [rule.name for rule in rules]
    if repeated := sorted({name for name in names if names.count(name) > 1}):
        raise ValueError(f"each rule needs a unique name (found twice: {', '.join(repeated)})")
    if SENSITIVE in names and any(rule.publish == "hidden" and rule.name != SENSITIVE for rule in rules):
        raise ValueError(f"{SENSITIVE} is the display name of hidden rules; rename the rule of that name")
    return rules
