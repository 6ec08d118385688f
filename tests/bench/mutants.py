"""Mutants of the alarm engine: one small change each; which of them does no test notice?

    .venv/bin/python tests/bench/mutants.py hysteresis delays … [--done FILE] [--survivors]

The tests of `tests/domain` are collected once; each mutant is a forked process in which the code of
one module is changed, and they run until one fails, then random stories beside the reference. What
survives is a missing test, or changes nothing that can be seen; DEVELOPERS.md lists the latter.

With `--done` each outcome is kept in a file: what was tried on the same function is not tried
again; with `--survivors` what no test noticed is, as after a new one.
"""

import argparse
import ast
import gc
import json
import os
import resource
import sys
from collections import Counter
from collections.abc import Callable
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple, TextIO

import pytest
from hypothesis import HealthCheck, Phase, settings

ROOT = Path(__file__).resolve().parents[2]
DOMAIN = ROOT / "services" / "weirwatch" / "domain"
sys.path[:0] = [str(ROOT / "tests")]

from bench.mutations import changes, put_in  # noqa: E402
from bench.stories import Foretold, foretold  # noqa: E402

ENGINE_TESTS = (
    "hysteresis lifecycle delays duty trend transitions deadlines engine restore late windows "
    "conditions operator builtin"
)
PURE = {"test_duty.py", "test_trend.py", "test_hysteresis.py", "test_lifecycle.py"}
LEAST_CPU_S = 4  # a check that takes so much, and ten times what it needs, does not end
STEPS = 36  # of a story
MEMORY = 4 << 30  # bytes of address space: a list that grows without end ends


class Check(NamedTuple):
    """Something that may notice a change; `passes` runs it in this process."""

    name: str
    rank: int  # own tests first, then the others, then stories
    passes: Callable[[], bool]


class Mutants:
    """Takes the place of pytest's loop over the tests."""

    def __init__(self, given: argparse.Namespace) -> None:
        self._given = given
        self._done = Path(given.done) if given.done else None
        self._costs: dict[str, float] = {}
        self._kills: Counter[str] = Counter()

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Try every mutant of every module."""
        with os.fdopen(os.dup(1), "w", buffering=1) as out:
            self._modules(session, out)
        return True

    def _modules(self, session: pytest.Session, out: TextIO) -> None:
        print(f"{self._given.stories} stories are made ready", file=out)
        stories = foretold(1, STEPS, self._given.stories)
        gc.freeze()
        for name in self._given.modules:
            checks = _checks(session, name, stories)
            if not self._costs:
                unchanged = self._noticed(checks, lambda: None, tell_costs=True)
                if unchanged:
                    print(f"{unchanged} fails without any change", file=out)
                    return
            self._module(name, checks, out)

    def _module(self, name: str, checks: list[Check], out: TextIO) -> None:
        source = (DOMAIN / f"{name}.py").read_text()
        whole, known, by = ast.parse(source), self._known(), Counter[str]()
        for line, what, tree in changes(whole):
            key = f"{name} {_key(whole, tree)}"
            killer = known.get(key)
            if killer is None or (self._given.survivors and not killer.startswith("test")):
                killer = self._noticed(checks, partial(put_in, name, compile(tree, name, "exec")))
                self._kills[killer] += 1
                text = f"{line}: {what}: {source.splitlines()[line - 1].strip()}"
                self._keep({"key": key, "by": killer, "at": text})
                if not killer:
                    print(f"{name} line {text}", file=out)
            by[killer and killer.split()[0]] += 1
        told = f"{by['test']} killed by tests, {by['story']} by stories, {by['']} survived"
        print(f"{name}: {by.total()} mutants, {told}", file=out)

    def _known(self) -> dict[str, str]:
        """Return the newest outcome of each mutant tried: what killed it, or nothing."""
        if self._done is None or not self._done.exists():
            return {}
        lines = [json.loads(line) for line in self._done.read_text().splitlines()]
        return {line["key"]: line["by"] for line in lines}

    def _keep(self, line: dict[str, str]) -> None:
        if self._done is not None:
            with self._done.open("a") as file:
                file.write(json.dumps(line) + "\n")

    def _noticed(
        self, checks: list[Check], change: Callable[[], None], *, tell_costs: bool = False
    ) -> str:
        """Run the checks on the change, in a process of its own; return the first that failed."""
        order = sorted(
            checks,
            key=lambda c: (c.rank, -self._kills[c.name], self._costs.get(c.name, 0.0)),
        )
        read, write = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(read)
            self._live(order, change, write)
        os.close(write)
        with os.fdopen(read) as told:
            lines = told.read().splitlines()
        ended = os.waitpid(child, 0)[1] == 0
        if tell_costs:
            self._costs = {name: float(cost) for cost, name in (t.split(" ", 1) for t in lines)}
        return "" if ended else (lines[-1].split(" ", 1)[1] if lines else "test import")

    def _live(self, checks: list[Check], change: Callable[[], None], write: int) -> None:
        """In the child: write down each check before it runs, and stop at one that fails."""
        silence = os.open(os.devnull, os.O_WRONLY)
        os.dup2(silence, 1)
        os.dup2(silence, 2)
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        failed = True
        try:
            change()
            for check in checks:
                before = _cpu()
                most = int(before + LEAST_CPU_S + 10 * self._costs.get(check.name, 10.0)) + 1
                resource.setrlimit(resource.RLIMIT_CPU, (most, resource.RLIM_INFINITY))
                if self._costs:
                    os.write(write, f"0 {check.name}\n".encode())
                failed = True  # so it is too when the check raises
                failed = not check.passes()
                if not self._costs:
                    os.write(write, f"{_cpu() - before} {check.name}\n".encode())
                if failed:
                    break
        finally:
            os._exit(1 if failed else 0)  # what does not even import is noticed


def _key(whole: ast.Module, changed: ast.Module) -> str:
    """Return what tells a mutant from all others while its own function or class stays as it is."""
    pairs = zip(whole.body, changed.body, strict=True)
    texts = ((ast.dump(old), ast.dump(new)) for old, new in pairs)
    return next(sha256(f"{a}{b}".encode()).hexdigest()[:16] for a, b in texts if a != b)


def _cpu() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def _checks(session: pytest.Session, name: str, stories: list[Foretold]) -> list[Check]:
    own = f"test_{name}.py"

    def test(item: pytest.Item) -> Check:
        def passes() -> bool:
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=None)
            return not session.testsfailed

        rank = 0 if item.path.name == own else 1
        return Check(f"test {item.nodeid.rsplit('/')[-1]}", rank, passes)

    others = PURE - {own}  # they hold their own module only
    found = [test(item) for item in session.items if item.path.name not in others]
    return found + [Check(f"story {told.seed}", 2, told.comes_true) for told in stories]


def main() -> None:
    """Try the changes of the named modules, and list what survived."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    options.add_argument("modules", nargs="+")
    options.add_argument("--stories", type=int, default=200)
    options.add_argument("--examples", type=int, default=25, help="of each test by hypothesis")
    options.add_argument("--done", help="file that keeps the outcomes")
    options.add_argument("--survivors", action="store_true", help="try again what no test noticed")
    given = options.parse_args()
    os.chdir(ROOT)
    settings.register_profile(
        "mutants",
        deadline=None,
        max_examples=given.examples,
        derandomize=True,
        phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    files = [f"tests/domain/test_{test}.py" for test in ENGINE_TESTS.split()]
    flags = ["-q", "-n0", "-p", "no:cacheprovider", "--hypothesis-profile=mutants"]
    flags += ["-s", "-W", "ignore::pytest.PytestAssertRewriteWarning"]
    pytest.main([*flags, *files], plugins=[Mutants(given)])


if __name__ == "__main__":
    main()
