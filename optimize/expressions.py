"""Expressions over columns, checked before anything is computed: names, numbers, texts, no more.

They are written like Python and parsed by it, but never run by it: `check` lets through column
names, numbers, texts in quotes, comparisons, `in`, `and`, `or`, `not` and arithmetic, and finds out
that texts are not compared with numbers; `evaluate` goes through what is left with arrays.
"""

from __future__ import annotations

import ast
import functools
import operator
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from evaluate.errors import InputError, nearest

WHERE = "EXPRESSION"
#: Two numbers whose difference is at most this share of the larger one are equal: fronts hold
#: fifteen digits, of which the last few are round-off.
SAME_SHARE = 1e-9
MOST_CHARACTERS = 4000
MOST_DEPTH = 60  # of brackets and operators within each other

Mask = NDArray[np.bool_]
Kind = Literal["number", "text", "truth"]
_KINDS = {"number": "a number", "text": "a text", "truth": "a comparison"}
_EXAMPLE = "comparisons, such as 'crank_length_mm < 600 and parts == 30'"
_ALLOWED = (
    "names of columns, numbers, texts in quotes, comparisons, in, and, or, not, + - * / // % **"
)
_NODES = (
    *(ast.Name, ast.Constant, ast.BoolOp, ast.UnaryOp, ast.BinOp, ast.Compare, ast.List, ast.Tuple),
    *(ast.operator, ast.unaryop, ast.cmpop, ast.boolop, ast.expr_context),
)
_BINARY: dict[type[ast.operator], Callable[[Any, Any], Any]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
    ast.FloorDiv: operator.floordiv,
    ast.Mod: operator.mod,
    ast.Pow: operator.pow,
}
_ORDERED = (ast.Lt, ast.LtE, ast.Gt, ast.GtE)


@dataclass(frozen=True, slots=True)
class Expression:
    """A checked expression that is true or false for each row.

    Attributes
    ----------
    text : str
        As it was written.
    tree : ast.expr
        What Python made of it.
    names : tuple of str
        Columns that it names, in the order in which they stand.
    """

    text: str
    tree: ast.expr
    names: tuple[str, ...]


def parse(text: str) -> tuple[ast.expr, tuple[str, ...]]:
    """Return the tree of an expression and the names in it, whatever they mean.

    Raises
    ------
    InputError
        If it cannot be read, or holds anything that could be run.
    """
    if len(text) > MOST_CHARACTERS:
        raise InputError(WHERE, f"{len(text)} characters", f"at most {MOST_CHARACTERS}")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # such as 1and, which reads as 1 and
            tree = ast.parse(text.strip(), mode="eval").body
    except SyntaxError as error:
        place = f" at {_near(text.strip(), error)}" if error.offset else ""
        raise InputError(WHERE, f"{error.msg}{place}", _EXAMPLE) from None
    except (ValueError, RecursionError, MemoryError):  # zero bytes; brackets without end
        raise InputError(WHERE, "something that cannot be read", _ALLOWED) from None
    _limit_depth(tree)
    for node in ast.walk(tree):
        if not isinstance(node, _NODES):
            raise InputError(WHERE, _source(node), _ALLOWED)
    nodes = [node for node in ast.walk(tree) if isinstance(node, ast.Name)]
    nodes.sort(key=lambda node: (node.lineno, node.col_offset))
    return tree, tuple(dict.fromkeys(node.id for node in nodes))


def _near(text: str, error: SyntaxError) -> str:
    start = max(0, (error.offset or 1) - 1)
    return repr(text.splitlines()[(error.lineno or 1) - 1][start : start + 20] or "the end")


def _limit_depth(tree: ast.expr) -> None:
    level: list[ast.AST] = [tree]
    for _ in range(MOST_DEPTH):
        level = [child for node in level for child in ast.iter_child_nodes(node)]
    if level:
        raise InputError(WHERE, "brackets and signs too deep in each other", "a flatter one")


def check(
    text: str, kinds: Mapping[str, Kind], others: Mapping[str, str] | None = None
) -> Expression:
    """Return an expression once it is known to be safe and to make sense.

    Parameters
    ----------
    text : str
        Such as ``crank_length_mm < 600 and "1 backward" in shafts``.
    kinds : mapping
        Columns that may be named, and what is in them.
    others : mapping or None
        Columns that cannot be compared, and what to say of them.

    Raises
    ------
    InputError
        For anything else; an unknown column comes with the nearest one.
    """
    tree, names = parse(text)
    for name in names:
        if others and name in others:
            raise InputError(WHERE, repr(name), others[name])
        if name not in kinds:
            close = nearest(name, kinds)
            allowed = "a column of the fronts" + (
                "" if close else f": {', '.join(sorted(kinds))}; texts stand in quotes"
            )
            raise InputError(WHERE, repr(name), allowed, close)
    if _kind(tree, kinds) != "truth":
        raise InputError(WHERE, f"{_source(tree)}, no comparison", _EXAMPLE)
    return Expression(text=text, tree=tree, names=names)


def _source(node: ast.AST) -> str:
    return repr(ast.unparse(node)[:60])


def _kind(node: ast.expr, kinds: Mapping[str, Kind]) -> Kind:
    """Return what a part of an expression is, once all of it is known to be allowed."""
    match node:
        case ast.Name():
            return kinds[node.id]
        case ast.Constant():
            return _constant_kind(node)
        case ast.BoolOp():
            for part in node.values:
                _demand(part, "truth", kinds)
            return "truth"
        case ast.UnaryOp(op=ast.Not()):
            _demand(node.operand, "truth", kinds)
            return "truth"
        case ast.UnaryOp(op=ast.USub() | ast.UAdd()):
            _demand(node.operand, "number", kinds)
            return "number"
        case ast.BinOp() if type(node.op) in _BINARY:
            _demand(node.left, "number", kinds)
            _demand(node.right, "number", kinds)
            return "number"
        case ast.Compare():
            _check_comparison(node, kinds)
            return "truth"
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.BitAnd | ast.BitOr):
        raise InputError(WHERE, "& or |", "and, or")
    raise InputError(WHERE, _source(node), _ALLOWED)


def _constant_kind(node: ast.Constant) -> Kind:
    value = node.value
    if isinstance(value, bool):
        return "truth"
    if isinstance(value, int | float) and abs(value) <= 1e300:
        return "number"
    if isinstance(value, str):
        return "text"
    raise InputError(WHERE, _source(node), _ALLOWED)


def _demand(node: ast.expr, wanted: Kind, kinds: Mapping[str, Kind]) -> None:
    found = _kind(node, kinds)
    if found != wanted:
        raise InputError(WHERE, f"{_source(node)}, {_KINDS[found]}", f"{_KINDS[wanted]} there")


def _check_comparison(node: ast.Compare, kinds: Mapping[str, Kind]) -> None:
    sides = [node.left, *node.comparators]
    for left, sign, right in zip(sides, node.ops, sides[1:], strict=False):
        if isinstance(sign, ast.Is | ast.IsNot):
            raise InputError(WHERE, "is", "== or !=")
        if isinstance(sign, ast.In | ast.NotIn) and isinstance(right, ast.List | ast.Tuple):
            if not right.elts:
                raise InputError(WHERE, "an empty list", "a list of numbers or texts")
            for item in right.elts:
                _demand(item, _kind(left, kinds), kinds)
            continue
        kind = _kind(left, kinds)
        _demand(right, kind, kinds)
        if isinstance(sign, ast.In | ast.NotIn) and kind != "text":
            raise InputError(WHERE, _source(right), "a list in brackets, or a column of texts")
        if isinstance(sign, _ORDERED) and kind == "truth":
            raise InputError(WHERE, _source(left), "== or != between what is true or false")


def evaluate(expression: Expression, columns: Mapping[str, np.ndarray], n_rows: int) -> Mask:
    """Return for which rows an expression holds.

    Parameters
    ----------
    expression : Expression
        From `check`.
    columns : mapping of str to array, shape (rows,)
        What it names: floats with NaN where there is no number, texts, or truths.
    n_rows : int
        Number of rows.

    Returns
    -------
    array of bool, shape (rows,)

    Notes
    -----
    Numbers that agree to `SAME_SHARE` are equal, and then neither is less. NaN is unequal to
    everything and neither less nor more.
    """
    with np.errstate(all="ignore"):  # a division by zero is no number, and compares as such
        found = _value(expression.tree, columns)
    return np.broadcast_to(np.asarray(found, bool), (n_rows,)).copy()


def _value(node: ast.expr, columns: Mapping[str, np.ndarray]) -> Any:
    match node:
        case ast.Name():
            return columns[node.id]
        case ast.Constant():
            value = node.value
            if isinstance(value, int | float) and not isinstance(value, bool):
                return np.float64(value)
            return value
        case ast.BoolOp():
            parts = [np.asarray(_value(part, columns), bool) for part in node.values]
            join = np.logical_and if isinstance(node.op, ast.And) else np.logical_or
            result = parts[0]
            for part in parts[1:]:
                result = join(result, part)
            return result
        case ast.UnaryOp():
            value = _value(node.operand, columns)
            if isinstance(node.op, ast.Not):
                return np.logical_not(value)
            return -value if isinstance(node.op, ast.USub) else value
        case ast.BinOp():
            left, right = _value(node.left, columns), _value(node.right, columns)
            return _BINARY[type(node.op)](left, right)
        case ast.Compare():
            return _comparison(node, columns)
    raise AssertionError(f"{ast.dump(node)} was not checked")


def _comparison(node: ast.Compare, columns: Mapping[str, np.ndarray]) -> Mask:
    """Return where all links of a chain of comparisons hold."""
    holds: Mask = np.asarray(True)
    sides = [node.left, *node.comparators]
    for left, sign, right in zip(sides, node.ops, sides[1:], strict=False):
        a = _value(left, columns)
        if isinstance(sign, ast.In | ast.NotIn):
            inside = _is_in(a, right, columns)
            link = ~inside if isinstance(sign, ast.NotIn) else inside
        else:
            link = _link(a, sign, _value(right, columns))
        holds = holds & link
    return holds


def _is_in(a: Any, right: ast.expr, columns: Mapping[str, np.ndarray]) -> Mask:
    """Return where a value is one of a list, or a text part of another."""
    if isinstance(right, ast.List | ast.Tuple):
        found = (_equal(a, _value(item, columns)) for item in right.elts)
        return np.asarray(functools.reduce(np.logical_or, found), bool)
    whole = np.asarray(_value(right, columns), str)
    return np.asarray(np.char.find(whole, np.asarray(a, str)) >= 0, bool)


def _link(a: Any, sign: ast.cmpop, b: Any) -> Mask:
    """Return where one comparison holds."""
    same = _equal(a, b)
    if isinstance(sign, ast.Eq):
        return same
    if isinstance(sign, ast.NotEq):
        return ~same
    beyond = np.asarray(a < b if isinstance(sign, ast.Lt | ast.LtE) else a > b, bool)
    return beyond & ~same if isinstance(sign, ast.Lt | ast.Gt) else beyond | same


def _equal(a: Any, b: Any) -> Mask:
    a, b = np.asarray(a), np.asarray(b)
    same: Mask = np.asarray(a == b, bool)
    if a.dtype.kind == "f":
        larger = np.maximum(np.abs(a), np.abs(b))
        same = same | (np.isfinite(larger) & (np.abs(a - b) <= SAME_SHARE * larger))
    return same
