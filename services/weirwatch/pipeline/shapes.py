"""The home of the JSON shape of each thing: one alarm, event, channel, reading, notice, failure.

API, page, command line and MQTT all use these, so that a thing looks the same everywhere. Times
are RFC 3339 in UTC; identifiers, names, states and times are null where there is none; free text
is never null.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from weirwatch.domain.alarm import Alarm, Event
from weirwatch.domain.devices import Device, devices_of, where_text
from weirwatch.domain.failures import Failure, SafetyCard, card_as_json
from weirwatch.domain.instant import Micros, seconds, to_rfc3339
from weirwatch.domain.reading import Channel, Reading
from weirwatch.domain.rule import Absolute, Discrepancy, Forecast, Rule, SwitchIs
from weirwatch.domain.wording import limit_text
from weirwatch.ports import Bucket, Newest, NodeState, Notice, StoredEvent

Json = dict[str, Any]


def alarm_json(
    rule: Rule,
    alarm: Alarm,
    channel: Channel | None,
    card: SafetyCard | None,
    devices: Iterable[Device] = (),
) -> Json:
    """Return an alarm with its whole safety card (null without one)."""
    return alarm_without_card(rule, alarm, channel, card, devices) | {
        "safety_card": None if card is None else card_as_json(card)
    }


def alarm_without_card(
    rule: Rule,
    alarm: Alarm,
    channel: Channel | None,
    card: SafetyCard | None,
    devices: Iterable[Device] = (),
) -> Json:
    """Return an alarm as it is retained on MQTT; `devices` are all that are configured.

    The card's fixed first line stands in `response` already: whoever reads only that, reads it.
    """
    return {
        "id": rule.id,
        "rule": rule.id,
        "title": rule.title,
        "channel": rule.channel,
        "failure": rule.failure,
        "kind": rule.kind,
        "priority": rule.priority.value,
        "state": alarm.state.value,
        "service_state": alarm.service_state.value,
        "raised_at": time_json(alarm.raised_at),
        "returned_at": time_json(alarm.returned_at),
        "acknowledged_at": time_json(alarm.acknowledged_at),
        "acknowledged_by": alarm.acknowledged_by or None,
        "check_in_at": time_json(alarm.check_in_at),
        "shelved_until": time_json(alarm.shelved_until),
        "out_until": time_json(alarm.out_until),
        "value": alarm.value,
        "raised_value": alarm.raised_value,
        "unit": channel.unit if channel is not None else "",
        "limit": limit_json(rule, channel),
        "message": alarm.message,
        "response": response_text(rule, card),
        "forecast": time_json(alarm.forecast_at),
        "devices": [device_json(device) for device in devices_of(rule, devices)],
    }


def device_json(device: Device) -> Json:
    """Return where a device, its breaker, RCD, valve and stop-cock are; null: not told."""
    return {
        "id": device.id,
        "title": device.title,
        "text": where_text(device),
        "place": device.place or None,
        "breaker": device.breaker or None,
        "rcd": device.rcd or None,
        "valve": device.valve or None,
        "stop_cock": device.stop_cock or None,
    }


def limit_json(rule: Rule, channel: Channel | None) -> float | bool | str | None:
    """Return the limit: a number, a switch's abnormal state, or a short text; None: no limit."""
    match rule.condition:
        case Absolute(_, limit) | Forecast(_, limit):
            return limit
        case SwitchIs(value):
            return value
        case Discrepancy():
            return f"{limit_text(rule, channel)} expected"
        case _:
            return limit_text(rule, channel) or None


def response_text(rule: Rule, card: SafetyCard | None) -> str:
    """Return what to do: on a wet or electrical card its fixed first line before all else."""
    if card is None or not card.wet_or_electrical:
        return rule.response
    return f"{card.first_line} {rule.response}".strip()


def event_json(stored: StoredEvent) -> Json:
    """Return an event with its place in commit order."""
    event = stored.event
    return {
        "seq": stored.seq,
        "time": to_rfc3339(event.time),
        "committed_at": to_rfc3339(stored.committed_at),
        "kind": event.kind,
        "rule": event.rule or None,
        "channel": event.channel or None,
        **_transition(event),
        "value": event.value,
        "annunciated": event.annunciated,
        "who": event.who or None,
        "comment": event.comment,
        "late": event.late,
        "drill": event.drill,
        "message": event.message,
    }


def _transition(event: Event) -> Json:
    return {
        "from": event.from_state or None,
        "to": event.to_state or None,
        "service_from": event.service_from or None,
        "service_to": event.service_to or None,
    }


def channel_json(channel: Channel, newest: Newest | None, now: Micros, *, configured: bool) -> Json:
    """Return a channel with its newest reading; `now` is service time, for the age."""
    return {
        "id": channel.id,
        "title": channel.label,
        "system": channel.system,
        "node": channel.node,
        "vessel": channel.vessel or None,
        "quantity": channel.quantity,
        "unit": channel.unit,
        "expected_every_s": _seconds(channel.expected_every),
        "silent_after_s": _seconds(channel.silent_after),
        "valid": None if channel.valid is None else list(channel.valid),
        "states": list(channel.states) if channel.is_switch else None,
        "configured": configured,
        **_newest(newest, now),
    }


def _newest(newest: Newest | None, now: Micros) -> Json:
    if newest is None:
        return {"time": None, "value": None, "quality": None, "reason": "", "age_s": None}
    return {
        "time": to_rfc3339(newest.time),
        "value": newest.value,
        "quality": newest.quality.word,
        "reason": newest.reason,
        "age_s": max(0.0, seconds(now - newest.time)),
    }


def reading_json(reading: Reading) -> Json:
    """Return one reading."""
    return {
        "time": to_rfc3339(reading.time),
        "value": reading.value,
        "quality": reading.quality.word,
        "reason": reading.reason,
    }


def buckets_json(buckets: Iterable[Bucket], *, weighted: bool = False) -> list[Json]:
    """Return the buckets of a series, each `[start, end)`; `weighted`: with the mean by time."""
    found: list[Json] = []
    end, end_told = None, ""  # where one ends the next begins, mostly
    for bucket in buckets:
        start_told = end_told if bucket.start == end else to_rfc3339(bucket.start)
        end, end_told = bucket.end, to_rfc3339(bucket.end)
        told: Json = {
            "start": start_told,
            "end": end_told,
            "min": bucket.minimum,
            "mean": bucket.mean,
            "max": bucket.maximum,
            "count": bucket.count,
            "first": bucket.first,
            "last": bucket.last,
        }
        if weighted:
            told["time_mean"] = bucket.time_mean
        found.append(told)
    return found


def bucket_columns(*, weighted: bool = False) -> tuple[str, ...]:
    """Return the columns of a table of `buckets_json`."""
    plain = ("start", "end", "min", "mean", "max", "count", "first", "last")
    return (*plain, "time_mean") if weighted else plain


def bucket_rows(several: Json) -> Iterator[Json]:
    """Yield the buckets of `queries.series_json`, each with its channel and unit."""
    for one in several["items"]:
        for bucket in one["items"]:
            yield {"channel": one["channel"], "unit": one["unit"], **bucket}


def node_json(state: NodeState) -> Json:
    """Return what a node last said of its connection."""
    return {
        "id": state.node,
        "connected": state.connected,
        "since": to_rfc3339(state.since),
        "power": state.power or None,
    }


def notice_json(number: int, notice: Notice) -> Json:
    """Return a notice and how its delivery stands; the alarm it tells of stays out."""
    pending = notice.state == "pending"
    return {
        "seq": number,
        "id": notice.id,
        "event_seq": notice.event_seq,
        "recipient": notice.recipient,
        "created": to_rfc3339(notice.created),
        "text": notice.text,
        "state": notice.state,
        "attempts": notice.attempts,
        "next_try": to_rfc3339(notice.next_try) if pending and notice.next_try else None,
        "delivered_at": time_json(notice.delivered_at),
        "last_error": notice.last_error,
    }


def failure_json(failure: Failure) -> Json:
    """Return a failure with its whole safety card."""
    return {
        "id": failure.id,
        "title": failure.title,
        "group": failure.group.value,
        "bold": failure.bold,
        "default_priority": failure.default_priority.value,
        "safety_card": card_as_json(failure.card),
    }


def live_event(stored: StoredEvent) -> Json:
    """Return the message that tells listeners of a committed event."""
    return {"event": event_json(stored)}


def live_readings(newest: Mapping[str, Newest]) -> Json:
    """Return the message that tells listeners of committed readings, the newest per channel.

    Here alone times are microseconds: this is said many times a second.
    """
    return {
        "readings": {
            channel: [reading.time, reading.value, reading.quality.word]
            for channel, reading in newest.items()
        }
    }


def time_json(time: Micros | None) -> str | None:
    """Return RFC 3339 in UTC, or None."""
    return None if time is None else to_rfc3339(time)


def _seconds(span: Micros | None) -> float | None:
    return None if span is None else seconds(span)
