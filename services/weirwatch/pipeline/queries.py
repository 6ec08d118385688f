"""The home of every question that API, page and command line ask of the file.

Pure functions over the archive, the settings and the catalogue; each answer is plain JSON data.
Lists answer `{"items": […], "next": cursor or null}`; a cursor is text to hand back unchanged.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from weirwatch.domain.alarm import Alarm, AlarmState, ServiceState
from weirwatch.domain.errors import UnknownChannel, UnknownFailure, UnknownRule
from weirwatch.domain.failures import Catalogue, SafetyCard
from weirwatch.domain.instant import Micros, to_rfc3339
from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import Priority, Rule
from weirwatch.pipeline.shapes import (
    Json,
    buckets_json,
    channel_json,
    failure_json,
    node_json,
    notice_json,
    reading_json,
)
from weirwatch.pipeline.shapes import alarm_json as alarm_json
from weirwatch.pipeline.shapes import alarm_without_card as alarm_without_card
from weirwatch.pipeline.shapes import event_json as event_json
from weirwatch.pipeline.shapes import live_event as live_event
from weirwatch.pipeline.shapes import live_readings as live_readings
from weirwatch.ports import Archive, Newest
from weirwatch.settings import PlantSettings, Settings, SystemSettings

# Most urgent first; within a state the higher priority, then the older.
_URGENCY = (
    AlarmState.UNACKNOWLEDGED,
    AlarmState.LATCHED_UNACKNOWLEDGED,
    AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED,
    AlarmState.LATCHED_ACKNOWLEDGED,
    AlarmState.NORMAL,
)
_UNACKNOWLEDGED = _URGENCY[:3]


def alarms_json(
    archive: Archive,
    settings: Settings,
    catalogue: Catalogue,
    states: Collection[AlarmState] = (),
) -> Json:
    """Return the alarm of every rule, or of those in `states`, the most urgent first.

    What is shelved, suppressed or out of service comes after what may sound.
    """
    kept, newest = archive.alarms(), archive.newest()
    channels = {channel.id: channel for channel in settings.channels}
    pairs = [
        (rule, _with_value_now(rule, kept.get(rule.id, Alarm(rule.id)), newest))
        for rule in settings.rules
    ]
    wanted = [pair for pair in pairs if not states or pair[1].state in states]
    return _page(
        [
            alarm_json(
                rule,
                alarm,
                channels.get(rule.channel or ""),
                _card(catalogue, rule),
                settings.devices,
            )
            for rule, alarm in sorted(wanted, key=_urgency)
        ]
    )


def alarm_of(archive: Archive, settings: Settings, catalogue: Catalogue, rule_id: str) -> Json:
    """Return the alarm of one rule.

    Raises:
        UnknownRule: no rule has that id.
    """
    rule = next((rule for rule in settings.rules if rule.id == rule_id), None)
    if rule is None:
        raise UnknownRule(f"no rule has the id {rule_id!r}")
    channel = next((c for c in settings.channels if c.id == rule.channel), None)
    alarm = archive.alarms().get(rule_id, Alarm(rule_id))
    alarm = _with_value_now(rule, alarm, archive.newest())
    return alarm_json(rule, alarm, channel, _card(catalogue, rule), settings.devices)


def _with_value_now(rule: Rule, alarm: Alarm, newest: Mapping[str, Newest]) -> Alarm:
    """Return the alarm with its channel's newest value: a transition may be hours old."""
    now = newest.get(rule.channel or "")
    return alarm if now is None else replace(alarm, value=now.value)


def channels_json(archive: Archive, settings: Settings, now: Micros) -> Json:
    """Return all channels with their newest reading: configured ones first, in file order.

    Channels that only the history knows follow, with `configured` false.
    """
    newest = archive.newest()
    known = {channel.id for channel in settings.channels}
    return _page(
        [
            channel_json(channel, newest.get(channel.id), now, configured=channel.id in known)
            for channel in known_channels(archive, settings).values()
        ]
    )


def known_channels(archive: Archive, settings: Settings) -> dict[str, Channel]:
    """Return configured channels in file order, then those that only the history knows, by id.

    Each has the unit of its history: the file may say another one that the service has not
    taken, and what is stored must not be told in it.
    """
    stored = {channel.id: channel for channel in archive.channels()}
    found = {
        channel.id: replace(channel, unit=stored.get(channel.id, channel).unit)
        for channel in settings.channels
    }
    return found | {name: channel for name, channel in stored.items() if name not in found}


def series_json(
    archive: Archive,
    settings: Settings,
    names: Sequence[str],
    start: Micros,
    end: Micros,
    points: int,
    *,
    weighted: bool = False,
) -> Json:
    """Return the series of channels in at most `points` buckets of `[start, end)`.

    All are on one grid. Min, mean, max, count, first and last of each; `weighted` adds `time_mean`,
    the mean weighted by time, null where it is not known.

    Raises:
        UnknownChannel: neither the configuration nor the history knows one of them.
    """
    channels = _channels(archive, settings, names)
    # A channel that is configured may not have a reading yet.
    stored = {channel.id for channel in archive.channels()}
    asked = [channel.id for channel in channels if channel.id in stored] if start < end else []
    found = archive.series_of(asked, start, end, points, weighted=weighted) if asked else {}
    items = [
        {
            "channel": channel.id,
            "unit": channel.unit,
            "items": buckets_json(found.get(channel.id, ()), weighted=weighted),
        }
        for channel in channels
    ]
    return {"from": to_rfc3339(start), "to": to_rfc3339(end), **_page(items)}


def series_of_one(several: Json) -> Json:
    """Return what `series_json` has of a single channel as one document."""
    (one,) = several["items"]
    head = {"channel": one["channel"], "unit": one["unit"]}
    return {**head, "from": several["from"], "to": several["to"], **_page(one["items"])}


def readings_json(
    archive: Archive,
    settings: Settings,
    channel: str,
    start: Micros,
    end: Micros,
    *,
    cursor: str | None = None,
    limit: int = 1000,
) -> Json:
    """Return readings of `[start, end)` in time order, at most `limit`, from the cursor on.

    Raises:
        UnknownChannel: neither the configuration nor the history knows it.
        ValueError: the cursor is none of ours.
    """
    (found,) = _channels(archive, settings, (channel,))
    after = None if cursor is None else number_of(cursor)
    try:
        more = archive.readings(channel, start, end, after, limit + 1) if start < end else ()
    except KeyError:
        more = ()
    readings = more[:limit]
    following = str(readings[-1].time) if len(more) > limit else None
    head = {"channel": found.id, "unit": found.unit}
    page = _page([reading_json(r) for r in readings], following)
    return {**head, "from": to_rfc3339(start), "to": to_rfc3339(end), **page}


def events_json(
    archive: Archive,
    start: Micros | None = None,
    end: Micros | None = None,
    *,
    cursor: str | None = None,
    limit: int = 100,
) -> Json:
    """Return events in commit order; the cursor is the `seq` of the last one seen.

    Raises:
        ValueError: the cursor is none of ours.
    """
    after = 0 if cursor is None else number_of(cursor)
    if start is not None and end is not None and start >= end:
        return _page([])
    more = archive.events(start, end, after, limit + 1)
    events = more[:limit]
    following = str(events[-1].seq) if len(more) > limit else None
    return _page([event_json(stored) for stored in events], following)


def notices_json(archive: Archive, *, cursor: str | None = None, limit: int = 100) -> Json:
    """Return notices, oldest first; the cursor is the `seq` of the last one seen.

    Raises:
        ValueError: the cursor is none of ours.
    """
    more = archive.notices(0 if cursor is None else number_of(cursor), limit + 1)
    notices = more[:limit]
    following = str(notices[-1][0]) if len(more) > limit else None
    return _page([notice_json(number, notice) for number, notice in notices], following)


def systems_json(archive: Archive, settings: Settings) -> Json:
    """Return each system with its vessels, its nodes and how its alarms stand."""
    kept, nodes = archive.alarms(), archive.nodes()
    items = []
    for system in settings.systems:
        own = [nodes[name] for name in sorted(nodes) if name.split("/", 1)[0] == system.id]
        items.append(
            {
                "id": system.id,
                "title": system.title,
                "channels": sum(channel.system == system.id for channel in settings.channels),
                "vessels": _vessels(settings.plant, system),
                "nodes": [node_json(state) for state in own],
                "alarms": _standing(_rules_of(settings, system), kept),
            }
        )
    return _page(items)


def failures_json(catalogue: Catalogue) -> Json:
    """Return the failure catalogue in its own order."""
    return _page([failure_json(failure) for failure in catalogue.failures.values()])


def failure_of(catalogue: Catalogue, failure_id: str) -> Json:
    """Return one failure with its safety card.

    Raises:
        UnknownFailure: the catalogue has none of that id.
    """
    failure = catalogue.failures.get(failure_id)
    if failure is None:
        raise UnknownFailure(f"no failure has the id {failure_id!r}")
    return failure_json(failure)


def number_of(cursor: str) -> int:
    """Return the number in a cursor.

    Raises:
        ValueError: it is none of ours.
    """
    if not (cursor.isascii() and cursor.isdigit() and len(cursor) <= 18):
        raise ValueError("cursor is none of ours: hand back `next` unchanged, or leave it out")
    return int(cursor)


def _page(items: Sequence[Json], following: str | None = None) -> Json:
    return {"items": items, "next": following}


def _card(catalogue: Catalogue, rule: Rule) -> SafetyCard | None:
    failure = catalogue.failures.get(rule.failure)
    return None if failure is None else failure.card


def _urgency(pair: tuple[Rule, Alarm]) -> tuple[bool, int, int, Micros]:
    rule, alarm = pair
    quiet = alarm.state is AlarmState.NORMAL or alarm.service_state is not ServiceState.IN_SERVICE
    return quiet, _URGENCY.index(alarm.state), -rule.priority.rank, alarm.raised_at or 0


def _channels(archive: Archive, settings: Settings, names: Sequence[str]) -> list[Channel]:
    """Return the channels of these names, the configuration's word before the history's."""
    known = known_channels(archive, settings)
    for name in names:
        if name not in known:
            raise UnknownChannel(f"no channel has the id {name!r}")
    return [known[name] for name in names]


def _vessels(plant: PlantSettings | None, system: SystemSettings) -> list[Json]:
    if plant is None or plant.system != system.id:
        return []
    return [
        {
            "id": vessel.id,
            "title": vessel.title,
            "role": vessel.role,
            "volume_l": vessel.volume_l,
            "level_channel": vessel.level_channel or None,
        }
        for vessel in plant.vessels
    ]


def _rules_of(settings: Settings, system: SystemSettings) -> list[Rule]:
    """Rules of a system; those of the service itself concern every one of them."""
    return [
        rule
        for rule in settings.rules
        if rule.channel is None or rule.channel.split("/", 1)[0] == system.id
    ]


def _standing(rules: Sequence[Rule], kept: Mapping[str, Alarm]) -> Json:
    known = [(rule, kept[rule.id]) for rule in rules if rule.id in kept]
    loud = [(r, a) for r, a in known if a.service_state is ServiceState.IN_SERVICE]
    standing = [rule.priority for rule, alarm in loud if alarm.stands]
    return {
        "standing": len(standing),
        "unacknowledged": sum(alarm.state in _UNACKNOWLEDGED for _, alarm in loud),
        "highest_priority": max(standing, key=lambda p: Priority(p).rank, default=None),
    }
