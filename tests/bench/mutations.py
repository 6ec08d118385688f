"""The small changes that `mutants.py` tries, and how a live module is made to run one."""

import ast
import sys
from collections.abc import Iterator, Mapping
from copy import deepcopy
from types import CodeType, FunctionType
from typing import Any

SWAPS: dict[type, type] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.And: ast.Or,
    ast.Or: ast.And,
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Add,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.FloorDiv,
}
NAMES = {"min": "max", "max": "min", "any": "all", "all": "any"}


def changes(tree: ast.Module) -> Iterator[tuple[int, str, ast.Module]]:
    """Yield (line, what, changed tree), always in the same order."""
    places = list(ast.walk(tree))
    skipped = {id(part) for node in places for part in _silent(node)}
    for number, node in enumerate(places):
        if id(node) in skipped:
            continue
        for what in _ways(node):
            copy = deepcopy(tree)
            changed = list(ast.walk(copy))[number]
            _apply(changed, what)
            yield getattr(node, "lineno", 0), what, ast.fix_missing_locations(copy)


def _silent(node: ast.AST) -> Iterator[ast.AST]:
    """Yield what no run depends on: annotations, doc strings, whether a class is frozen."""
    for decorator in getattr(node, "decorator_list", []):
        yield from ast.walk(decorator)
    for field in ("annotation", "returns"):
        part = getattr(node, field, None)
        if part is not None:
            yield from ast.walk(part)
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        yield from ast.walk(node)


def _ways(node: ast.AST) -> Iterator[str]:  # noqa: C901 - a plain list of kinds
    match node:
        case ast.Compare(ops=ops):
            yield from (f"op {n}" for n, op in enumerate(ops) if type(op) in SWAPS)
        case ast.BoolOp():
            yield "op"
        case ast.BinOp() if type(node.op) in SWAPS:
            yield "op"
        case ast.AugAssign() if type(node.op) in SWAPS:
            yield "op"
        case ast.UnaryOp(op=ast.Not()):
            yield "drop not"
        case ast.If() | ast.IfExp() | ast.While():
            yield "negate"
        case ast.Constant(value=bool() | int() | float()):
            yield "constant"
        case ast.Call(func=ast.Name(id=name)) if name in NAMES:
            yield f"call {NAMES[name]}"
        case ast.Expr(value=ast.Call() | ast.YieldFrom() | ast.Yield()):
            yield "drop statement"
        case ast.Continue() | ast.Break():
            yield "drop statement"
        case ast.Dict(keys=keys) if len(keys) > 3:
            yield from (f"drop entry {n}" for n in range(len(keys)))


def _apply(node: ast.AST, what: str) -> None:
    match node:
        case ast.Compare():
            place = int(what.split()[1])
            node.ops[place] = SWAPS[type(node.ops[place])]()
        case ast.BoolOp() | ast.BinOp() | ast.AugAssign():
            node.op = SWAPS[type(node.op)]()
        case ast.UnaryOp():
            _become(node, ast.Call(ast.Name("bool", ast.Load()), [node.operand], []))
        case ast.If() | ast.IfExp() | ast.While():
            node.test = ast.UnaryOp(ast.Not(), node.test)
        case ast.Constant(value=value):
            node.value = not value if isinstance(value, bool) else value + 1  # type: ignore[operator]
        case ast.Call(func=ast.Name()):
            node.func = ast.Name(what.split()[1], ast.Load())
        case ast.Dict():
            place = int(what.split()[2])
            del node.keys[place], node.values[place]
        case _:
            _become(node, ast.Pass())


def _become(node: ast.AST, other: ast.AST) -> None:
    node.__class__ = other.__class__
    node.__dict__.clear()
    node.__dict__.update(other.__dict__)


def put_in(name: str, code: CodeType) -> None:
    """Let the live module, and whoever imported from it, run the changed code."""
    module = sys.modules[f"weirwatch.domain.{name}"]
    changed: dict[str, Any] = {"__name__": module.__name__}
    exec(code, changed)  # our own code, one operator changed
    for key, new in changed.items():
        old = module.__dict__.get(key)
        if isinstance(old, FunctionType) and old.__module__ == module.__name__:
            _take_over(old, new)
        elif isinstance(old, type) and old.__module__ == module.__name__:
            _take_over_class(vars(old), vars(new))
        elif isinstance(old, dict) and not key.startswith("__"):
            old.clear()
            old.update(new)
        elif isinstance(old, int | float | str | tuple) and old != new:
            for other in list(sys.modules.values()):
                if vars(other).get(key) == old and other.__name__.startswith("weirwatch."):
                    vars(other)[key] = new


def _take_over_class(old: Mapping[str, Any], new: Mapping[str, Any]) -> None:
    for key, member in new.items():
        was, now = _function(old.get(key)), _function(member)
        if was is not None and now is not None:
            _take_over(was, now)


def _function(member: object) -> FunctionType | None:
    found = member.fget if isinstance(member, property) else member
    return found if isinstance(found, FunctionType) else None


def _take_over(old: FunctionType, new: FunctionType) -> None:
    old.__defaults__, old.__kwdefaults__ = new.__defaults__, new.__kwdefaults__
    if old.__code__ != new.__code__ and len(old.__code__.co_freevars) == len(
        new.__code__.co_freevars
    ):
        old.__code__ = new.__code__
