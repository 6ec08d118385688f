"""After a loss of power: every alarm is what it was, pending delays start again."""

from domain.engine_run import EngineRun
from support.bench_engine import book, channel, rule, seen, told

from weirwatch.domain.book import Book
from weirwatch.domain.instant import micros
from weirwatch.domain.rule import BadMeasurement, Rule


def silent(on: float = 0) -> Rule:
    return rule("silent", BadMeasurement(silent=True), kind="bad-measurement", on=on)


def started(made: Book) -> EngineRun:
    run = EngineRun(made, 0)
    run.reading(seen([(0, 1)])[0])
    return run


def test_silence_that_was_pending_at_the_stop_is_told_after_it() -> None:
    run = started(book([silent(on=30)], [channel(every=5)]))
    run.advance(micros(20))  # silent since 15: the on-delay runs until 45
    run.restart(micros(25))
    run.advance(micros(200))
    assert told(run.events) == [(25 + 15 + 30, "raised", "unacknowledged", True)]


def test_silence_that_stood_stands_on_and_is_not_told_again() -> None:
    run = started(book([silent()], [channel(every=5)]))
    run.advance(micros(20))
    run.restart(micros(25))
    run.advance(micros(200))
    assert told(run.events) == [(15, "raised", "unacknowledged", True)]
    run.reading(seen([(200, 1)])[0])
    assert told(run.events)[1:] == [(200, "returned", "returned-unacknowledged", False)]
