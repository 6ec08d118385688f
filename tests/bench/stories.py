"""Random rules and what happens to them, engine beside reference, far faster than hypothesis draws.

    .venv/bin/python tests/bench/stories.py [--seconds 60] [--seed 1] [--stories 1000] [--log FILE]

Readings on time and late, commands, planned work, what the service observes of itself, broken
connections and losses of power at any point. A story follows from its seed alone. What differs is
cut down to the fewest steps and rules that still differ, printed, and ends the run with exit code
1. With --log a run that was stopped goes on where it was, unless engine, reference or dice have
changed since.
"""

import argparse
import json
import sys
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple, TypeVar

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.story_dice import (
    Arrival,
    Dice,
    Link,
    Observed,
    PowerLost,
    Scene,
    Step,
    Wait,
    Work,
    scene,
    story,
)
from domain import reference_work
from domain.strategies import TICK
from domain.test_reference import rows_of
from domain.work_run import WorkModel, WorkRun

from weirwatch.domain.operator import Command
from weirwatch.domain.reading import Reading
from weirwatch.pipeline import work_desk

Run = TypeVar("Run", WorkRun, WorkModel)
KEEP_EVERY = 100  # stories a line of the log
START = 1440 * TICK  # so that what is older than the story is not before 1970


def play(scene: Scene, steps: Sequence[Step]) -> tuple[WorkRun, WorkModel]:
    """Do the same to both."""
    return _played(engine_of(scene, steps), steps), _played(model_of(scene), steps)


def engine_of(scene: Scene, steps: Sequence[Step]) -> WorkRun:
    """The engine before anything happens; called in time where time of arrival matters."""
    prompt = bool(scene.works) or any(isinstance(step, Arrival) and step.age for step in steps)
    return WorkRun(scene.world.book, START, prompt=prompt, works=scene.works)


def model_of(scene: Scene) -> WorkModel:
    """The reference before anything happens."""
    world = scene.world
    model = WorkModel(world.rules, {c.id: c for c in world.channels}, TICK, START)
    model.plan(scene.works)
    return model


def _played(run: Run, steps: Sequence[Step]) -> Run:
    for step in steps:
        do(run, step)
    return run


def do(run: WorkRun | WorkModel, step: Step) -> None:
    """Do one step."""
    match step:
        case Arrival(channel, wait, age, value, quality):
            run.advance(run.now + wait * TICK)
            run.reading(Reading(channel, run.now - age * TICK, value, quality))
        case Command():
            run.command(step)
        case Link(up):
            run.link(up)
        case Observed(rule, present):
            run.observe(rule, present)
        case Wait(ticks):
            run.advance(run.now + ticks * TICK)
        case Work(work, minutes, start):
            run.work(work, minutes, start=start)
        case PowerLost(ticks, told):
            run.restart(run.now + ticks * TICK, told)


def same(engine: WorkRun, model: WorkModel) -> bool:
    """Whether both have the same on record and stand where the other does."""
    if engine.refused != model.refused:
        return False
    for rule in model.rules:
        alarm, life = engine.state.alarms[rule.id], model.lives[rule.id]
        mine = [row for row in model.rows if row.rule == rule.id]
        if rows_of(engine.events, rule.id) != mine:
            return False
        if (alarm.state, alarm.service_state) != (life.state, life.service):
            return False
    return True


class Foretold(NamedTuple):
    """A story of which the reference's end is known."""

    seed: int
    scene: Scene
    steps: Sequence[Step]
    model: WorkModel

    def comes_true(self) -> bool:
        """Whether the engine alone comes to the same end."""
        return same(_played(engine_of(self.scene, self.steps), self.steps), self.model)


def foretold(seed: int, steps: int, count: int) -> list[Foretold]:
    """So many stories with the reference's end, to hold the engine against again and again."""
    found = []
    for number in range(seed, seed + count):
        dice = Dice(number)
        made = scene(dice)
        happens = story(dice, made, steps)
        found.append(Foretold(number, made, happens, _played(model_of(made), happens)))
    return found


def agreed(scene: Scene, steps: Sequence[Step]) -> WorkRun | None:
    """Play; return the engine's run, or None when they disagree or one of them fails."""
    try:
        engine, model = play(scene, steps)
        return engine if same(engine, model) else None
    except Exception:  # noqa: BLE001 - whatever it is, it is a finding
        return None


def shortened(scene: Scene, steps: list[Step]) -> tuple[Scene, list[Step]]:
    """Return the fewest steps, and the plainest rules, that still differ."""
    for place in reversed(range(len(steps))):
        fewer = steps[:place] + steps[place + 1 :]
        if agreed(scene, fewer) is None:
            steps = fewer
    plain = ({"while_": ()}, {"suppressed_by": ()}, {"bold": False}, {"on_delay": 0})
    for place, rule in enumerate(scene.world.rules):
        for change in (*plain, {"off_delay": 0}, {"latching": False}, {"re_alarm": 0}):
            before = scene.world.rules
            changed = replace(before[place], **change)
            rules = (*before[:place], changed, *before[place + 1 :])
            plainer = replace(scene, world=replace(scene.world, rules=rules))
            if changed != rule and agreed(plainer, steps) is None:
                scene = plainer
    return scene, steps


def tell(scene: Scene, steps: Sequence[Step]) -> None:
    """Print what differs."""
    for part in (*scene.world.rules, *scene.world.channels, *scene.works, *steps):
        print(part)
    try:
        engine, model = play(scene, steps)
    except Exception as failure:  # noqa: BLE001 - that is what differs
        print(repr(failure))
        return
    for rule in scene.world.rules:
        print("engine", *rows_of(engine.events, rule.id), sep="\n  ")
    print("reference", *model.rows, sep="\n  ")
    print("refused", engine.refused, model.refused)


class Tally:
    """What was played from one seed on, kept line by line in a file if there is one."""

    def __init__(self, seed: int, steps: int, log: Path | None) -> None:
        self.seed, self.following = seed, seed
        self.found: Counter[str] = Counter()
        self._log, self._mark = log, fingerprint(steps)
        self._new: Counter[str] = Counter()
        self._from = seed
        for line in log.read_text().splitlines() if log is not None and log.exists() else ():
            row = json.loads(line)
            if row["mark"] == self._mark and row["first"] == self.following:
                self.found.update(row["transitions"])
                self._from = self.following = row["last"] + 1

    def add(self, scene: Scene, engine: WorkRun) -> None:
        """Count one story that did not differ."""
        kinds = {rule.id: type(rule.condition).__name__ for rule in scene.world.rules}
        self._new.update(f"{kinds[event.rule]} {event.kind}" for event in engine.events)
        self._new.update(f"work {kind}" for _, kind in engine.own)
        self.following += 1
        if self.following - self._from >= KEEP_EVERY:
            self.keep()

    def keep(self) -> None:
        """Write down what is not yet."""
        row = {"mark": self._mark, "first": self._from, "last": self.following - 1}
        if self._log is not None and self.following > self._from:
            with self._log.open("a", encoding="utf-8") as file:
                print(json.dumps({**row, "transitions": self._new}), file=file, flush=True)
        self.found.update(self._new)
        self._new.clear()
        self._from = self.following

    def print(self) -> None:
        """Print what was played and what happened in it."""
        count, last = self.following - self.seed, self.following - 1
        print(f"{count} stories, seeds {self.seed} to {last}: none differs")
        print(f"{self.found.total()} transitions")
        for name, number in sorted(self.found.items()):
            print(f"  {name:36} {number:8}")


def fingerprint(steps: int) -> str:
    """Return a mark of all that a story depends on besides its seed."""
    root = Path(__file__).resolve().parents[2]
    files = [
        *root.glob("services/weirwatch/domain/*.py"),
        *root.glob("services/weirwatch/pipeline/looking_back.py"),
        *root.glob("tests/domain/reference_*.py"),
        *root.glob("services/weirwatch/pipeline/work_desk.py"),
        *root.glob("tests/domain/*_run.py"),
        *root.glob("tests/bench/stor*.py"),
    ]
    digest = sha256(str(steps).encode())
    for file in sorted(files):
        digest.update(file.read_bytes())
    return digest.hexdigest()[:16]


def run(tally: Tally, seconds: float, steps: int, stories: int) -> bool:
    """Play until the time or their number is up; return whether none differed."""
    end, last = time.perf_counter() + seconds, tally.seed + stories
    while tally.following < last and time.perf_counter() < end:
        dice = Dice(tally.following)
        made = scene(dice)
        happens = story(dice, made, steps)
        engine = agreed(made, happens)
        if engine is None:
            tally.keep()
            print(f"seed {tally.following} differs")
            tell(*shortened(made, happens))
            return False
        tally.add(made, engine)
    tally.keep()
    tally.print()
    return True


def main() -> None:
    """Read the arguments and play."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    options.add_argument("--seconds", type=float, default=60.0)
    options.add_argument("--seed", type=int, default=1, help="of the first story")
    options.add_argument("--stories", type=int, default=sys.maxsize)
    options.add_argument("--steps", type=int, default=36)
    options.add_argument("--log", type=Path)
    given = options.parse_args()
    work_desk.CHECK_AGAIN = reference_work.LOOK_AGAIN = TICK  # every 5 s costs most of the time
    tally = Tally(given.seed, given.steps, given.log)
    sys.exit(0 if run(tally, given.seconds, given.steps, given.stories) else 1)


if __name__ == "__main__":
    main()
