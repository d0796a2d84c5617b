"""The English texts that a catalogue must have, and a catalogue brought up to date with them.

    python3 tests/tools/messages.py de

adds the texts that ``sitefinder/report/languages/de.po`` lacks, with nothing as their translation, and drops those
that nothing shows any more. What was translated stays.
"""

import ast
import io
import itertools
import re
import sys
from pathlib import Path
from typing import NamedTuple

from sitefinder import vocabulary
from sitefinder.report import changes, map_signs, on_stream, summary, table_texts
from sitefinder.report.languages import catalogue, said_in
from sitefinder.report.page import page, region, region_map, sites, structures
from sitefinder.report.sheets import amounts, maps, profiles, site_data
from sitefinder.schema import LAYERS, wording
from sitefinder.schema.change_layers import CHANGES
from sitefinder.siting.limits import CUMULATIVE_LIMITS

REPORT = Path(table_texts.__file__).parent
# Output of commands that stays English.
ENGLISH_ALONE = {
    *("explanation.py", "fit.py", "inspection.py", "text_comparison.py"),
    "fit_page.html.j2",
}
# Names of variables that hold headings of tables, and of functions that take one first.
HEADINGS, TAKES_HEADING = {"heads", "headings", "columns"}, {"Heading", "_figure_head"}
# Functions of sheets that list pairs of label and text.
LABELLED = {"_water", "_plant", "_access", "_q95", "_in_full", "_ends"}


class Message(NamedTuple):
    """An English text, its plural, and the context that distinguishes it from others; empty for none."""

    text: str
    plural: str = ""
    context: str = ""


def messages():
    """Every text that is shown in the language of a delivery.

    Returns
    -------
    list of Message
        In a fixed order, each once.
    """
    found = [Message(text) for text in filter(None, _declared())]
    found += [Message(side, "", amounts.SIDE) for side in "".join(amounts.SIDES.values())]
    for path in sorted(REPORT.rglob("*")):
        if path.name in ENGLISH_ALONE or path.parent.name == "languages":
            continue
        if path.suffix == ".py":
            found += _of_module(path)
        elif path.suffix == ".j2":
            found += _of_template(path.read_text(encoding="utf-8"))
        elif path.suffix in (".js", ".typ"):
            found += [Message(text) for text in said_in(path.read_text(encoding="utf-8"))]
    plurals = {(each.context, each.text) for each in found if each.plural}
    # What has a plural is found by its singular too.
    kept = [each for each in found if each.plural or (each.context, each.text) not in plurals]
    return list(dict.fromkeys(kept))


def translations(tag):
    """What a catalogue makes of each text.

    Parameters
    ----------
    tag : str

    Returns
    -------
    dict of Message to tuple of str
        The translation, or that of each number; texts that are empty or doubtful are "".
    """
    found = {}
    for each in catalogue(tag):
        if each.id:
            one, many = each.id if isinstance(each.id, tuple) else (each.id, "")
            strings = _strings(each)
            found[Message(one, many, each.context or "")] = ("",) * len(strings) if each.fuzzy else strings
    return found


# Texts that are declared as data, in the order of the page and the sheets.
def _declared():
    words = vocabulary
    for verdict in words.VERDICTS:
        yield from (verdict.name, verdict.label, verdict.phrase)
    for action in (*words.ACTIONS, words.DOUBT):
        yield from (action.label, action.phrase)
    for each in words.SCHEME_TYPES:
        yield from (each.label, each.phrase)
    for each in (*words.REJECTION_REASONS, *words.STRUCTURE_REASONS):
        yield from (each.name, each.phrase)
    for flag in words.FLAGS:
        yield from (flag.label, flag.phrase, flag.phrase_with_value)
    yield from words.labels(words.DECISIONS).values()
    for relation in words.RIGHT_RELATIONS:
        yield from (relation.name, relation.phrase)
    yield from (kind.replace("_", " ") for kind in words.ABSTRACTION_KINDS)
    for each in words.NOT_APPLIED:
        yield from (each.name, each.phrase)
    for records in (
        words.PASSED_KINDS,
        words.EVIDENCE_GRADES,
        words.FISH_SAFETIES,
        words.MIGRATION_DIRECTIONS,
        words.PASSAGE_STATES,
        words.BARRIER_KINDS,
        words.REGRESSION_STRENGTHS,
    ):
        yield from words.labels(records).values()
    yield from words.phrases(words.PASSAGE_BASES).values()
    yield from (*words.PASSED_ROLES, *words.DEPLETED_PLACES, "everything", "district", "outside districts")
    yield wording.SCREENING
    yield from (*wording.NOT_KNOWN, *wording.READING, *wording.SAFETY)
    yield from (wording.FLOW_TOO_WEAK_ALLOWED, wording.FLOW_TOO_WEAK_REFUSED)
    yield from (heading for _, heading in page.SECTIONS)
    yield from page.FILE_LABELS.values()
    yield from (label for _, label, _ in sites.SHOWN)
    yield from itertools.chain.from_iterable((fact.group, fact.label) for fact in sites.FACTS)
    yield from (fact.needs.replace("_", " ") for fact in sites.FACTS)
    yield from (label for label, _ in sites.OPTIONS)
    yield from (f"by {each}" for each in sites.RANKED_BY_WORDS.values())
    yield from (*region_map.REACH_TIP, *region_map.AREA_TIP, *structures.TIP)
    yield from (label for _, label, _ in region_map.SITE_LAYERS)
    yield from (label for _, label in (*region_map.CONDUIT_PARTS, *region_map.CONTEXT_LINES))
    for kind in map_signs.MAP_KINDS:
        yield from (kind.label, kind.label.capitalize())
    yield from (name for name, _ in region.QUANTITIES.values())
    yield from (column.name.replace("_", " ") for column in LAYERS["flow_equations"].columns)
    yield from (*CUMULATIVE_LIMITS, *summary.LIMIT_UNITS.values())
    yield from (label for _, label in on_stream.STATED)
    yield from (*maps.CONDUIT_PARTS, *(name for name, _ in maps.ENDS), *profiles.AXES)
    yield from (*site_data.BANKS.values(), *site_data.CONTRIBUTIONS.values(), site_data.RIGHT_BANK)
    yield from (*site_data.MARKS, *site_data.NAMES_OF_ENDS)
    yield from table_texts.TABLE_TEXTS
    yield from (*changes.CAUSE_TEXTS, changes.UNTRACED, *CHANGES)
    yield from changes.RUNS.values()
    yield from sites.TIP
    yield from (text for _, text in table_texts.FLOW_SOURCES)
    yield from _meanings()


# Meanings of columns that the page shows beside headings.
def _meanings():
    shown = {("sites", name) for name, _, _ in sites.SHOWN}
    shown |= {("sites", fact.columns[0]) for fact in sites.FACTS}
    shown |= {("turbine_options", name) for _, name in sites.OPTIONS}
    shown |= {("flow_equations", column.name) for column in LAYERS["flow_equations"].columns}
    for path in sorted((REPORT / "page").glob("*.py")):
        for function in _functions(path):
            shown |= set(_asked_for(function))
    for layer in LAYERS.values():
        yield from (column.meaning for column in layer.columns if (layer.name, column.name) in shown)


# Layer and column of each meaning that a function asks for.
def _asked_for(function):
    keys = {
        key.value
        for node in ast.walk(function)
        if isinstance(node, ast.Dict)
        for key in node.keys
        if isinstance(key, ast.Constant)
    }
    for call in _calls(ast.walk(function), {"meaning_of", "_figure_head"}):
        *_, layer, column = call.args
        layers = [layer.value] if isinstance(layer, ast.Constant) else ["structures", "drops"]
        columns = [column.value] if isinstance(column, ast.Constant) else keys
        yield from itertools.product(layers, columns)


def _functions(path):
    module = ast.parse(path.read_text(encoding="utf-8"))
    return [node for node in ast.walk(module) if isinstance(node, ast.FunctionDef)]


def _calls(nodes, names):
    for each in nodes:
        if isinstance(each, ast.Call) and isinstance(each.func, ast.Name) and each.func.id in names:
            yield each


# Texts of a module: what it says, headings of its tables, labels of its pairs.
def _of_module(path):
    module = ast.parse(path.read_text(encoding="utf-8"))
    constants = _assigned(module.body)
    found = []
    for function in (node for node in ast.walk(module) if isinstance(node, ast.FunctionDef)):
        nodes = list(ast.walk(function))
        names = constants | _assigned(nodes)
        calls = [node for node in nodes if isinstance(node, ast.Call)]
        for call in _calls(calls, {"say"}):
            found += [Message(text) for text in _texts(call.args[0], names)]
        for call in _calls(calls, {"say_as"}):
            found += [
                Message(text, "", context)
                for text in _texts(call.args[1], names)
                for context in _texts(call.args[0], names)
            ]
        for call in _calls(calls, {"plural"}):
            pairs = zip(*(_texts(each, names) for each in call.args[:2]), strict=True)
            found += [Message(*pair) for pair in pairs]
        for call in _calls(calls, TAKES_HEADING):
            found += [Message(_untitled(text)) for text in _texts(call.args[0], names)]
        for call in _calls(calls, {"table"}):
            found += [Message(_untitled(text)) for text in _within(call.args[1])] if len(call.args) > 1 else []
        is_of_table = any(_calls(calls, {"table"}))
        for node in nodes:
            is_heads = isinstance(node, ast.Return) and function.name.endswith(("headings", "_heads"))
            if isinstance(node, ast.Assign) and is_of_table:
                is_heads = any(getattr(to, "id", "") in HEADINGS for to in node.targets)
            if is_heads:
                found += [Message(_untitled(text)) for text in _within(node.value)]
        if function.name in LABELLED:
            found += [Message(text) for text in _labels_of(function)]
    return [each for each in found if each.text]


# Values of names that hold a text or a choice of texts.
def _assigned(nodes):
    names = {}
    for node in nodes:
        if isinstance(node, ast.Assign):
            for target in node.targets:
                values = [(target, node.value)]
                if isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple):
                    values = zip(target.elts, node.value.elts, strict=True)
                for name, value in values:
                    if isinstance(name, ast.Name):
                        names.setdefault(name.id, []).append(value)
        if isinstance(node, ast.For | ast.comprehension):
            for name, value in _looped(node, names):
                names.setdefault(name, []).append(value)
    return names


# Names of a loop over rows or values that stand there, or in a name, each with what it may be.
def _looped(loop, names):
    rows = loop.iter
    if isinstance(rows, ast.Subscript):
        rows = rows.value
    if isinstance(rows, ast.Name) and len(names.get(rows.id, ())) == 1:
        [rows] = names[rows.id]
    if not isinstance(rows, ast.Tuple | ast.List):
        return
    for row in rows.elts:
        if isinstance(loop.target, ast.Name):
            yield loop.target.id, row
        elif isinstance(loop.target, ast.Tuple) and isinstance(row, ast.Tuple):
            for name, value in zip(loop.target.elts, row.elts, strict=True):
                yield name.id, value


# All texts that an expression may be; none for what is only known when it runs.
def _texts(node, names):
    match node:
        case ast.Constant(value=str(text)):
            return [text]
        case ast.BinOp(left=left, op=ast.Add(), right=right):
            return [one + other for one in _texts(left, names) for other in _texts(right, names)]
        case ast.IfExp(body=one, orelse=other):
            return [*_texts(one, names), *_texts(other, names)]
        case ast.Name(id=name) if name in names:
            rest = {other: values for other, values in names.items() if other != name}
            return [text for value in names[name] for text in _texts(value, rest)]
        case ast.Call(func=ast.Attribute(value=ast.Dict(values=values), attr="get")):
            return [text for value in values for text in _texts(value, names)]
    return []


# Texts of a list or of the values of a dict, headings themselves among them, those of other calls left out.
def _within(node):
    match node:
        case ast.Constant(value=str(text)):
            yield text
        case ast.Dict(values=parts) | ast.List(elts=parts) | ast.Tuple(elts=parts):
            for part in parts:
                yield from _within(part)
        case ast.Starred(value=part):
            yield from _within(part)
        case ast.ListComp():
            return
        case ast.IfExp(body=one, orelse=other):
            yield from _within(one)
            yield from _within(other)
        case ast.JoinedStr(values=[ast.Constant(value=str(text)), *_]) if " [" in text:
            yield text
        case ast.Call(func=ast.Name(id=name), args=[first, *_]) if name in TAKES_HEADING:
            yield from _within(first)


def _untitled(title):
    return title.partition(" [")[0]


def _labels_of(function):
    for node in ast.walk(function):
        if isinstance(node, ast.Tuple) and node.elts and isinstance(node.elts[0], ast.Constant):
            first = node.elts[0].value
        elif isinstance(node, ast.Call) and getattr(node.func, "id", "") == "_if_known":
            first = node.args[0].value
        else:
            continue
        if (
            isinstance(first, str)
            and first[:1].strip()
            and first not in LAYERS
            and "_" not in first
            and first != "p90"
        ):
            yield first


UNTOLD = re.compile(
    r'^"(POT-Creation-Date|PO-Revision-Date|Last-Translator|Language-Team|Project-Id-Version|'
    r"Report-Msgid-Bugs-To|Generated-By):.*\n",
    re.MULTILINE,
)
TEXT = r'"((?:[^"\\]|\\.)*)"'


def _of_template(source):
    for text in re.findall(rf"\bsay\({TEXT}", source):
        yield Message(text.replace("\\n", "\n"))
    for pair in re.findall(rf"\bplural\({TEXT}, {TEXT}", source):
        yield Message(*pair)


def refreshed(tag):
    """The catalogue of a language with exactly the texts that are shown; what it has not is empty."""
    from babel.messages import Catalog  # noqa: PLC0415

    old = catalogue(tag)
    new = Catalog(
        locale=tag, header_comment=old.header_comment, project="sitefinder", fuzzy=False, charset="utf-8"
    )
    for each in messages():
        key = (each.text, each.plural) if each.plural else each.text
        kept = old.get(key if not each.plural else each.text, each.context or None)
        shape = tuple if each.plural else str
        string = kept.string if kept is not None and isinstance(kept.string, shape) else None
        new.add(key, string, context=each.context or None)
    return new


def main(tag):
    """Bring the catalogue of a language up to date."""
    from babel.messages.pofile import write_po  # noqa: PLC0415

    new, written = refreshed(tag), io.BytesIO()
    write_po(written, new, width=100)
    # Who wrote a catalogue when stands in the repository.
    text = UNTOLD.sub("", written.getvalue().decode("utf-8"))
    (REPORT / "languages" / f"{tag}.po").write_text(text, encoding="utf-8", newline="\n")
    lacking = sum(not all(strings) for strings in translations(tag).values())
    print(f"{len(new)} texts, {lacking} of them not translated")


def _strings(message):
    return message.string if isinstance(message.string, tuple) else (message.string,)


if __name__ == "__main__":
    main(*sys.argv[1:])
