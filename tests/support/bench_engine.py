"""A little language for engine tests: rules in seconds, readings as (second, value)."""

from collections.abc import Iterable
from typing import Any
from zoneinfo import ZoneInfo

from weirwatch.domain.alarm import Event
from weirwatch.domain.book import Book, make_ready
from weirwatch.domain.instant import micros, seconds
from weirwatch.domain.operator import Command
from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.domain.rule import Absolute, Rule, RuleBook, Side
from weirwatch.pipeline.replay import Refusal, replay

LEVEL = "hall/node/level"


def channel(ident: str = LEVEL, *, every: float | None = None, **more: Any) -> Channel:
    """A channel; silent after three times `every`."""
    span = None if every is None else micros(every)
    more.setdefault("quantity", "level")
    return Channel(
        id=ident,
        expected_every=span,
        silent_after=None if span is None else 3 * span,
        **more,
    )


def rule(
    ident: str = "high",
    condition: Any = None,
    *,
    on: float = 0,
    off: float = 0,
    hold_off: float = 0,
    re_alarm: float = 0,
    kind: str = "absolute",
    on_channel: str | None = LEVEL,
    **more: Any,
) -> Rule:
    """A rule with its delays in seconds."""
    return Rule(
        id=ident,
        title=ident,
        kind=kind,
        condition=condition or Absolute(Side.HIGH, 10.0, 2.0),
        failure=more.pop("failure", "sump-high"),
        channel=on_channel,
        on_delay=micros(on),
        off_delay=micros(off),
        hold_off=micros(hold_off),
        re_alarm=micros(re_alarm),
        **more,
    )


def book(rules: Iterable[Rule], channels: Iterable[Channel], zone: str = "UTC") -> Book:
    """The rules made ready."""
    return make_ready(
        RuleBook({r.id: r for r in rules}, {c.id: c for c in channels}, ZoneInfo(zone))
    )


def seen(
    points: Iterable[tuple[float, float]],
    ident: str = LEVEL,
    quality: Quality = Quality.GOOD,
) -> list[Reading]:
    """Readings of one channel."""
    return [Reading(ident, micros(t), v, quality) for t, v in points]


def command(second: float, name: str, ident: str = "high", **more: Any) -> tuple[int, Command]:
    """A command at a second."""
    return micros(second), Command(name=name, rule=ident, who="tester", **more)


def run(
    made: Book,
    readings: list[Reading],
    commands: list[tuple[int, Command]] | None = None,
    until: float | None = None,
) -> list[Event]:
    """All events; a refusal fails the test."""
    found = list(replay(made, readings, commands or [], None if until is None else micros(until)))
    refused = [f for f in found if isinstance(f, Refusal)]
    assert not refused, refused
    return [f for f in found if isinstance(f, Event)]


def told(events: Iterable[Event], ident: str | None = None) -> list[tuple[float, str, str, bool]]:
    """(second, kind, state after, annunciated) of each event."""
    return [
        (seconds(e.time), e.kind, e.to_state, e.annunciated)
        for e in events
        if ident is None or e.rule == ident
    ]
