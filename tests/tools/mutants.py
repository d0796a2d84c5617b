"""Small faults put into the source of computations, one at a time: what good tests must notice.

A mutant turns a comparison, swaps an operator or a function such as `min`, changes a number, drops a `not`, or
returns nothing. What only words a message is left alone: text, and whatever stands in a `raise` or an assertion.
So is the ``strict`` of `zip`, a guard against faults of ours.
"""

import ast
import copy
import functools
from pathlib import Path
from typing import NamedTuple

REPOSITORY = Path(__file__).resolve().parents[2]
PACKAGE = REPOSITORY / "sitefinder"
# Where the figures of a delivery come from, and the folders of tests that are their own.
PACKAGES = {
    "dem": ("tests/dem",),
    "network": ("tests/network",),
    "profile": ("tests/profile",),
    "hydrology": ("tests/hydrology",),
    "energy": ("tests/energy",),
    "rules": ("tests/rules",),
    "siting": ("tests/siting",),
}
COMPARED = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
OPERATORS = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.FloorDiv,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.And: ast.Or,
    ast.Or: ast.And,
}
FUNCTIONS = {
    "min": "max",
    "minimum": "maximum",
    "nanmin": "nanmax",
    "argmin": "argmax",
    "idxmin": "idxmax",
    "any": "all",
    "floor": "ceil",
    "first": "last",
    "cummin": "cummax",
}
FUNCTIONS |= {other: name for name, other in FUNCTIONS.items()}
# A number that is not whole becomes greater by so much, which no tolerance of a test should hide.
GREATER = 1.1


class Mutant(NamedTuple):
    """One fault.

    Attributes
    ----------
    module : str
        Path below the package, such as ``energy/plant.py``.
    function : str
        Qualified name of the outermost function or method that it is in; empty outside of functions, and for what
        Python evaluates when a function is defined, such as defaults.
    line : int
    number : int
        Among the places of the module that can be changed, in order.
    change : str
        What was there and what is there now; numbered where a function has the same more than once.
    """

    module: str
    function: str
    line: int
    number: int
    change: str

    @property
    def name(self):
        """What the mutant is called, whatever its line: in results and in the list of equivalent ones."""
        return f"{self.module}: {self.function or 'module'}: {self.change}"

    @property
    def package(self):
        """The package that it is in."""
        return self.module.split("/")[0]

    @property
    def is_compiled(self):
        """Whether it is in a kernel, whose code is compiled and not run by Python."""
        return self.function.split(".")[0] in _kernels(self.module)


class _Place(NamedTuple):
    # A change: the function it is in, its line, how it reads, and what makes it in the tree itself.
    function: str
    line: int
    change: str
    make: object


def modules_of(packages):
    """Modules of some packages, as paths below the package, in order."""
    return [
        path.relative_to(PACKAGE).as_posix()
        for package in packages
        for path in sorted((PACKAGE / package).glob("*.py"))
        if path.name != "__init__.py"
    ]


@functools.cache
def _source(module):
    return (PACKAGE / module).read_text(encoding="utf-8")


# Decorators of functions that are compiled, see sitefinder/compiled.py.
COMPILED_BY = {"kernel", "part"}


@functools.cache
def _kernels(module):
    found = set()
    for node in ast.parse(_source(module)).body:
        made_by = [
            each.func if isinstance(each, ast.Call) else each for each in getattr(node, "decorator_list", ())
        ]
        if any(isinstance(each, ast.Name) and each.id in COMPILED_BY for each in made_by):
            found.add(node.name)
    return found


def mutants_of(module):
    """All mutants of a module of the package."""
    return mutants_in(_source(module), module)


def mutants_in(source, module="module.py"):
    """All mutants of a source.

    Parameters
    ----------
    source : str
    module : str
        What it is called.

    Returns
    -------
    list of Mutant
        In the order of the source.
    """
    found, times = [], {}
    for number, place in enumerate(_places(ast.parse(source))):
        again = times[place[:1] + place[2:3]] = times.get(place[:1] + place[2:3], 0) + 1
        change = place.change if again == 1 else f"{place.change} (no. {again})"
        found.append(Mutant(module, place.function, place.line, number, change))
    return found


def mutated_tree(mutant):
    """The syntax tree of a module of the package with the fault in it."""
    return tree_with(_source(mutant.module), mutant.number)


def tree_with(source, number):
    """The syntax tree of a source with the fault of this number in it."""
    tree = ast.parse(source)
    place = _places(tree)[number]
    place.make()
    return ast.fix_missing_locations(tree)


def code_of(tree, path, function, line):
    """The compiled function of a tree, by its qualified name and first line.

    Raises
    ------
    LookupError
        If there is none.
    """
    rest = [compile(tree, str(path), "exec")]
    while rest:
        code = rest.pop()
        if code.co_qualname == function and code.co_firstlineno == line:
            return code
        rest += [each for each in code.co_consts if hasattr(each, "co_qualname")]
    raise LookupError(f"{path} has no function {function}")


def put_in(module, mutant):
    """Give a function of an imported module the code of a mutant; all who imported the function run that.

    Raises
    ------
    LookupError
        If the function's code cannot be replaced.
    """
    found = module
    for part in mutant.function.split("."):
        found = vars(found).get(part)
        found = getattr(found, "fget", None) or getattr(found, "__func__", found)
        while hasattr(found, "__wrapped__"):
            found = found.__wrapped__
    if not hasattr(found, "__code__"):
        raise LookupError(f"{mutant.function} is no plain function")
    before = found.__code__
    code = code_of(mutated_tree(mutant), module.__file__, before.co_qualname, before.co_firstlineno)
    if code.co_freevars != before.co_freevars:
        raise LookupError(f"{mutant.function} has variables of a function around it")
    found.__code__ = code


# All places of a tree that can be changed, in order.
def _places(tree):
    found = []
    _visit_all(tree.body, "", "", found)
    return found


# ``names`` is the qualified name so far; ``function`` the outermost function, empty outside.
def _visit_all(nodes, names, function, found):
    for node in nodes:
        _visit(node, names, function, found)


def _visit(node, names, function, found):
    if isinstance(node, ast.FunctionDef):
        own = f"{names}.{node.name}" if names else node.name
        defined = [*node.decorator_list, *node.args.defaults, *filter(None, node.args.kw_defaults)]
        _visit_all(defined, names, function, found)
        _visit_all(node.body, own, function or own, found)
        return
    if isinstance(node, ast.ClassDef):
        own = f"{names}.{node.name}" if names else node.name
        _visit_all(node.body, own, function, found)
        return
    if isinstance(node, ast.Raise | ast.Assert | ast.Import | ast.ImportFrom | ast.JoinedStr) or _is_message(node):
        return
    if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
        return
    for before, after, make in _changes(node):
        found.append(_Place(function, node.lineno, f"{before} → {after}", make))
    if isinstance(node, ast.AnnAssign):
        _visit_all(filter(None, [node.value]), names, function, found)
        return
    for child in ast.iter_child_nodes(node):
        if not _is_guard(child):
            _visit(child, names, function, found)


# What `zip` is asked to refuse can show in no run whose lengths are equal by construction.
def _is_guard(node):
    return isinstance(node, ast.keyword) and node.arg == "strict"


# Docstrings, and calls that make the text of an error.
def _is_message(node):
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return True
    if not isinstance(node, ast.Call):
        return False
    called = ast.unparse(node.func)
    return called in ("described", "listed", "all_of") or called.endswith("Error.of")


# Changes of one node: as it was, as it is then, and what changes it.
def _changes(node):
    if isinstance(node, ast.Compare):
        for row, operator in enumerate(node.ops):
            for other in COMPARED[type(operator)]:
                yield _change(node, lambda it, row=row, other=other: it.ops.__setitem__(row, other()))
    elif isinstance(node, ast.BinOp | ast.AugAssign | ast.BoolOp):
        other = OPERATORS.get(type(node.op))
        if other is not None and not _is_text_or_list(node):
            yield _change(node, lambda it: setattr(it, "op", other()))
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.Invert | ast.USub):
        # The operator +, which changes nothing, stands in for none; `not x` needs a truth value.
        kept = ast.UAdd if isinstance(node.op, ast.USub) else None
        if kept is not None:
            yield _change(node, lambda it: setattr(it, "op", kept()))
        else:
            doubled = ast.UnaryOp(op=node.op, operand=node.operand)
            yield _change(node, lambda it: setattr(it, "operand", doubled))
    elif isinstance(node, ast.Constant):
        value = node.value
        if isinstance(value, bool):
            yield _change(node, lambda it: setattr(it, "value", not value))
        elif isinstance(value, int | float):
            other = value + 1 if isinstance(value, int) or value == 0 else value * GREATER
            yield _change(node, lambda it: setattr(it, "value", other))
    elif isinstance(node, ast.Call):
        called = node.func
        if isinstance(called, ast.Name) and called.id in FUNCTIONS:
            yield _change(node, lambda it: setattr(it.func, "id", FUNCTIONS[called.id]))
        elif isinstance(called, ast.Attribute) and called.attr in FUNCTIONS:
            yield _change(node, lambda it: setattr(it.func, "attr", FUNCTIONS[called.attr]))
    elif isinstance(node, ast.If | ast.While | ast.IfExp):
        if isinstance(node.test, ast.Name | ast.Attribute | ast.Call):
            turned = ast.UnaryOp(op=ast.Not(), operand=node.test)
            yield ast.unparse(node.test), ast.unparse(turned), lambda: setattr(node, "test", turned)
    elif isinstance(node, ast.Return) and node.value is not None and ast.unparse(node.value) != "None":
        yield _change(node, lambda it: setattr(it, "value", ast.Constant(None)))


def _change(node, make):
    other = copy.deepcopy(node)
    make(other)
    return ast.unparse(node), ast.unparse(other), lambda: make(node)


# + and * of texts and lists, and % of texts, do no arithmetic.
def _is_text_or_list(node):
    sides = [node.target, node.value] if isinstance(node, ast.AugAssign) else getattr(node, "values", None)
    sides = [node.left, node.right] if sides is None else sides
    listed = (ast.List, ast.ListComp, ast.Tuple, ast.JoinedStr, ast.Dict, ast.DictComp)
    return not isinstance(node, ast.BoolOp) and any(
        isinstance(side, listed) or (isinstance(side, ast.Constant) and isinstance(side.value, str))
        for side in sides
    )
