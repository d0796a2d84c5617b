"""Modules as Python's parser reads them, each once for all tests that look at the code."""

import ast
from functools import cache

# No other node has a statement within.
HOLD_STATEMENTS = (ast.stmt, ast.excepthandler, ast.match_case)


@cache
def parsed(path):
    """The syntax tree of a module, to be read and not changed.

    Parameters
    ----------
    path : Path

    Returns
    -------
    ast.Module
    """
    return ast.parse(path.read_bytes())


def statements_of(tree):
    """Statements of a module at any depth: an import is one, and there are far fewer than of all nodes.

    Parameters
    ----------
    tree : ast.AST

    Yields
    ------
    ast.stmt
    """
    waiting = [tree]
    while waiting:
        node = waiting.pop()
        if isinstance(node, ast.stmt):
            yield node
        waiting += [each for each in ast.iter_child_nodes(node) if isinstance(each, HOLD_STATEMENTS)]


def nodes_with_place(tree):
    """Nodes of a module with what they stand in: the innermost function, or the statement of the module.

    Parameters
    ----------
    tree : ast.Module

    Yields
    ------
    node, place : ast.AST
        In the order of the text.
    """
    waiting = [(statement, statement) for statement in reversed(tree.body)]
    while waiting:
        node, place = waiting.pop()
        place = node if isinstance(node, ast.FunctionDef) else place
        yield node, place
        waiting += reversed([(child, place) for child in ast.iter_child_nodes(node)])
