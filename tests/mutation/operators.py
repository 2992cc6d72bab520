"""The changes that are tried: each replaces one node of a module's syntax tree.

Texts, annotations, decorators and docstrings stay as they are: the words are kept by golden pages, and what a
decorator says of a class (frozen, slots) is for mypy.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass

SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.And: ast.Or,
    ast.Or: ast.And, ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult, ast.Pow: ast.Mult, ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd, ast.BitXor: ast.BitAnd, ast.LShift: ast.RShift, ast.RShift: ast.LShift,
}  # fmt: skip
NAMES = {"min": "max", "max": "min", "any": "all", "all": "any"}
UNTOUCHED = {"annotation", "returns", "decorator_list", "format_spec", "bases"}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: the module, the slot in its tree, and which of the slot's changes."""

    file: str
    slot: int
    choice: int
    line: int
    what: str
    function: str  # qualified name of the outermost function; empty: the code runs at import

    @property
    def name(self) -> str:
        """Name by which it is repeated."""
        return f"{self.file}:{self.slot}.{self.choice}"


@dataclass(slots=True)
class Slot:
    """A place in a tree where a node stands."""

    owner: ast.AST
    field: str
    index: int | None
    function: str

    @property
    def node(self) -> ast.AST:
        """What stands there."""
        held = getattr(self.owner, self.field)
        return held if self.index is None else held[self.index]

    def put(self, node: ast.AST) -> None:
        """Set another node there."""
        if self.index is None:
            setattr(self.owner, self.field, node)
        else:
            getattr(self.owner, self.field)[self.index] = node


def slots(tree: ast.AST, function: str = "", scope: str = "") -> Iterator[Slot]:
    """All slots whose nodes may be changed, in the order of the text."""
    for field, value in ast.iter_fields(tree):
        if field in UNTOUCHED or (isinstance(tree, ast.ClassDef) and field == "keywords"):
            continue
        body = field == "body" and isinstance(tree, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
        inner = function or (scope if body else "")
        for index, node in enumerate(value if isinstance(value, list) else [value]):
            if not isinstance(node, ast.AST) or _left_alone(node):
                continue
            yield Slot(tree, field, index if isinstance(value, list) else None, inner)
            yield from slots(node, inner, _scope(node, scope, bool(inner)))


def _scope(node: ast.AST, scope: str, inside: bool) -> str:
    if inside or not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef | ast.Lambda):
        return scope
    name = "<lambda>" if isinstance(node, ast.Lambda) else node.name
    return f"{scope}.{name}" if scope else name


def _left_alone(node: ast.AST) -> bool:
    if isinstance(node, ast.If):
        return "TYPE_CHECKING" in ast.dump(node.test)
    return isinstance(node, ast.Import | ast.ImportFrom | ast.Assert) or (
        isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    )


def changes(node: ast.AST) -> list[tuple[str, ast.AST]]:  # noqa: PLR0911 - a table by kind of node
    """What may stand in a node's place, each with a name."""
    match node:
        case ast.Constant(value=bool() as value):
            return [(f"{value} -> {not value}", ast.Constant(not value))]
        case ast.Constant(value=int() | float() as number):
            return [(f"{number} -> {number + 1}", ast.Constant(number + 1))]
        case ast.UnaryOp(op=ast.Not() | ast.USub(), operand=operand):
            return [("sign or not dropped", operand)]
        case ast.Return(value=ast.expr() as value) if not _is_none(value):
            return [("returns None", ast.Return(ast.Constant(None)))]
        case ast.Expr(value=ast.Call() | ast.Await()) | ast.Raise():
            return [("statement dropped", ast.Pass())]
        case ast.Continue():
            return [("continue -> break", ast.Break())]
        case ast.Break():
            return [("break -> continue", ast.Continue())]
        case ast.If() | ast.While() | ast.IfExp() if _worth_negating(node.test):
            return [("condition negated", _with(node, test=ast.UnaryOp(ast.Not(), node.test)))]
        case ast.comprehension(ifs=[_, *_]):
            return [("filter dropped", _with(node, ifs=[]))]
        case ast.Name(id=name) if name in NAMES:
            return [(f"{name} -> {NAMES[name]}", ast.Name(NAMES[name], ast.Load()))]
    if type(node) in SWAPS:
        other = SWAPS[type(node)]
        return [(f"{type(node).__name__} -> {other.__name__}", other())]
    return []


def _is_none(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and node.value is None


def _worth_negating(test: ast.expr) -> bool:
    """Whether negating is not just the same as swapping the operator."""
    if isinstance(test, ast.UnaryOp) and isinstance(test.op, ast.Not):
        return False
    same = ast.Eq | ast.NotEq | ast.Is | ast.IsNot | ast.In | ast.NotIn
    return not (isinstance(test, ast.Compare) and len(test.ops) == 1 and isinstance(test.ops[0], same))


def _with(node: ast.AST, **fields: object) -> ast.AST:
    held = {name: getattr(node, name) for name in node._fields if hasattr(node, name)}
    return type(node)(**{**held, **fields})


def mutants(file: str, text: str) -> list[Mutant]:
    """All changes of a module, in the order of its text."""
    found, line = [], 0
    for number, slot in enumerate(slots(ast.parse(text))):
        line = getattr(slot.node, "lineno", None) or getattr(slot.owner, "lineno", line)
        for choice, (what, _) in enumerate(changes(slot.node)):
            found.append(Mutant(file, number, choice, line, what, slot.function))
    return found


def mutated(text: str, mutant: Mutant) -> ast.Module:
    """Tree of a module with the change made; lines stay where they were."""
    tree = ast.parse(text)
    slot = next(slot for number, slot in enumerate(slots(tree)) if number == mutant.slot)
    new = changes(slot.node)[mutant.choice][1]
    if hasattr(slot.node, "lineno") and isinstance(new, ast.expr | ast.stmt):
        ast.copy_location(new, slot.node)
    slot.put(new)
    return ast.fix_missing_locations(tree)
