"""Changes to make in a source, one at a time: constants, comparisons, operators.

Each is a span of the text and what stands there instead; nothing else of the file moves, so a line number of the
changed file is one of the file as it is. What would not compile, or would mean the same tree, is no change.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

TURNED = {
    "<": (">", "<="), ">": ("<", ">="), "<=": (">=", "<"), ">=": ("<=", ">"), "==": ("!=",), "!=": ("==",),
    "in": ("not in",), "not in": ("in",), "is": ("is not",), "is not": ("is",),
}  # fmt: skip
COMPARISON = re.compile(r"not\s+in\b|is\s+not\b|in\b|is\b|<=|>=|==|!=|<|>")
EXCHANGED = {
    "+": "-", "-": "+", "*": "/", "/": "*", "//": "/", "%": "//", "**": "*", "@": "*", "&": "|", "|": "&", "^": "|",
    "<<": ">>", ">>": "<<",
}  # fmt: skip
BINARY = re.compile(r"\*\*|//|<<|>>|[-+*/%@&|^]")
CALLED = {
    "min": "max", "max": "min", "any": "all", "all": "any", "argmin": "argmax", "argmax": "argmin", "minimum": "maximum",
    "maximum": "minimum", "floor": "ceil", "ceil": "floor", "sum": "max",
}  # fmt: skip
NO_SUCH_WORD = '"no-such-word"'


class Change(NamedTuple):
    """One change: `line` and `column` (from 1) of what is changed, its text before and after, and its span in bytes."""

    line: int
    column: int
    old: str
    new: str
    start: int
    end: int

    def __str__(self) -> str:
        return f"{one_line(self.old)} -> {one_line(self.new)}"


def one_line(text: str) -> str:
    """Source text on one line."""
    return " ".join(text.split())


def changes(source: str) -> list[Change]:
    """Every change of a module, in the order of its text."""
    tree = ast.parse(source)
    text = _Text(source)
    found: dict[tuple[int, int, str], Change] = {}
    for node in _walked(tree):
        for start, end, new in _of(node, text):
            old = text.raw[start:end].decode()
            if old != new:
                line, column = text.position(start)
                found[start, end, new] = Change(line, column, old, new, start, end)
    blocks = [text.block(node) for node in tree.body]
    plain = {block: ast.dump(ast.parse(text.raw[slice(*block)])) for block in blocks}
    made = sorted(found.values(), key=lambda c: (c.start, c.end, c.new))
    return [c for c in made for block in blocks if block[0] <= c.start < block[1] and _differs(text.raw, c, block, plain[block])]


def applied(source: str, change: Change) -> str:
    """The source with one change made."""
    raw = source.encode()
    return (raw[: change.start] + change.new.encode() + raw[change.end :]).decode()


def _differs(raw: bytes, change: Change, block: tuple[int, int], plain: str) -> bool:
    """Whether the statement of the module that holds a change compiles with it, to something else."""
    try:
        return ast.dump(ast.parse(raw[block[0] : change.start] + change.new.encode() + raw[change.end : block[1]])) != plain
    except SyntaxError:
        return False


class _Text:
    """A source as bytes, because the columns of its tree count bytes."""

    def __init__(self, source: str) -> None:
        self.raw = source.encode()
        self.begins = [0]
        for line in self.raw.splitlines(keepends=True):
            self.begins.append(self.begins[-1] + len(line))

    def span(self, node: ast.expr) -> tuple[int, int]:
        return self.start(node), self.end(node)

    def block(self, node: ast.stmt) -> tuple[int, int]:
        """The lines of a statement of the module, its decorators included."""
        first = min([node.lineno, *(d.lineno for d in getattr(node, "decorator_list", []))])
        assert node.end_lineno is not None
        return self.begins[first - 1], self.begins[node.end_lineno]

    def start(self, node: ast.expr) -> int:
        return self.begins[node.lineno - 1] + node.col_offset

    def end(self, node: ast.expr) -> int:
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        return self.begins[node.end_lineno - 1] + node.end_col_offset

    def of(self, node: ast.expr) -> str:
        return self.raw[self.start(node) : self.end(node)].decode()

    def position(self, at: int) -> tuple[int, int]:
        line = next(n for n in range(len(self.begins) - 1, -1, -1) if self.begins[n] <= at)
        return line + 1, at - self.begins[line] + 1

    def between(self, one: ast.expr, other: ast.expr, wanted: re.Pattern[str]) -> tuple[int, int] | None:
        """Where the operator between two expressions stands; brackets, comments and line ends may stand there, too."""
        at, end = self.end(one), self.start(other)
        while at < end:
            here = self.raw[at:end].decode()
            if here[0] == "#":
                at += len(here.split("\n", 1)[0].encode())
            elif match := wanted.match(here):
                return at, at + len(match.group().encode())
            else:
                at += len(here[0].encode())
        return None


def _walked(tree: ast.AST) -> Iterator[ast.AST]:
    """All nodes that run: no annotations, no documentation, no pieces of an f-string, no lists of names to hand on."""
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns", "type_params", "decorator_list"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST) or isinstance(child, ast.JoinedStr):
                continue
            if isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant):
                continue
            if isinstance(child, (ast.Import, ast.ImportFrom)):
                continue
            yield child
            yield from _walked(child)


def _of(node: ast.AST, text: _Text) -> Iterator[tuple[int, int, str]]:
    if isinstance(node, ast.Constant):
        yield from _constant(node, text)
    elif isinstance(node, ast.Compare):
        yield from _comparison(node, text)
    elif isinstance(node, ast.BoolOp):
        yield from _boolean(node, text)
    elif isinstance(node, ast.BinOp):
        where = text.between(node.left, node.right, BINARY)
        if where:
            yield (*where, EXCHANGED[text.raw[slice(*where)].decode()])
    elif isinstance(node, ast.UnaryOp):
        yield (*text.span(node), f"({text.of(node.operand)})")  # without its `not`, minus or ~
    elif isinstance(node, ast.AugAssign):
        where = text.between(node.target, node.value, BINARY)
        if where:
            yield (*where, EXCHANGED[text.raw[slice(*where)].decode()])
            yield (*where, "")
    elif isinstance(node, ast.Call):
        yield from _call(node, text)
    elif isinstance(node, ast.IfExp):
        yield (*text.span(node.test), f"not ({text.of(node.test)})")
    elif isinstance(node, ast.comprehension):
        for test in node.ifs:
            yield (*text.span(test), "True")


def _constant(node: ast.Constant, text: _Text) -> Iterator[tuple[int, int, str]]:
    value, (start, end) = node.value, text.span(node)
    if isinstance(value, bool):
        yield start, end, str(not value)
    elif isinstance(value, int):
        yield start, end, str(value + 1)
        if value > 0:
            yield start, end, str(value - 1)
        if value > 2:
            yield start, end, str(value * 10)
    elif isinstance(value, float):
        yield start, end, repr(value * 10) if value else "0.5"
        if value:
            yield start, end, repr(value / 10)


def _comparison(node: ast.Compare, text: _Text) -> Iterator[tuple[int, int, str]]:
    sides = [node.left, *node.comparators]
    for left, right in pairwise(sides):
        where = text.between(left, right, COMPARISON)
        if where:
            for new in TURNED[one_line(text.raw[slice(*where)].decode())]:
                yield (*where, new)
    words = [x for side in sides for x in (side.elts if isinstance(side, (ast.Tuple, ast.Set, ast.List)) else [side])]
    for word in words:
        if isinstance(word, ast.Constant) and isinstance(word.value, str):
            yield (*text.span(word), NO_SUCH_WORD)


def _boolean(node: ast.BoolOp, text: _Text) -> Iterator[tuple[int, int, str]]:
    word, other = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
    neutral = "True" if word == "and" else "False"
    for left, right in pairwise(node.values):
        where = text.between(left, right, re.compile(rf"{word}\b"))
        if where:
            yield (*where, other)
    for value in node.values:
        if not isinstance(value, ast.NamedExpr):  # what it names may be used by the others
            yield (*text.span(value), neutral)


def _call(node: ast.Call, text: _Text) -> Iterator[tuple[int, int, str]]:
    name = node.func.id if isinstance(node.func, ast.Name) else node.func.attr if isinstance(node.func, ast.Attribute) else ""
    if name in CALLED:
        end = text.end(node.func)
        yield end - len(name), end, CALLED[name]
