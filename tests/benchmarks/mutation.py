"""Small mistakes put into source text one at a time: the list of them, and how each is made.

A mutant is one change that a slip of the hand could make: a comparison turned round, a sum for a
difference, a number half as large again, a coverage factor or a √3 left out, a condition that is no
longer looked at, a statement or a result gone. Messages are left alone: no rule lies in them.
"""

from __future__ import annotations

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

_NEGATED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE,
    ast.LtE: ast.Gt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
_EDGE: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
}
_SWAPPED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Div,
}
_OTHER_CALL = {"min": "max", "max": "min", "any": "all", "all": "any"}
_UNWRAPPED = ("abs", "sorted", "magnitude")
#: calls that only tell, and what builds a message
_TELLING = ("progress", "warn", "debug", "info", "warning")
_FACTORS = ("COVERAGE_FACTOR",)


@dataclass(frozen=True)
class Mutant:
    """One change in one file: where it is, the source line, and what becomes of it."""

    path: Path
    index: int
    line: int
    what: str
    text: str
    becomes: str = ""  # the whole file with the change, where it is none of those below

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.what}    | {self.text}"


class _Changer(ast.NodeTransformer):
    """Counts the places where something can be changed, and changes the one asked for."""

    def __init__(self, wanted: int = -1) -> None:
        self.wanted = wanted
        self.found: list[tuple[int, str]] = []

    def _here(self, node: ast.AST, what: str) -> bool:
        self.found.append((getattr(node, "lineno", 0), what))
        return len(self.found) - 1 == self.wanted

    # what is left alone -------------------------------------------------------------------------

    def visit_JoinedStr(self, node: ast.JoinedStr) -> ast.AST:
        return node

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        if node.value is not None:
            node.value = self.visit(node.value)
        return node

    def visit_arg(self, node: ast.arg) -> ast.AST:
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        if node.name in ("__repr__", "__str__"):
            return node
        node.decorator_list, kept = [], node.decorator_list
        returns, node.returns = node.returns, None
        read = {n.id for part in node.body for n in ast.walk(part) if isinstance(n, ast.Name)}
        self._defaults(node.args, read)
        node.body = [self.visit(part) for part in node.body]
        node.decorator_list, node.returns = kept, returns
        return node

    def _defaults(self, args: ast.arguments, read: set[str]) -> None:
        """Of what the function reads: a default that nobody looks at is no rule."""
        ordered = [*args.posonlyargs, *args.args]
        names = [a.arg for a in ordered[len(ordered) - len(args.defaults) :]]
        args.defaults = [
            self.visit(value) if name in read else value
            for name, value in zip(names, args.defaults, strict=True)
        ]
        args.kw_defaults = [
            self.visit(value) if value is not None and one.arg in read else value
            for one, value in zip(args.kwonlyargs, args.kw_defaults, strict=True)
        ]

    def visit_ClassDef(self, node: ast.ClassDef) -> ast.AST:
        node.decorator_list, kept = [], node.decorator_list
        self.generic_visit(node)
        node.decorator_list = kept
        return node

    def visit_If(self, node: ast.If) -> ast.AST:
        if isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            return node
        if self._here(node, "if turned round"):
            node.test = ast.copy_location(ast.UnaryOp(ast.Not(), node.test), node.test)
            return node
        return self.generic_visit(node)

    # statements ---------------------------------------------------------------------------------

    def visit_Raise(self, node: ast.Raise) -> ast.AST:
        return self._gone(node, "raise") or node  # what it says is not changed

    def visit_keyword(self, node: ast.keyword) -> ast.AST:
        # zip(strict=True) says what holds; no rule lies in it
        return node if node.arg == "strict" else self.generic_visit(node)

    def visit_Continue(self, node: ast.Continue) -> ast.AST:
        return self._gone(node, "continue") or node

    def visit_Break(self, node: ast.Break) -> ast.AST:
        return self._gone(node, "break") or node

    def visit_AugAssign(self, node: ast.AugAssign) -> ast.AST:
        return self._gone(node, ast.unparse(node)) or self.generic_visit(node)

    def visit_Expr(self, node: ast.Expr) -> ast.AST:
        if isinstance(node.value, ast.Constant):
            return node  # a docstring
        if isinstance(node.value, ast.Call) and _name(node.value.func) in _TELLING:
            return node
        return self._gone(node, ast.unparse(node)[:60]) or self.generic_visit(node)

    def visit_Return(self, node: ast.Return) -> ast.AST:
        nothing = node.value is None or (
            isinstance(node.value, ast.Constant) and node.value.value in (None, "", False)
        )  # False and None are one to an if; False to True is a change of its own
        if not nothing and self._here(node, "return None"):
            node.value = ast.copy_location(ast.Constant(None), node)
            return node
        return self.generic_visit(node)

    def _gone(self, node: ast.stmt, what: str) -> ast.AST | None:
        return ast.copy_location(ast.Pass(), node) if self._here(node, f"gone: {what}") else None

    # expressions --------------------------------------------------------------------------------

    def visit_Compare(self, node: ast.Compare) -> ast.AST:
        op = type(node.ops[0])
        if len(node.ops) == 1 and op in _NEGATED:
            if self._here(node, f"{op.__name__} to {_NEGATED[op].__name__}"):
                node.ops = [_NEGATED[op]()]
                return node
            # On measured numbers the edge has no width; on counts it is a rule.
            if (
                op in _EDGE
                and (_counts(node.left) or _counts(node.comparators[0]))
                and self._here(node, f"{op.__name__} to {_EDGE[op].__name__}")
            ):
                node.ops = [_EDGE[op]()]
                return node
        return self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> ast.AST:
        op = type(node.op)
        if (
            op in _SWAPPED
            and not (_is_text(node.left) or _is_text(node.right))
            and not (op is ast.Add and _is_error(node.right))
            and self._here(node, f"{op.__name__} to {_SWAPPED[op].__name__}")
        ):
            node.op = _SWAPPED[op]()
            return node
        return self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> ast.AST:
        other = ast.Or if isinstance(node.op, ast.And) else ast.And
        if self._here(node, f"{type(node.op).__name__} to {other.__name__}"):
            node.op = other()
            return node
        return self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> ast.AST:
        if isinstance(node.op, ast.Not | ast.USub) and self._here(
            node, f"{type(node.op).__name__} gone"
        ):
            return node.operand
        return self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> ast.AST:
        value = node.value
        if isinstance(value, bool):
            return self._constant(node, not value)
        if isinstance(value, int) and value < 1000:  # beyond it is a number of draws or bytes
            return self._constant(node, value + 1)
        if isinstance(value, float):
            return self._constant(node, value * 1.5 if value else 1.0)
        return node

    def _constant(self, node: ast.Constant, other: object) -> ast.AST:
        if self._here(node, f"{node.value} to {other}"):
            return ast.copy_location(ast.Constant(other), node)  # type: ignore[arg-type]
        return node

    def visit_Name(self, node: ast.Name) -> ast.AST:
        if (
            node.id in _FACTORS
            and isinstance(node.ctx, ast.Load)
            and self._here(node, f"{node.id} to 1")
        ):
            return ast.copy_location(ast.Constant(1.0), node)
        return node

    def visit_Call(self, node: ast.Call) -> ast.AST:
        name = _name(node.func)
        if name == "Field":
            return node  # the files' own checks: made when the class is
        if name == "sqrt" and ast.unparse(node.args[0]) in ("3.0", "2.0"):
            if self._here(node, f"{ast.unparse(node)} to 1"):
                return ast.copy_location(ast.Constant(1.0), node)
        elif name in _OTHER_CALL and isinstance(node.func, ast.Name):
            if self._here(node, f"{name} to {_OTHER_CALL[name]}"):
                node.func.id = _OTHER_CALL[name]
                return node
        elif name in _UNWRAPPED and len(node.args) == 1 and self._here(node, f"{name}() gone"):
            return node.args[0]
        return self.generic_visit(node)

    def visit_IfExp(self, node: ast.IfExp) -> ast.AST:
        words = _is_text(node.body) or _is_text(node.orelse)
        if not words and self._here(node, "if-else turned round"):
            node.body, node.orelse = node.orelse, node.body
            return node
        return self.generic_visit(node)

    def visit_Subscript(self, node: ast.Subscript) -> ast.AST:
        # types are subscripts, too; an index is a number
        if isinstance(node.slice, ast.Constant | ast.UnaryOp | ast.BinOp | ast.Slice):
            return self.generic_visit(node)
        node.value = self.visit(node.value)
        return node


def _name(func: ast.expr) -> str:
    if isinstance(func, ast.Attribute):
        return func.attr
    return func.id if isinstance(func, ast.Name) else ""


def _is_text(node: ast.expr) -> bool:
    if isinstance(node, ast.BinOp):
        return _is_text(node.left) or _is_text(node.right)
    return isinstance(node, ast.JoinedStr) or (
        isinstance(node, ast.Constant) and isinstance(node.value, str)
    )


def _is_error(node: ast.expr) -> bool:
    """A new variable of mean zero: it has no sign, so that taking it off is adding it."""
    return (
        isinstance(node, ast.Call)
        and _name(node.func) in ("variable", "rectangular", "normal")
        and isinstance(node.args[0], ast.Constant)
        and node.args[0].value == 0.0
    )


def _counts(node: ast.expr) -> bool:
    if isinstance(node, ast.Constant):
        return isinstance(node.value, int) and not isinstance(node.value, bool)
    if isinstance(node, ast.Call):
        return _name(node.func) == "len"
    return isinstance(node, ast.Attribute) and node.attr == "size"


def mutants(path: Path) -> Iterator[Mutant]:
    """Every mutant of a file."""
    source = path.read_text(encoding="utf-8")
    lines = source.splitlines()
    changer = _Changer()
    changer.visit(ast.parse(source))
    for index, (line, what) in enumerate(changer.found):
        yield Mutant(path, index, line, what, lines[line - 1].strip())


def trees(mutant: Mutant) -> tuple[ast.Module, ast.Module]:
    """The file's syntax tree as it is, and with the mutant in it."""
    tree = ast.parse(mutant.path.read_text(encoding="utf-8"))
    if mutant.becomes:
        return tree, ast.parse(mutant.becomes)
    changed = _Changer(mutant.index).visit(copy.deepcopy(tree))
    return tree, ast.fix_missing_locations(changed)
