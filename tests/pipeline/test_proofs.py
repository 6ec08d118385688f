"""When a proof is due: never, failed, too long ago, or as the file says."""

from dataclasses import replace

from support.loop_world import LEVEL, settings_of
from support.still_clock import NOON

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.keeper_log import LogEntry
from weirwatch.pipeline.proofs import overdue, proof_works, proofs_json

DAY: Micros = 86_400 * SECOND
LEAK = "harbour-hall/hall-node/leak"


def entry(channel: str, result: str, days_ago: float) -> LogEntry:
    time = NOON - round(days_ago * DAY)
    return LogEntry(time, time, "proof", "harbour-hall", result, channel=channel)


def due(*entries: LogEntry, every: float | None = None) -> list[str]:
    settings = settings_of()
    if every is not None:
        settings = replace(settings, prove_days={LEAK: every})
    return overdue(proofs_json(settings, entries, NOON, "harbour-hall"))


def test_what_was_never_proved_or_has_failed_is_due() -> None:
    assert LEAK in due()
    assert LEAK in due(entry(LEAK, "passed", 2), entry(LEAK, "failed", 1))
    assert LEAK not in due(entry(LEAK, "passed", 1), entry(LEAK, "failed", 2))


def test_it_is_due_again_after_its_span() -> None:
    assert LEAK not in due(entry(LEAK, "passed", 89.9))
    assert LEAK in due(entry(LEAK, "passed", 90))
    assert LEAK in due(entry(LEAK, "passed", 7), every=7)
    assert LEAK not in due(every=0)  # never


def test_what_is_shown_and_what_is_kept_quiet() -> None:
    settings = settings_of()
    shown = {p["channel"]: p for p in proofs_json(settings, [entry(LEAK, "passed", 30)], NOON)}
    assert set(shown) == {LEVEL, "harbour-hall/sump-node/ph", LEAK}
    assert shown[LEAK]["due_at"] == "2026-06-30T12:00:00Z"
    assert (shown[LEAK]["sensor"], shown[LEAK]["within_s"]) == ("leak", 60.0)
    works = proof_works(settings)
    assert works[f"proof/{LEVEL}"].rules == ("sump-high", "sump-low")
    assert works[f"proof/{LEAK}"].rules == ()
    assert proofs_json(settings, (), NOON, "elsewhere") == []
