"""Mutants of the alarm engine: one small change each; which of them does no test notice?

    .venv/bin/python tests/bench/mutants.py hysteresis delays … [--stories 25] [--every N]

The tests of `tests/domain` are collected once; each mutant is a forked process in which the code of
one module is changed, and they run until one fails, then random stories beside the reference. What
survives is a missing test, or changes nothing that can be seen; DEVELOPERS.md lists the latter.
"""

import argparse
import ast
import os
import resource
import sys
from collections import Counter
from collections.abc import Iterator, Mapping
from copy import deepcopy
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import pytest
from hypothesis import settings

ROOT = Path(__file__).resolve().parents[2]
DOMAIN = ROOT / "services" / "weirwatch" / "domain"
CPU_S = 30  # a mutant that runs for longer does not end
ENGINE_TESTS = (
    "hysteresis lifecycle delays duty trend transitions deadlines engine restore late windows "
    "conditions operator builtin"
)
SLOW = {"test_duty.py", "test_trend.py"}  # they hold their own module only
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
    """Yield what no run depends on: annotations, doc strings, names of slots."""
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
        elif isinstance(old, int | float | str) and old != new:
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


class Mutants:
    """Takes the place of pytest's loop over the tests."""

    def __init__(self, modules: list[str], stories: int, every: int) -> None:
        self._modules, self._stories, self._every = modules, stories, every
        self.report: list[str] = []

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Try every mutant of every module."""
        out = os.dup(1)
        for name in self._modules:
            if self._noticed(session, name, None):
                os.write(out, b"the tests fail without any change\n")
                return True
            source = (DOMAIN / f"{name}.py").read_text()
            count: Counter[bool] = Counter()
            for number, (line, what, tree) in enumerate(changes(ast.parse(source))):
                if number % self._every:
                    continue
                killed = self._noticed(session, name, compile(tree, name, "exec"))
                count[killed] += 1
                if not killed:
                    text = source.splitlines()[line - 1].strip()
                    os.write(out, f"{name} {number} line {line}: {what}: {text}\n".encode())
            told = f"{name}: {count.total()} mutants, {count[False]} survived\n"
            os.write(out, told.encode())
        return True

    def _noticed(self, session: pytest.Session, name: str, code: CodeType | None) -> bool:
        """Run the tests on the changed module, in a process of its own; True: one failed."""
        child = os.fork()
        if child == 0:
            self._live(session, name, code)
        return os.waitpid(child, 0)[1] != 0

    def _live(self, session: pytest.Session, name: str, code: CodeType | None) -> None:
        silence = os.open(os.devnull, os.O_WRONLY)
        os.dup2(silence, 1)
        os.dup2(silence, 2)
        resource.setrlimit(resource.RLIMIT_CPU, (CPU_S, CPU_S))
        try:
            if code is not None:
                put_in(name, code)
            own = f"test_{name}.py"
            for item in sorted(session.items, key=lambda item: item.path.name != own):
                if item.path.name in SLOW - {own}:
                    continue
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=None)
                if session.testsfailed:
                    os._exit(1)
            from bench.stories import run

            failed = not run(CPU_S * 100, 1, 36, self._stories)
        except BaseException:  # noqa: BLE001 - it does not even import: that is noticed
            failed = True
        os._exit(1 if failed else 0)


def main() -> None:
    """Try the changes of the named modules, and list what survived."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    options.add_argument("modules", nargs="+")
    options.add_argument("--stories", type=int, default=25)
    options.add_argument("--every", type=int, default=1, help="only every so manieth mutant")
    given = options.parse_args()
    os.chdir(ROOT)
    sys.path[:0] = [str(ROOT / "tests")]
    settings.register_profile("mutants", deadline=None, max_examples=8, derandomize=True)
    files = [f"tests/domain/test_{test}.py" for test in ENGINE_TESTS.split()]
    flags = ["-q", "-n0", "-p", "no:cacheprovider", "--hypothesis-profile=mutants"]
    flags += ["-s", "-W", "ignore::pytest.PytestAssertRewriteWarning"]
    pytest.main([*flags, *files], plugins=[Mutants(given.modules, given.stories, given.every)])


if __name__ == "__main__":
    main()
