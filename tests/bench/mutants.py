"""Mutants of the alarm engine: one small change each; which of them does no test notice?

    .venv/bin/python tests/bench/mutants.py hysteresis delays … [--stories 60] [--only N,N]

Each mutant lives in a forked process: the changed module takes the place of its file, the tests of
`tests/domain` run until one fails, then random stories beside the reference. What survives is a
missing test, or changes nothing that can be seen; DEVELOPERS.md lists the latter.
"""

import argparse
import ast
import os
import signal
import sys
import time
from collections import Counter
from collections.abc import Iterator
from copy import deepcopy
from importlib.abc import Loader, MetaPathFinder
from importlib.machinery import ModuleSpec
from importlib.util import spec_from_loader
from pathlib import Path
from types import CodeType, ModuleType

import pytest
from hypothesis import settings

ROOT = Path(__file__).resolve().parents[2]
DOMAIN = ROOT / "services" / "weirwatch" / "domain"
PATIENCE_S = 240
ENGINE_TESTS = (
    "hysteresis lifecycle delays duty trend transitions deadlines engine restore late windows "
    "conditions operator builtin"
)
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


class Replaced(MetaPathFinder, Loader):
    """Gives one module another code than its file has."""

    def __init__(self, name: str, code: CodeType) -> None:
        self._name, self._code = name, code

    def find_spec(self, fullname: str, *_: object) -> ModuleSpec | None:
        """Claim the one module."""
        return spec_from_loader(fullname, self) if fullname == self._name else None

    def exec_module(self, module: ModuleType) -> None:
        """Run the changed code."""
        exec(self._code, module.__dict__)  # our own code, one operator changed


def noticed(name: str, code: CodeType | None, stories: int) -> bool:
    """Run the tests on the changed module, in a process of its own; True: one of them failed."""
    child = os.fork()
    if child == 0:
        _live(name, code, stories)
    end = time.perf_counter() + PATIENCE_S
    while time.perf_counter() < end:
        gone, status = os.waitpid(child, os.WNOHANG)
        if gone:
            return status != 0
        signal.sigtimedwait([signal.SIGCHLD], 0.2)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return True  # it does not end: that is noticed


def _live(name: str, code: CodeType | None, stories: int) -> None:
    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, 1)
    os.dup2(silence, 2)
    if code is not None:
        sys.meta_path.insert(0, Replaced(f"weirwatch.domain.{name}", code))
    own = [f"tests/domain/test_{name}.py"]
    others = [f"tests/domain/test_{test}.py" for test in ENGINE_TESTS.split()]
    files = [file for file in dict.fromkeys(own + others) if (ROOT / file).exists()]
    options = ["-x", "-q", "-n0", "-p", "no:cacheprovider", "--hypothesis-profile=mutants"]
    options += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
    try:
        failed = pytest.main([*options, *files]) != 0
        if not failed:
            from bench.stories import run

            failed = not run(PATIENCE_S, 1, 36, stories)
    except BaseException:  # noqa: BLE001 - it does not even import: that is noticed
        failed = True
    os._exit(1 if failed else 0)


def main() -> None:
    """Try every change of the named modules, and list what survived."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    options.add_argument("modules", nargs="+")
    options.add_argument("--stories", type=int, default=60)
    options.add_argument("--only", default="", help="numbers of mutants, with commas")
    given = options.parse_args()
    os.chdir(ROOT)
    sys.path[:0] = [str(ROOT / "tests")]
    settings.register_profile("mutants", deadline=None, max_examples=15, derandomize=True)
    signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGCHLD])
    only = {int(number) for number in given.only.split(",") if number}
    for name in given.modules:
        if noticed(name, None, given.stories):
            sys.exit("the tests fail without any change")
        source = (DOMAIN / f"{name}.py").read_text()
        count: Counter[bool] = Counter()
        for number, (line, what, tree) in enumerate(changes(ast.parse(source))):
            if only and number not in only:
                continue
            killed = noticed(name, compile(tree, name, "exec"), given.stories)
            count[killed] += 1
            if not killed:
                text = source.splitlines()[line - 1].strip()
                print(f"{name} {number} line {line}: {what}: {text}", flush=True)
        print(f"{name}: {count.total()} mutants, {count[False]} survived", flush=True)


if __name__ == "__main__":
    main()
