"""What is back to normal, and what is not."""

from zoneinfo import ZoneInfo

import pytest

from weirwatch.domain.book import make_ready
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.planned_work import Check, Running, unmet
from weirwatch.domain.reading import Channel, Quality
from weirwatch.domain.rule import ChannelBeyond, ChannelIs, RuleBook, Side
from weirwatch.domain.state import Observed

NOW: Micros = 1000 * SECOND
FLOW = Channel("h/n/flow", "flow", "L/h", silent_after=15 * SECOND)
PUMP = Channel("h/n/pump", "switch", title="Return pump")
BOOK = make_ready(RuleBook({}, {FLOW.id: FLOW, PUMP.id: PUMP}, ZoneInfo("UTC")))


def seen(value: float, *, age_s: float = 1) -> Observed:
    time = NOW - round(age_s * SECOND)
    return Observed(time, value, Quality.GOOD, "", time, time, value, time)


@pytest.mark.parametrize(
    ("check", "observed", "told"),
    [
        (ChannelBeyond(FLOW.id, Side.HIGH, 5000), seen(5001), ""),
        (
            ChannelBeyond(FLOW.id, Side.HIGH, 5000),
            seen(5000),
            "Flow is 5000 L/h, expected above 5000 L/h",
        ),
        (ChannelBeyond(FLOW.id, Side.LOW, 100), seen(99), ""),
        (
            ChannelBeyond(FLOW.id, Side.LOW, 100),
            seen(99, age_s=16),
            "Flow has no good reading for 16 s, expected below 100 L/h",
        ),
        (
            ChannelBeyond(FLOW.id, Side.LOW, 100),
            None,
            "Flow has no good reading, expected below 100 L/h",
        ),
        (ChannelIs(PUMP.id, True), seen(1, age_s=900), ""),  # reports on change only
        (ChannelIs(PUMP.id, True), seen(0), "Return pump is off"),
    ],
)
def test_each_check_says_what_is_wrong(check: Check, observed: Observed | None, told: str) -> None:
    known = {} if observed is None else {check.channel: observed}
    assert unmet((check,), known, BOOK, NOW) == ((told,) if told else ())


def test_work_that_ends_is_checked_when_it_has_settled() -> None:
    running = Running("feeding-pause", "mk", "", 0, 600 * SECOND)
    assert running.state == "under-way"
    ended = running.end(300 * SECOND, 120 * SECOND)
    assert (ended.state, ended.ends, ended.check_at) == ("settling", 300 * SECOND, 420 * SECOND)
