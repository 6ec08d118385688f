"""Which roster serves an alarm, whom quiet hours spare, and who stands in for whom."""

from datetime import date
from zoneinfo import ZoneInfo

import pytest
from support.bench_engine import rule

from weirwatch.domain.instant import from_rfc3339
from weirwatch.domain.routing import (
    Holiday,
    Roster,
    notice_id,
    quiet_until,
    roster_for,
    standing_in,
)
from weirwatch.domain.rule import Between, Priority

OSLO = ZoneInfo("Europe/Oslo")
UTC = ZoneInfo("UTC")
NOON = from_rfc3339("2026-05-01T12:00:00Z")
NIGHT = Between(22 * 60, 7 * 60)


def test_ids_are_stable_and_counted() -> None:
    assert [notice_id(7, "keeper", number) for number in (0, 1, 2)] == [
        "7-keeper",
        "7-keeper-1",
        "7-keeper-2",
    ]


def test_the_first_that_serves_decides() -> None:
    rosters = [
        Roster("critical", ("a",), priorities=frozenset({Priority.CRITICAL})),
        Roster("leak", ("a",), failures=frozenset({"floor-leak"})),
        Roster("other", ("a",), systems=frozenset({"other"})),
        Roster("night", ("a",), between=NIGHT),
        Roster("rest", ("a",)),
    ]

    def serves(time: str = "2026-05-01T12:00:00Z", **of: object) -> str:
        found = roster_for(rosters, rule(**of), from_rfc3339(time), UTC)  # type: ignore[arg-type]
        assert found is not None
        return found.id

    assert serves(priority=Priority.CRITICAL, failure="floor-leak") == "critical"
    assert serves(failure="floor-leak") == "leak"
    assert serves() == "rest"
    assert serves(on_channel="other/node/level") == "other"
    assert serves(on_channel=None) == "other"  # about the service itself
    assert serves("2026-05-01T23:00:00Z") == "night"
    assert roster_for(rosters[:2], rule(), NOON, UTC) is None


def test_that_somebody_cannot_be_reached_goes_to_everybody() -> None:
    gone = rule(failure="notice-undeliverable")
    named = Roster("named", ("a",), failures=frozenset({"notice-undeliverable"}))
    assert roster_for([Roster("all", ("a",))], gone, NOON, UTC) is None
    assert roster_for([Roster("all", ("a",)), named], gone, NOON, UTC) is named


@pytest.mark.parametrize(
    ("time", "until"),
    [
        ("2026-05-01T19:59:59Z", None),  # 21:59:59 in Oslo
        ("2026-05-01T20:00:00Z", "2026-05-02T05:00:00Z"),
        ("2026-05-02T04:59:59Z", "2026-05-02T05:00:00Z"),
        ("2026-05-02T05:00:00Z", None),
        # the night in which clocks go back in 2026: 25 October, one hour longer
        ("2026-10-24T20:30:00Z", "2026-10-25T06:00:00Z"),
    ],
)
def test_quiet_hours_are_local(time: str, until: str | None) -> None:
    roster = Roster("r", ("a",), quiet=NIGHT)
    found = quiet_until(roster, rule(), from_rfc3339(time), OSLO)
    assert found == (None if until is None else from_rfc3339(until))


def test_critical_and_bold_wake_people() -> None:
    roster = Roster("r", ("a",), quiet=NIGHT)
    night = from_rfc3339("2026-05-01T23:00:00Z")
    assert quiet_until(roster, rule(priority=Priority.HIGH), night, UTC) is not None
    assert quiet_until(roster, rule(priority=Priority.CRITICAL), night, UTC) is None
    assert quiet_until(roster, rule(priority=Priority.LOW, bold=True), night, UTC) is None


def test_a_stand_in_from_the_first_to_the_last_day() -> None:
    away = [Holiday("keeper", "neighbour", date(2026, 7, 4), date(2026, 7, 18))]

    def told(time: str) -> tuple[str, ...]:
        return standing_in(["keeper", "friend"], away, from_rfc3339(time), OSLO)

    assert told("2026-07-03T21:59:59Z") == ("keeper", "friend")
    assert told("2026-07-03T22:00:00Z") == ("neighbour", "friend")
    assert told("2026-07-18T21:59:59Z") == ("neighbour", "friend")
    assert told("2026-07-18T22:00:00Z") == ("keeper", "friend")


def test_stand_ins_of_stand_ins_and_circles() -> None:
    day = date(2026, 5, 1)
    a_b, b_c, b_a = (Holiday(*two, day, day) for two in (("a", "b"), ("b", "c"), ("b", "a")))
    assert standing_in(["a"], [a_b, b_c], NOON, UTC) == ("c",)
    assert standing_in(["a", "b", "c"], [a_b, b_c], NOON, UTC) == ("c",)
    assert standing_in(["a", "b"], [a_b, b_a], NOON, UTC) == ("b", "a")
