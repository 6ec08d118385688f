"""What the independent watcher concludes, and how long a verdict must stand until it is told."""

import pytest

from weirwatch.domain.farwatch import STANDS, Seen, Verdict, Watch, step, verdict
from weirwatch.domain.instant import SECOND


@pytest.mark.parametrize(
    ("seen", "found"),
    [
        (Seen(True, "up", None, None), Verdict.WELL),
        (Seen(True, "up", True, False), Verdict.WELL),
        (Seen(True, "up", False, True), Verdict.API_DARK),
        (Seen(True, "lost", True, True), Verdict.SERVICE_LOST),
        (Seen(True, "stopped", False, True), Verdict.STOPPED),
        (Seen(True, "", True, True), Verdict.UNHEARD),
        (Seen(False, "", True, None), Verdict.BROKER_LOST),
        (Seen(False, "", False, True), Verdict.SITE_DARK),
        (Seen(False, "", None, True), Verdict.SITE_DARK),
        (Seen(False, "", False, False), Verdict.CANNOT_SEE),
        (Seen(False, "", False, None), Verdict.DARK),
    ],
)
def test_verdicts(seen: Seen, found: Verdict) -> None:
    assert verdict(seen) is found


def told(looks: list[tuple[int, Verdict]]) -> list[tuple[int, Verdict]]:
    watch, said = Watch(), []
    for second, found in looks:
        watch, tell = step(watch, found, second * SECOND)
        if tell:
            said.append((second, watch.told))
    return said


def test_a_verdict_is_told_once_and_so_is_the_return() -> None:
    lost = [(s, Verdict.SERVICE_LOST) for s in range(100, 200)]
    well = [(s, Verdict.WELL) for s in range(200, 300)]
    assert told(lost + well) == [(110, Verdict.SERVICE_LOST), (205, Verdict.WELL)]


def test_what_passes_is_not_told() -> None:
    assert told([(0, Verdict.DARK), (14, Verdict.DARK), (15, Verdict.WELL)]) == []


def test_a_planned_stop_is_told_after_ten_minutes_only() -> None:
    assert told([(s, Verdict.STOPPED) for s in range(0, 599)]) == []
    assert told([(s, Verdict.STOPPED) for s in range(0, 700)]) == [(600, Verdict.STOPPED)]


def test_from_bad_to_worse() -> None:
    looks = [(s, Verdict.SERVICE_LOST) for s in range(20)]
    looks += [(s, Verdict.SITE_DARK) for s in range(20, 60)]
    assert [found for _, found in told(looks)] == [Verdict.SERVICE_LOST, Verdict.SITE_DARK]


def test_what_is_certain_is_told_within_half_a_minute() -> None:
    slow = {Verdict.STOPPED, Verdict.CANNOT_SEE, Verdict.UNHEARD, Verdict.API_DARK}
    assert all(span <= 15 * SECOND for found, span in STANDS.items() if found not in slow)
