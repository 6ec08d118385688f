"""The morning line: what it counts, when it says "all well", and that it comes once a day."""

from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from support.still_clock import HandClock

from weirwatch.config import load
from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.alarm import Alarm, AlarmState, Event, ServiceState
from weirwatch.domain.instant import SECOND, from_rfc3339
from weirwatch.domain.keeper_log import LogEntry
from weirwatch.pipeline.inbox import ServiceEventRequest
from weirwatch.pipeline.morning import Morning, morning_json, morning_of, morning_text
from weirwatch.pipeline.morning_round import MorningRound
from weirwatch.ports import Group, Notice
from weirwatch.store.log_book import LogBook
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

SEVEN = from_rfc3339("2026-05-02T05:30:00Z")  # half past seven in Oslo
HALL = """
[service]
time_zone = "Europe/Oslo"
[[system]]
id = "hall"
title = "Harbour Hall"
[[channel]]
id = "hall/node/level"
title = "Sump level"
quantity = "level"
unit = "mm"
expected_every_s = 5
[[channel]]
id = "hall/node/flow"
title = "Return flow"
quantity = "flow"
unit = "L/h"
expected_every_s = 5
[[rule]]
id = "sump-full"
title = "Sump high"
kind = "absolute"
channel = "hall/node/level"
high = 300
priority = "high"
failure = "sump-high"
[[rule]]
id = "no-flow"
title = "No flow"
kind = "absolute"
channel = "hall/node/flow"
low = 300
failure = "return-pump-stopped"
[[job]]
id = "pump"
title = "Clean the return pump"
every_days = 90
[[recipient]]
id = "mara"
kind = "console"
morning = "07:30"
[[recipient]]
id = "odd"
kind = "console"
[[recipient]]
id = "neighbour"
kind = "console"
[[holiday]]
recipient = "mara"
stand_in = "neighbour"
from = 2026-05-04
until = 2026-05-05
"""


class World:
    """A record in the morning."""

    def __init__(self, folder: Path) -> None:
        config = folder / "weirwatch.toml"
        config.write_text(HALL)
        self.settings, self.catalogue = load(config), load_catalogue()
        self.path, self.clock = folder / FILE_NAME, HandClock(SEVEN)
        self.journal = SqliteJournal(self.path)
        self.numbers = self.journal.adopt(self.settings.channels, self.settings.rules)
        self.asked: list[ServiceEventRequest] = []
        self.seq = 0

    def event(self, hours: float, kind: str, rule: str, *, told: bool = False) -> None:
        self.seq += 1
        time = SEVEN - round(hours * 3600) * SECOND
        event = Event(time, kind, rule, annunciated=told)
        self.journal.commit(Group(events=[(self.seq, event)]))

    def reading(self, channel: str, seconds_ago: float) -> None:
        row = (SEVEN - round(seconds_ago * SECOND), self.numbers[channel], 200.0, 0, "")
        self.journal.commit(Group(readings=[row]))

    def morning(self, days: int = 0) -> Morning:
        now = SEVEN + days * 86_400 * SECOND
        with closing(SqliteArchive(self.path)) as archive:
            return morning_of(archive, self.settings, self.catalogue, now)

    def round(self) -> MorningRound:
        return MorningRound(
            self.settings, self.catalogue, lambda: SqliteArchive(self.path), self.clock,
            self.asked.append,
        )  # fmt: skip

    def committed(self) -> list[Notice]:
        """Do with what was asked what the loop does."""
        made: list[Notice] = []
        for request in self.asked:
            assert request.write is not None
            made += request.write(self.seq, self.clock.utc)
        self.asked.clear()
        self.journal.commit(Group(notices=made))
        return made


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = World(tmp_path)
    yield made
    made.journal.close()


def test_all_well_only_when_nothing_is_against_it(world: World) -> None:
    quiet = morning_text(Morning(), SEVEN, world.settings, None).split("\n")
    assert quiet[0] == "Morning, Harbour Hall: all well"
    assert quiet[1] == "As of 2026-05-02 07:30:00 CEST."
    assert quiet[2] == "Overnight: nothing was announced."
    well = Morning(overnight=("HIGH: x",), due=("Clean the pump: never done",))
    assert morning_json(well)["all_well"] is True
    for kind in ("standing", "silenced", "silent", "uncovered", "undeliverable", "unproven"):
        told = Morning(**{kind: ("this one",)})
        text = morning_text(told, SEVEN, world.settings, None).split("\n")
        assert text[0] == f"Morning, Harbour Hall: 1 {kind}"
        assert text[-1] == f"{kind.capitalize()}: this one"
        assert morning_json(told)["all_well"] is False


def test_out_of_the_record(world: World) -> None:
    world.event(13, "raised", "no-flow", told=True)  # the evening before
    world.event(6, "raised", "sump-full", told=True)
    world.event(5.5, "returned", "sump-full")
    world.event(4, "raised", "no-flow")  # not announced
    world.reading("hall/node/level", 4)
    world.journal.commit(
        Group(
            alarms={
                "sump-full": Alarm("sump-full", AlarmState.RETURNED_UNACKNOWLEDGED),
                "no-flow": Alarm("no-flow", service_state=ServiceState.SHELVED),
            },
            notices=[
                Notice("1-mara", 1, "mara", SEVEN, "x", {}, attempts=2, last_error="no answer"),
                Notice("2-odd", 2, "odd", SEVEN, "x", {}, state="given-up", last_error="refused"),
                Notice("3-odd", 2, "odd", 0, "x", {}, state="given-up", last_error="long ago"),
                Notice("4-odd", 2, "odd", SEVEN, "x", {}, state="delivered"),
            ],
        )
    )
    found = world.morning()
    assert found.overnight == ("HIGH: Sump high (announced 01:30, back 02:00)",)
    assert found.due == ("Clean the return pump: never done",)
    assert found.standing == ("Sump high (high)",)
    assert found.silenced == ("No flow (medium)",)
    assert found.silent == ("Return flow (never heard)",)
    assert found.undeliverable == ("mara: no answer", "odd: refused")
    assert "sump-high" not in found.uncovered
    assert "floor-leak" in found.uncovered
    assert found.unproven == ("Sump level", "Return flow")
    first = morning_text(found, SEVEN, world.settings, None).split("\n")[0]
    assert first.startswith("Morning, Harbour Hall: 1 standing, 1 silenced, 1 silent, ")


def test_what_was_proved_is_proven_until_it_is_due_again(world: World) -> None:
    with closing(LogBook(world.path)) as book:
        for channel, result in (("hall/node/level", "passed"), ("hall/node/flow", "failed")):
            time = SEVEN - 86_400 * SECOND
            book.add([LogEntry(time, time, "proof", "hall", result, channel=channel)])
    assert world.morning().unproven == ("Return flow",)
    assert world.morning(400).unproven == ("Sump level", "Return flow")


def test_a_silent_channel_and_what_is_fresh(world: World) -> None:
    world.reading("hall/node/level", 24)
    world.reading("hall/node/flow", 3600)
    assert world.morning().silent == ("Return flow (since 06:30)",)


def test_what_waits_for_its_group_commit_is_not_silent(world: World) -> None:
    service = replace(world.settings.service, commit_every=120 * SECOND)
    world.settings = replace(world.settings, service=service)
    world.reading("hall/node/level", 130)
    world.reading("hall/node/flow", 150)
    assert world.morning().silent == ("Return flow (since 07:27)",)


def test_it_is_cut_to_what_the_way_takes(world: World) -> None:
    long = Morning(uncovered=tuple(f"failure-{n}" for n in range(40)), standing=("x" * 300,))
    assert len(morning_text(long, SEVEN, world.settings, 320)) <= 320
    assert "and 32 more" in morning_text(long, SEVEN, world.settings, None)


def test_it_comes_once_a_day_at_its_time_also_over_restarts(world: World) -> None:
    turns = world.round()
    assert turns.wanted
    world.clock.go(-60)
    turns.look()
    assert world.asked == []
    world.clock.go(60)
    turns.look()
    turns.look()
    (notice,) = world.committed()
    assert (notice.id, notice.recipient) == ("morning-2026-05-02-mara", "mara")
    assert notice.payload["why"] == "morning"
    again = world.round()
    world.clock.go(600)
    again.look()
    assert world.asked == []
    world.clock.go(86_400 - 600)
    again.look()
    assert [notice.id for notice in world.committed()] == ["morning-2026-05-03-mara"]


def test_long_after_its_time_it_does_not_come(world: World) -> None:
    world.clock.go(4 * 3600)
    world.round().look()
    assert world.asked == []
    world.clock.go(-60)
    world.round().look()
    assert len(world.committed()) == 1


def test_on_holiday_the_stand_in_gets_it(world: World) -> None:
    world.clock.go(2 * 86_400)
    world.round().look()
    assert [notice.recipient for notice in world.committed()] == ["neighbour"]
