"""Runs plays, each with a journal of its own in a folder that goes when the play has ended."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from types import MappingProxyType

from weirwatch.cli.drill_plant import SimulatedPlant
from weirwatch.config.builtin import node_rule_ids
from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Quality
from weirwatch.ingest.codec import Codec
from weirwatch.pipeline.drill import (
    Drill,
    DrillParts,
    Outcome,
    coarser,
    detecting_rules,
    not_expected,
)
from weirwatch.pipeline.drill_result import (
    NormalResult,
    RunResult,
    counted_failures,
    first_telling,
    judge_normal,
    judge_run,
)
from weirwatch.pipeline.notices import NoticeWriter
from weirwatch.pipeline.plant_source import Play
from weirwatch.pipeline.tracks import Recalling
from weirwatch.ports import Decoder
from weirwatch.settings import Settings
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_journal import SqliteJournal

_COINCIDENCE: Micros = 60 * SECOND  # what sounds so much later without the failure is the same
NO_DOUBTS: Mapping[tuple[str, Micros], tuple[Quality, str]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Job:
    """One play.

    Attributes:
        failure: its id; empty: ordinary life.
        days: of ordinary life.
        plot: whether its curves are kept.
        every_s: sampling interval of ordinary life; None: the nodes' own.
    """

    failure: str
    run: int
    seed: int
    days: float = 0.0
    plot: bool = False
    every_s: float | None = None


Result = RunResult | NormalResult


class Rehearsals:
    """Everything that plays of one configuration share.

    Args:
        settings: the keeper's own.
        absent: channels that no play sends, whose silence says nothing; None: those that the
            simulated plant has no probe for.
    """

    def __init__(self, settings: Settings, absent: Collection[str] | None = None) -> None:
        self._plant = SimulatedPlant(settings)
        self._settings = not_expected(settings, self._plant.unfed() if absent is None else absent)
        self._rules = {rule.id: rule for rule in settings.rules}
        self._writer = NoticeWriter(settings, load_catalogue())
        self._offline = node_rule_ids(channel.id for channel in settings.channels)

    def run(self, job: Job) -> Result:
        """Play one job from beginning to end."""
        if job.failure:
            wanted = detecting_rules(self._settings.rules, counted_failures(job.failure))
            play: Play = self._plant.play(job.failure, job.run, job.seed)
        else:
            wanted = frozenset()
            play = self._plant.ordinary(job.days, job.run, job.seed, job.every_s)
        plotted = frozenset(
            rule.channel
            for rule_id in wanted
            if job.plot and (rule := self._rules[rule_id]).channel is not None
        )
        outcome = self.watch(play, wanted, plotted)
        if not job.failure:
            return judge_normal(job.run, outcome, self._rules)
        anyway = self._anyway(job, outcome, wanted)
        return judge_run(job.failure, job.run, outcome, self._rules, anyway)

    def _anyway(self, job: Job, outcome: Outcome, wanted: frozenset[str]) -> frozenset[str]:
        """Return the rules that sound just so when nothing fails: they have told nothing."""
        anyway: frozenset[str] = frozenset()
        while (event := first_telling(outcome, wanted - anyway)) is not None:
            until = event.time + _COINCIDENCE
            calm = self._plant.without_failure(job.failure, job.run, job.seed, until)
            if calm is None:
                break
            heard = self.watch(calm, frozenset())
            rang = {e.rule for e in heard.events if e.annunciated and e.time >= outcome.began}
            if event.rule not in rang:
                break
            anyway |= rang
        return anyway

    def watch(
        self,
        play: Play,
        wanted: frozenset[str],
        plotted: frozenset[str] = frozenset(),
        doubted: Mapping[tuple[str, Micros], tuple[Quality, str]] = NO_DOUBTS,
    ) -> Outcome:
        """Let the service watch a play, and return what came of it.

        Args:
            play: what happens.
            wanted: as of `Drill`.
            plotted: as of `DrillParts`.
            doubted: recorded readings that were not good, as of `Tracks`.
        """
        settings = coarser(self._settings, play.every)
        with TemporaryDirectory(prefix="weirwatch-drill-") as folder:
            journal = SqliteJournal(Path(folder) / FILE_NAME)
            try:
                decoder: Decoder = Codec(
                    settings.channels,
                    settings.taps,
                    settings.broker.root,
                    settings.service.skew_future,
                )
                parts = DrillParts(
                    settings,
                    Recalling(decoder, doubted) if doubted else decoder,
                    journal,
                    self._writer,
                    self._offline,
                    plotted,
                )
                return Drill(parts, play, wanted).run()
            finally:
                journal.close()


def run_all(settings: Settings, jobs: Sequence[Job], workers: int) -> Iterator[tuple[Job, Result]]:
    """Yield each job with its result, in the order in which they are done; the longest first."""
    if workers <= 1 or len(jobs) <= 1:
        rehearsals = Rehearsals(settings)
        for job in jobs:
            yield job, rehearsals.run(job)
        return
    plant = SimulatedPlant(settings)
    ordered = sorted(jobs, key=lambda job: _moments(plant, job), reverse=True)
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        running = {pool.submit(_run_alone, settings, job): job for job in ordered}
        for done in as_completed(running):
            yield running[done], done.result()


def _moments(plant: SimulatedPlant, job: Job) -> float:
    """Return how many moments a job has at most, so that none of the long ones comes last."""
    return plant.moments_at_most(job.failure, job.run, job.seed) if job.failure else job.days


def _run_alone(settings: Settings, job: Job) -> Result:
    return Rehearsals(settings).run(job)
