"""Home of the plant as the page shows it: vessels in the order the water flows, then the room."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import Absolute, Priority
from weirwatch.ports import Newest
from weirwatch.settings import PlantSettings, VesselSettings
from weirwatch.web.page import words
from weirwatch.web.page.alarm_list import urgent_by_channel
from weirwatch.web.page.marks import Mark, mark_of, mark_words
from weirwatch.web.page.sight import Fixture, Sight


@dataclass(frozen=True, slots=True)
class ChannelWords:
    """One channel in the words of the page.

    Attributes:
        mark: None when the value is good and fresh.
        age: how old the value is, in words.
        note: what is wrong with the value, or its age when it is not of just now; else empty.
        alarm: priority and form of the most urgent alarm on this channel; None: none.
    """

    channel: str
    label: str
    value: str
    mark: Mark | None
    age: str
    note: str
    alarm: tuple[Priority, str] | None


@dataclass(frozen=True, slots=True)
class Place:
    """A vessel, or the room: the channels shown together.

    Attributes:
        leg: how the water gets here, in a few words; empty for the room.
        level: the vessel's level now in metres above its floor; None: not known.
        limits: level limits of the rules, in metres.
    """

    key: str
    title: str
    vessel: VesselSettings | None
    channels: tuple[ChannelWords, ...]
    leg: str = ""
    level: float | None = None
    limits: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class _Look:
    """One look at the plant."""

    sight: Sight
    fixture: Fixture
    urgent: Mapping[str, tuple[Priority, str]]
    now: Micros

    def at(self, channel: Channel) -> tuple[Newest | None, Mark | None]:
        """Return a channel's newest reading, and what is wrong with it."""
        newest = self.sight.newest.get(channel.id)
        return newest, mark_of(channel, newest, self.now, self.fixture.lag)


def places(sight: Sight, fixture: Fixture, now: Micros) -> list[Place]:
    """Return the vessels in the order the water flows, then what belongs to no vessel."""
    look = _Look(sight, fixture, urgent_by_channel(sight, fixture), now)
    found: list[Place] = []
    rest = dict(fixture.channels)
    plant = fixture.plant
    for number, vessel in enumerate(plant.vessels if plant else ()):
        mine = [c for c in rest.values() if _in_vessel(c, vessel, fixture)]
        for channel in mine:
            del rest[channel.id]
        found.append(
            Place(
                key=vessel.id,
                title=vessel.title or vessel.id,
                vessel=vessel,
                channels=_rows(mine, (vessel.title, vessel.id), look),
                leg=_leg(plant, number) if plant else "",
                level=_level_m(vessel, mine, look),
                limits=_level_limits(vessel, fixture),
            )
        )
    return found + _other_places(list(rest.values()), look)


def _leg(plant: PlantSettings, number: int) -> str:
    """Return how the water gets to a vessel."""
    vessel = plant.vessels[number]
    loops = [loop for loop in plant.loops if loop.feeds == vessel.id]
    match vessel.role:
        case "display" if number > 0 and plant.vessels[number - 1].role == "display":
            return "beside it, from the same pump"
        case "display":
            flow = words.number_words(plant.pump.flow_l_h, 0)
            return f"lifted by the return pump, {flow} L/h in all"
        case "refuge" if loops:
            return f"on its side loop, {words.number_words(loops[0].flow_l_h, 0)} L/h"
        case "refuge":
            return "on a side loop"
        case "sump":
            return "down over the weirs, back to the pump"
        case "reservoir":
            return "fresh water for the sump, for what evaporates"


def _in_vessel(channel: Channel, vessel: VesselSettings, fixture: Fixture) -> bool:
    return (
        fixture.plant is not None
        and channel.system == fixture.plant.system
        and channel.vessel == vessel.id
    )


def _other_places(channels: Sequence[Channel], look: _Look) -> list[Place]:
    systems = look.fixture.systems
    groups: dict[tuple[str, str], list[Channel]] = {}
    for channel in channels:
        groups.setdefault((channel.system, channel.vessel), []).append(channel)
    many = len({system for system, _ in groups} | {s.id for s in systems}) > 1
    titles = {system.id: system.title or system.id for system in systems}
    ordered = sorted(groups.items(), key=lambda group: (group[0][1] == "", group[0][0]))
    return [
        Place(
            key=f"{system}/{vessel}",
            title=(f"{titles.get(system, system)}: " if many else "")
            + (vessel.capitalize() or "Room and power"),
            vessel=None,
            channels=_rows(mine, (vessel,), look),
        )
        for (system, vessel), mine in ordered
    ]


def _rows(
    channels: Sequence[Channel], under: tuple[str, ...], look: _Look
) -> tuple[ChannelWords, ...]:
    rows = []
    labels = _labels(channels, under)
    for channel in channels:
        newest, mark = look.at(channel)
        said = mark_words(mark, newest, look.now, look.fixture.lag)
        rows.append(
            ChannelWords(
                channel=channel.id,
                label=labels[channel.id],
                value=words.value_words(channel, newest.value if newest else None),
                mark=mark,
                age=said,
                note="" if said == words.JUST_NOW else said,
                alarm=look.urgent.get(channel.id),
            )
        )
    return tuple(rows)


def _labels(channels: Sequence[Channel], under: tuple[str, ...]) -> dict[str, str]:
    """Return the labels by channel; two of the same name are told apart by their nodes."""
    labels = {channel.id: words.label_within(channel, under) for channel in channels}
    often = Counter(labels.values())
    return {
        channel.id: f"{label}, {channel.node}" if often[label := labels[channel.id]] > 1 else label
        for channel in channels
    }


_METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001}


def _level_m(vessel: VesselSettings, channels: Sequence[Channel], look: _Look) -> float | None:
    """Return the level from the vessel's level channel, or from a twin while that one is silent."""
    levels = [c for c in channels if c.quantity == "level" and c.unit in _METRES]
    levels.sort(key=lambda channel: channel.id != vessel.level_channel)
    for channel in levels if vessel.level_channel else ():
        newest, mark = look.at(channel)
        if newest and mark in (None, Mark.UNCERTAIN):
            return newest.value * _METRES[channel.unit]
    return None


def _level_limits(vessel: VesselSettings, fixture: Fixture) -> tuple[float, ...]:
    channel = fixture.channels.get(vessel.level_channel)
    if channel is None or channel.unit not in _METRES:
        return ()
    limits = {
        rule.condition.limit * _METRES[channel.unit]
        for rule in fixture.rules.values()
        if rule.channel == channel.id and isinstance(rule.condition, Absolute)
    }
    return tuple(sorted(limits))
