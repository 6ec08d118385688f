"""Engine and reference with planned work, driven step by step as the loop drives the engine."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from domain.engine_run import EngineRun
from domain.reference_model import Model
from domain.reference_work import Works

from weirwatch.domain.alarm import Event
from weirwatch.domain.errors import WeirwatchError
from weirwatch.domain.planned_work import PlannedWork
from weirwatch.domain.state import Decision
from weirwatch.pipeline.work_desk import WorkDesk, WorkRequest


@dataclass
class WorkRun(EngineRun):
    """The engine with a desk for planned work; what the desk keeps outlives a loss of power."""

    works: Sequence[PlannedWork] = ()
    kept: dict[str, str] = field(default_factory=dict)
    own: list[tuple[int, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__post_init__()
        self._new_desk()

    def work(self, ident: str, minutes: float | None, *, start: bool) -> None:
        """Start planned work, or end it."""
        name = "start" if start else "end"
        request = WorkRequest(name, ident, "tester", minutes=minutes)
        self.desk.take(request, self.now)
        if request.answer.done():
            assert isinstance(request.answer.exception(), WeirwatchError)
            self.refused.append(self.now)

    def restart(self, at: int, told: Sequence[tuple[str, bool]] = ()) -> None:
        super().restart(at, told)
        self._new_desk()

    def next_call(self) -> int | None:
        calls = [call for call in (super().next_call(), self.desk.next_call()) if call is not None]
        return min(calls, default=None)

    def turn(self) -> None:
        super().turn()
        self._pass_time()
        while self.works and (self.desk.next_call() or self.now + 1) <= self.now:
            self._pass_time()
            super().turn()

    def _new_desk(self) -> None:
        works = {work.id: work for work in self.works}
        self.desk = WorkDesk(works, self.book, self.state, self, dict(self.kept))
        self._pass_time()

    def _pass_time(self) -> None:
        if self.works:  # else nobody has the rule that tells of work not ended
            self.desk.pass_time(self.now)

    # --- what the desk writes to ------------------------------------------------------------

    def decision(self, decision: Decision) -> None:
        self.events.extend(decision.events)

    def event(self, event: Event) -> None:
        self.own.append((event.time, event.kind))

    def keep(self, key: str, text: str | None) -> None:
        if text is None:
            self.kept.pop(key, None)
        else:
            self.kept[key] = text


class WorkModel(Model):
    """The reference with planned work."""

    def plan(self, works: Sequence[PlannedWork]) -> None:
        """Give it the works; to be called first of all."""
        self.works = Works(self, works)
        self.works.pass_time(started=True)

    def work(self, ident: str, minutes: float | None, *, start: bool) -> None:
        """Start planned work, or end it."""
        span = None if minutes is None else round(minutes * 60_000_000)
        done = self.works.start(ident, span) if start else self.works.end(ident)
        if not done:
            self.refused.append(self.now)

    def restart(self, at: int, told: Sequence[tuple[str, bool]] = ()) -> None:
        super().restart(at, told)
        self.works.pass_time(started=True)

    def next_times(self) -> list[int]:
        return [*super().next_times(), *self.works.next_times()]

    def turn(self) -> None:
        super().turn()
        while any(time <= self.now for time in self.works.next_times()):
            self.works.pass_time()
            super().turn()
