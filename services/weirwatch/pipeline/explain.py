"""The home of why: why a rule's alarm is in its state, from the engine's own memory and the record.

`explain` reads the state of the running engine and changes nothing; `with_record` adds what the
file knows: the last readings and events, and who silenced it.
"""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from weirwatch.domain.alarm import Alarm, AlarmState, ServiceState
from weirwatch.domain.book import Book, Entry
from weirwatch.domain.conditions import all_hold
from weirwatch.domain.delays import count_deadline
from weirwatch.domain.errors import UnknownRule
from weirwatch.domain.instant import SECOND, Micros, from_rfc3339, seconds, to_rfc3339
from weirwatch.domain.reading import Channel, Quality
from weirwatch.domain.rule import (
    AlarmStands,
    Between,
    ChannelBeyond,
    ChannelIs,
    Side,
    While,
)
from weirwatch.domain.state import EngineState, Observed
from weirwatch.domain.turn import Turn
from weirwatch.domain.wording import amount, limit_text, on_off
from weirwatch.pipeline.shapes import event_json, limit_json, reading_json, time_json
from weirwatch.ports import Archive, StoredEvent

Json = dict[str, Any]

_SHOWN = 5  # readings and events
_EVENT_PAGE = 1000
_EVENT_PAGES = 20  # how far back the record is searched
_READINGS_SPAN: Micros = 3600 * SECOND


def explain(state: EngineState, book: Book, rule_id: str, now: Micros) -> Json:
    """Return why the rule's alarm is in its state at `now` (engine time).

    Raises:
        UnknownRule: no rule has that id.
    """
    entry = book.entries.get(rule_id)
    if entry is None:
        raise UnknownRule(f"no rule has the id {rule_id!r}")
    turn = Turn(state, book, now)
    alarm, rule = turn.alarm(rule_id), entry.rule
    observed = turn.observed(rule.channel) if rule.channel else None
    terms = [_term(turn, entry, term, now) for term in rule.while_]
    delay = _delay(entry, alarm, now)
    found: Json = {
        "id": rule.id,
        "title": rule.title,
        "kind": rule.kind,
        "channel": rule.channel,
        "at": to_rfc3339(now),
        "state": alarm.state.value,
        "service_state": alarm.service_state.value,
        "raised_at": time_json(alarm.raised_at),
        "returned_at": time_json(alarm.returned_at),
        "present": alarm.present,
        "message": alarm.message,
        "limit": limit_json(rule, entry.channel),
        "limit_text": limit_text(rule, entry.channel),
        "deadband": getattr(rule.condition, "deadband", None),
        "unit": entry.channel.unit if entry.channel is not None else "",
        "measurement": _measurement(entry, observed, now),
        "while": terms,
        "delay": delay,
        "suppression": _suppression(turn, entry, alarm, now),
        "service": _service(alarm),
    }
    return found | {"why": list(_why(found, entry, alarm, observed, now))}


def with_record(explanation: Mapping[str, Any], archive: Archive) -> Json:
    """Return the explanation with the last readings and events, and who silenced the alarm."""
    events = last_events(archive, str(explanation["id"]))
    by = next((s.event for s in events if _began(s, str(explanation["service_state"]))), None)
    service = dict(explanation["service"])
    if by is not None and service["state"] != ServiceState.IN_SERVICE.value:
        service |= {"since": to_rfc3339(by.time), "who": by.who or None, "comment": by.comment}
    at = from_rfc3339(str(explanation["at"]))
    channel = explanation["channel"]
    return {
        **explanation,
        "service": service,
        "readings": [] if channel is None else _last_readings(archive, str(channel), at),
        "events": [event_json(stored) for stored in events[:_SHOWN]],
    }


def last_events(archive: Archive, rule: str) -> list[StoredEvent]:
    """Return the rule's newest events first; a few, and from the newest part of the record."""
    found: list[StoredEvent] = []
    last = archive.last_seq()
    for _ in range(_EVENT_PAGES):
        after = max(0, last - _EVENT_PAGE)
        page = archive.events(None, None, after, last - after)
        found += [stored for stored in reversed(page) if stored.event.rule == rule]
        last = after
        if last == 0 or len(found) > 2 * _SHOWN:
            break
    return found


def _began(stored: StoredEvent, state: str) -> bool:
    event = stored.event
    return event.service_to == state and (event.service_from != state or event.kind == "shelved")


def _last_readings(archive: Archive, channel: str, at: Micros) -> list[Json]:
    try:
        span = archive.span(channel)
    except KeyError:  # configured, and not a reading yet
        span = None
    if span is None:
        return []
    newest = min(span[1], at)
    readings = archive.readings(channel, newest - _READINGS_SPAN, newest + 1, None, 100_000)
    return [reading_json(reading) for reading in reversed(readings[-_SHOWN:])]


def _measurement(entry: Entry, observed: Observed | None, now: Micros) -> Json | None:
    if observed is None:
        return None
    return {
        "time": to_rfc3339(observed.time),
        "value": observed.value,
        "quality": observed.quality.word,
        "reason": observed.reason,
        "age_s": max(0.0, seconds(now - observed.time)),
        "good_time": time_json(observed.good_time),
        "good_value": observed.good_value,
        "silent_after_s": None if entry.silent_after is None else seconds(entry.silent_after),
    }


def _term(turn: Turn, entry: Entry, term: While, now: Micros) -> Json:
    alone = replace(entry, rule=replace(entry.rule, while_=(term,)))
    return {"term": term_text(term, turn.book.channels), "holds": all_hold(turn, alone, now)}


def term_text(term: While, channels: Mapping[str, Channel]) -> str:
    """Return one term of `while` for people."""
    match term:
        case ChannelIs(channel, value):
            return f"{channel} is {on_off(value, channels.get(channel))}"
        case ChannelBeyond(channel, side, limit):
            unit = channels[channel].unit if channel in channels else ""
            return f"{channel} {'above' if side is Side.HIGH else 'below'} {amount(limit, unit)}"
        case AlarmStands(rule):
            return f"alarm {rule} stands"
        case Between(start, end):
            return f"between {_clock(start)} and {_clock(end)}"


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _delay(entry: Entry, alarm: Alarm, now: Micros) -> Json | None:
    ends = count_deadline(entry, alarm)
    if ends is None or alarm.count_since is None:
        return None
    return {
        "kind": "on-delay" if alarm.present else "off-delay",
        "since": to_rfc3339(alarm.count_since),
        "ends": to_rfc3339(ends),
        "left_s": max(0.0, seconds(ends - now)),
    }


def _suppression(turn: Turn, entry: Entry, alarm: Alarm, now: Micros) -> Json:
    gone_at = alarm.causes_gone_at
    left = None if gone_at is None else max(0.0, seconds(gone_at + entry.rule.hold_off - now))
    causes = [turn.alarm(cause) for cause in entry.rule.suppressed_by if cause in turn.book.entries]
    return {
        "never": entry.rule.bold,
        "causes": [
            {
                "rule": cause.rule,
                "title": turn.book.entries[cause.rule].rule.title,
                "stands": cause.stands,
                "raised_at": time_json(cause.raised_at) if cause.stands else None,
            }
            for cause in causes
        ],
        "hold_off_left_s": left,
    }


def _service(alarm: Alarm) -> Json:
    until = alarm.shelved_until if alarm.shelved_until is not None else alarm.out_until
    return {
        "state": alarm.service_state.value,
        "until": time_json(until),
        "one_shot": alarm.one_shot,
        "since": None,
        "who": None,
        "comment": "",
    }


def _why(
    found: Mapping[str, Any], entry: Entry, alarm: Alarm, observed: Observed | None, now: Micros
) -> Iterator[str]:
    """Yield what it comes to, in sentences."""
    yield _STATES[alarm.state]
    yield from _about_condition(found, entry, alarm, observed)
    delay = found["delay"]
    if delay is not None:
        end = "raises" if alarm.present else "returns"
        yield f"The {delay['kind']} runs: it {end} in {delay['left_s']:.0f} s if nothing changes."
    elif alarm.present is not alarm.stands:
        yield "Its delay does not run: it starts again at the next good reading."
    if observed is not None and entry.silent_after is not None:
        age = now - observed.heard_at
        if age > entry.silent_after:
            yield f"Its channel has been silent for {seconds(age):.0f} s."
    yield from _about_service(found, alarm)


def _about_condition(
    found: Mapping[str, Any], entry: Entry, alarm: Alarm, observed: Observed | None
) -> Iterator[str]:
    failing = [term["term"] for term in found["while"] if not term["holds"]]
    if failing:
        yield f"The condition counts as absent, since this does not hold: {'; '.join(failing)}."
        return
    word = "present" if alarm.present else "absent"
    limit = f"; limit {found['limit_text']}" if found["limit_text"] else ""
    if entry.channel is None:
        yield f"The condition, which the service itself observes, is {word}."
    elif observed is None:
        yield f"No reading has come yet{limit}; the condition counts as {word}."
    else:
        value = (
            on_off(observed.value != 0.0, entry.channel)
            if entry.channel.is_switch
            else amount(observed.value, entry.channel.unit)
        )
        doubt = "" if observed.quality is Quality.GOOD else f" ({observed.quality.word})"
        yield f"The newest reading is {value}{doubt}{limit}; the condition is {word}."
        if doubt:
            yield "Only good readings raise or clear."


def _about_service(found: Mapping[str, Any], alarm: Alarm) -> Iterator[str]:
    service, suppression = found["service"], found["suppression"]
    until = "" if service["until"] is None else f" until {service['until']}"
    match alarm.service_state:
        case ServiceState.SHELVED:
            once = ", or until it returns" if alarm.one_shot else ""
            yield f"It is shelved{until}{once}: it is not announced."
        case ServiceState.OUT_OF_SERVICE:
            yield f"It is out of service{until or ' until somebody returns it'}."
        case ServiceState.SUPPRESSED_BY_DESIGN:
            standing = [cause["rule"] for cause in suppression["causes"] if cause["stands"]]
            if standing:
                yield f"It is suppressed by design while {' and '.join(standing)} stands."
            elif suppression["hold_off_left_s"] is not None:
                left = suppression["hold_off_left_s"]
                yield f"Its cause has returned; the hold-off runs {left:.0f} s more."
        case _:
            pass


_STATES: Mapping[AlarmState, str] = {
    AlarmState.NORMAL: "The alarm is normal.",
    AlarmState.UNACKNOWLEDGED: "The alarm stands, and nobody has acknowledged it.",
    AlarmState.ACKNOWLEDGED: "The alarm stands and is acknowledged.",
    AlarmState.RETURNED_UNACKNOWLEDGED: "The alarm has returned; nobody has acknowledged it.",
    AlarmState.LATCHED_UNACKNOWLEDGED: "The condition has gone; the alarm is latched and waits to "
    "be acknowledged and reset.",
    AlarmState.LATCHED_ACKNOWLEDGED: "The condition has gone; the alarm is latched and waits to be "
    "reset.",
}
