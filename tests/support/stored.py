"""Things to store: channels, readings and groups of the demo plant, for the tests of the store."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from weirwatch.domain.alarm import Alarm, AlarmState, Event
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import Absolute, Rule, Side
from weirwatch.ports import (
    Archive,
    Group,
    Journal,
    NodeState,
    Notice,
    OutboxStore,
    Quarantined,
)

T0: Micros = 1_777_636_800 * SECOND  # 2026-05-01T12:00:00Z
LEVEL = Channel("harbour-hall/sump-node/level", "level", "mm", valid=(0.0, 450.0), vessel="sump")
WARMTH = Channel("harbour-hall/hall-node/temperature", "temperature", "Cel", title="North water")
CHANNELS = (LEVEL, WARMTH)
HIGH_LEVEL = Rule(
    id="sump-level-high",
    title="Sump level high",
    kind="absolute",
    condition=Absolute(Side.HIGH, 320.0, 10.0),
    failure="sump-level-high",
    channel=LEVEL.id,
)

Row = tuple[Micros, int, float, int, str]


@dataclass(slots=True)
class Stores:
    """One implementation of the three ports on one file."""

    path: Path
    journal: Journal
    outbox: OutboxStore
    archive: Archive

    def close(self) -> None:
        self.outbox.close()
        self.archive.close()
        self.journal.close()


def readings(
    number: int, values: Iterable[float], start: Micros = T0, step: Micros = 5 * SECOND
) -> list[Row]:
    """Good readings of one channel, one each `step`."""
    return [(start + place * step, number, value, 0, "") for place, value in enumerate(values)]


def whole_group(numbers: dict[str, int], seq: int) -> Group:
    """A group with something of everything, recognisable by `seq`."""
    time = T0 + seq * SECOND
    alarm = Alarm("sump-level-high", state=AlarmState.UNACKNOWLEDGED, value=float(seq))
    event = Event(time, "raised", rule=alarm.rule, value=float(seq), annunciated=True)
    return Group(
        readings=[
            (time, numbers[LEVEL.id], float(seq), 0, ""),
            (time, numbers[WARMTH.id], 25.0 + seq, 1, "warming up"),
        ],
        events=[(seq, event)],
        alarms={alarm.rule: alarm},
        notices=[notice(seq)],
        quarantined=[Quarantined(time, "weirwatch/x", "not-senml", f"number {seq}", b"\x00?")],
        nodes={"harbour-hall/sump-node": NodeState("harbour-hall/sump-node", True, time, "mains")},
        committed_at=time,
    )


def notice(seq: int, recipient: str = "keeper", next_try: Micros = T0) -> Notice:
    return Notice(
        id=f"{seq}/{recipient}",
        event_seq=seq,
        recipient=recipient,
        created=T0,
        text=f"Sump level high\nnumber {seq}",
        payload={"rule": "sump-level-high", "value": 1.5},
        next_try=next_try,
    )


def tend(journal: Journal, now: Micros) -> int:
    """Let the journal do all it has to do at this time; return how many pieces of work it was."""
    pieces = 0
    while journal.maintain(now, 0.0):
        pieces += 1
        assert pieces < 100_000
    return pieces
