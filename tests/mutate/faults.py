"""Small faults to put into a file: what is changed, where, and how the file reads then.

Each is one change of the kind a hand makes: a boundary, a turned comparison, `and` for `or`, a
dropped `not`, a plus for a minus, a number one off, a turned True, a line left out. What only
tools or people read (docstrings, texts, annotations, decorators, asserts) is left alone.
"""

from __future__ import annotations

import ast
import copy
import difflib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

COMPARISONS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
}
OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Div,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitOr: ast.BitAnd,
    ast.BitAnd: ast.BitOr,
}
NAMES = {"min": "max", "max": "min", "any": "all", "all": "any"}
TYPES = frozenset({"int", "float", "str", "bool", "bytes", "dict", "list", "tuple"})
# A literal of more entries than this is a table from a source, held against it by its own tests.
TABLE = 16
# fields that no test of behaviour can see a change in
UNSEEN = ("annotation", "returns", "decorator_list", "type_params", "bases")


@dataclass(frozen=True, slots=True)
class Fault:
    """One changed piece of one file: `text` in place of the bytes from `start` to `end`."""

    path: str
    line: int
    start: int
    end: int
    text: str

    def put_into(self, source: bytes) -> bytes:
        return source[: self.start] + self.text.encode() + source[self.end :]

    def diff(self, source: bytes) -> tuple[str, ...]:
        """The lines that differ, each with its sign; without what is around them."""
        first = source.rfind(b"\n", 0, self.start) + 1
        last = source.find(b"\n", self.end)
        last = len(source) if last < 0 else last
        changed = source[first : self.start] + self.text.encode() + source[self.end : last]
        before, after = source[first:last].decode(), changed.decode()
        lines = difflib.unified_diff(before.splitlines(), after.splitlines(), n=0, lineterm="")
        return tuple(f"{text[0]} {text[1:].strip()}" for text in lines if text[:2] != "@@")[2:]


def faults_in(path: str, source: bytes) -> list[Fault]:
    """Every fault this file can be given, in the order of the file."""
    starts = [0]
    for line in source.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    found = []
    for node, text in _visit(ast.parse(source)):
        start = starts[node.lineno - 1] + node.col_offset
        end = starts[node.end_lineno - 1] + node.end_col_offset
        found.append(Fault(path, node.lineno, start, end, text))
    # two ways to the same text are one fault
    kept = {(f.start, f.end, f.text): f for f in found}
    return sorted(kept.values(), key=lambda f: (f.start, f.end, f.text))


def _visit(node: ast.AST, parent: ast.AST | None = None) -> Iterator[tuple[Any, str]]:
    if isinstance(node, ast.JoinedStr | ast.Assert | ast.Import | ast.ImportFrom):
        return
    if len(getattr(node, "elts", ())) > TABLE:
        return
    if isinstance(node, ast.Assign) and any(
        isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets
    ):
        return
    yield from _of(node, parent)
    for name, value in ast.iter_fields(node):
        if name in UNSEEN:
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST):
                yield from _visit(child, node)


def _changed(node: Any, **fields: Any) -> str:
    other = copy.copy(node)
    for name, value in fields.items():
        setattr(other, name, value)
    return f"({ast.unparse(other)})"


def _of(node: ast.AST, parent: ast.AST | None) -> Iterator[tuple[Any, str]]:
    """The faults of one node, as (what is replaced, its new text)."""
    if isinstance(node, ast.Compare):
        for i, op in enumerate(node.ops):
            for other in COMPARISONS[type(op)]:
                yield node, _changed(node, ops=[*node.ops[:i], other(), *node.ops[i + 1 :]])
    elif isinstance(node, ast.BoolOp):
        other_op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        yield node, _changed(node, op=other_op)
        for i in range(len(node.values)):  # one of the conditions forgotten
            rest = [v for j, v in enumerate(node.values) if j != i]
            yield node, _changed(node, values=rest) if len(rest) > 1 else _plain(rest[0])
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
        yield node, _plain(node.operand)
    elif isinstance(node, ast.BinOp) and type(node.op) in OPERATORS:
        sides = (node.left, node.right)
        if not any(_is_text(side) or _is_type(side) for side in sides):
            yield node, _changed(node, op=OPERATORS[type(node.op)]())
    elif isinstance(node, ast.Constant):
        if isinstance(node.value, bool):
            yield node, str(not node.value)
        elif isinstance(node.value, int | float):
            yield node, f"{node.value + 1!r}"
            if isinstance(parent, ast.Subscript | ast.Slice) and node.value:
                yield node, f"{node.value - 1!r}"
    elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in NAMES:
        yield node.func, NAMES[node.func.id]
    elif isinstance(node, ast.If | ast.While | ast.IfExp):
        if not isinstance(node.test, ast.Compare | ast.BoolOp | ast.UnaryOp | ast.Constant):
            yield node.test, f"(not {_plain(node.test)})"
    elif isinstance(node, ast.Return) and node.value is not None:
        if not (isinstance(node.value, ast.Constant) and node.value.value is None):
            yield node, "return None"
    elif _can_go(node):
        yield node, "pass"
    if isinstance(node, ast.comprehension):
        for test in node.ifs:
            yield test, "True"


def _can_go(node: ast.AST) -> bool:
    """A line that can be left out and leave code that still reads."""
    if isinstance(node, ast.Expr):
        return not isinstance(node.value, ast.Constant | ast.Yield | ast.YieldFrom)
    if isinstance(node, ast.Assign):
        return all(isinstance(t, ast.Attribute | ast.Subscript) for t in node.targets)
    return isinstance(node, ast.Raise | ast.Continue | ast.Break | ast.AugAssign)


def _plain(node: ast.expr) -> str:
    return f"({ast.unparse(node)})"


def _is_type(node: ast.expr) -> bool:
    """One side of `int | Preset | None`, which no run of the code works out."""
    return (isinstance(node, ast.Constant) and node.value is None) or (
        isinstance(node, ast.Name)
        and (node.id in TYPES or (node.id[0].isupper() and not node.id.isupper()))
    )


def _is_text(node: ast.expr) -> bool:
    return isinstance(node, ast.JoinedStr | ast.List | ast.Tuple) or (
        isinstance(node, ast.Constant) and isinstance(node.value, str | bytes)
    )
