"""Planned work once more, naive: what "Planned work" of docs/alarms.md says, and no more.

A work is a name, a time and a settling; its alarms are shelved by the model as anybody would.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from domain.reference_model import SECOND, Life, Model

from weirwatch.domain.planned_work import NOT_ENDED, Check, PlannedWork
from weirwatch.domain.rule import ChannelIs, Side

LOOK_AGAIN = 5 * SECOND  # while something is not back to normal


@dataclass
class Job:
    """Work that was begun: when it is over or looked at, and what it shelved until when."""

    over: int
    ended: bool = False
    look_at: int | None = None
    mine: dict[str, int] = field(default_factory=dict)
    amiss: bool = False


class Works:
    """All planned works, beside the model of the rules."""

    def __init__(self, model: Model, works: Sequence[PlannedWork]) -> None:
        self.model = model
        self.works = {work.id: work for work in works}
        self.jobs: dict[str, Job] = {}

    def start(self, ident: str, span: int | None) -> bool:
        """Begin it, or move its end; shelve what it names until it has settled."""
        work, now = self.works[ident], self.model.now
        span = work.duration if span is None else span
        if span + work.settle > work.longest:
            return False
        before = self.jobs.get(ident)
        until = now + span + work.settle
        mine = {}
        for rule in work.rules:
            life = self.model.lives[rule]
            sooner = life.shelved_until is None or life.shelved_until < until
            if self._ours(life, before, rule) or (not life.out and sooner):
                self._quiet(rule, until)
                mine[rule] = until
        self.jobs[ident] = Job(now + span, mine=mine)
        self._tell()
        return True

    def end(self, ident: str) -> bool:
        """End it now; what it shelved itself is shelved until it has settled."""
        job, work, now = self.jobs.get(ident), self.works[ident], self.model.now
        if job is None or job.ended:
            return False
        for rule in work.rules:
            if self._ours(self.model.lives[rule], job, rule):
                self._quiet(rule, now + work.settle)
        job.over, job.ended, job.look_at = now, True, now + work.settle
        return True

    def next_times(self) -> list[int]:
        """When something is to be done."""
        times = [job.look_at if job.ended else job.over for job in self.jobs.values()]
        return [time for time in times if time is not None]

    def pass_time(self, *, started: bool = False) -> None:
        """End what is over and look at what has settled; `started`: for the first time again.

        What was due while nobody was there is looked at when it has settled after the start.
        """
        now = self.model.now
        for ident, job in list(self.jobs.items()):
            settle = self.works[ident].settle
            if not job.ended and job.over <= now:
                job.ended, job.look_at = True, (now if started else job.over) + settle
            elif job.ended and started and not job.amiss and (job.look_at or 0) <= now:
                job.look_at = now + settle
            elif job.look_at is not None and (job.look_at <= now or (started and job.amiss)):
                self._look(ident, job)
        if started:
            self._tell()

    def _look(self, ident: str, job: Job) -> None:
        job.amiss = not all(self._normal(check) for check in self.works[ident].checks)
        job.look_at = self.model.now + LOOK_AGAIN
        if not job.amiss:
            del self.jobs[ident]
        self._tell()

    def _normal(self, check: Check) -> bool:
        past, now = self.model.past, self.model.now
        good, span = past.newest_good(check.channel), past.channels[check.channel].silent_after
        if good is None or (span is not None and now - good.time > span):
            return False
        if isinstance(check, ChannelIs):
            return bool(good.value) == check.value
        return good.value > check.limit if check.side is Side.HIGH else good.value < check.limit

    def _tell(self) -> None:
        self.model.observe(NOT_ENDED, any(job.amiss for job in self.jobs.values()))

    def _ours(self, life: Life, job: Job | None, rule: str) -> bool:
        return job is not None and life.shelved and life.shelved_until == job.mine.get(rule)

    def _quiet(self, ident: str, until: int) -> None:
        rule, now = self.model.by_id[ident], self.model.now
        self.model.keep_quiet(rule, until - now)
