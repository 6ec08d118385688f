"""The home of the alarm performance report: the figures of `domain.performance` with their targets.

Targets and limits are those of ANSI/ISA-18.2 clause 16 and EEMUA 191 for one operator, written down
from memory; that of the nights is our own: a keeper is one operator who sleeps.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from weirwatch.domain.alarm import Alarm, Event, ServiceState
from weirwatch.domain.attendance import Attendance
from weirwatch.domain.instant import Micros, seconds, to_rfc3339
from weirwatch.domain.performance import DAY, Performance, Standing, performance
from weirwatch.domain.rule import Priority, Rule
from weirwatch.pipeline.notice_tests import Trials, trials_json
from weirwatch.pipeline.shapes import time_json
from weirwatch.ports import Archive
from weirwatch.settings import Settings

Json = dict[str, Any]

DEFAULT_SPAN: Micros = (
    30 * DAY
)  # the shortest window that says anything, as trade summaries have it
LOOK_BACK: Micros = 30 * DAY  # how far before the report an alarm may have been raised
_PAGE = 1000
_STANDARD = "ANSI/ISA-18.2 cl. 16, EEMUA 191 (from memory)"
_OWN = "our own"
_TARGET_SHARES = {Priority.LOW: 0.80, Priority.MEDIUM: 0.15, Priority.HIGH: 0.05}


def alarm_report_json(
    archive: Archive, settings: Settings, start: Micros, end: Micros, now: Micros
) -> Json:
    """Return the report over `[start, end)`, as far as that has passed."""
    end = min(end, now)
    rules = {rule.id: rule for rule in settings.rules}
    found = performance(
        _events(archive, start - LOOK_BACK, end),
        start,
        end,
        rules=rules,
        delivered=_delivered(archive),
        zone=settings.service.time_zone,
    )
    kept = archive.alarms()
    return {
        "from": to_rfc3339(start),
        "to": to_rfc3339(end),
        "days": max(0, end - start) / DAY,
        "annunciations": found.annunciations,
        "metrics": list(_metrics(found)),
        "alarm_floods": [
            {
                "opened_at": to_rfc3339(flood.opened_at),
                "closed_at": time_json(flood.closed_at),
                "annunciations": flood.annunciations,
                "first": flood.first,
            }
            for flood in found.floods
        ],
        "chattering": [
            {**_named(c.rule, rules), "bursts": c.bursts, "most_in_a_minute": c.most}
            for c in found.chattering
        ],
        "fleeting": [
            {**_named(rule, rules), "times": times} for rule, times in found.fleeting.items()
        ],
        "stale": [_stale_json(standing, rules, end) for standing in found.stale],
        "bad_actors": [
            {**_named(a.rule, rules), "annunciations": a.annunciations, "share": a.share}
            for a in found.bad_actors
        ],
        "priorities": list(_priorities(found, settings.rules)),
        "notice_test": trials_json(
            Trials(archive.tested(), archive.first_event_at()),
            [person.id for person in settings.recipients],
            now,
        ),
        "silenced": [
            _silenced_json(rule, kept[rule.id])
            for rule in settings.rules
            if rule.id in kept and kept[rule.id].service_state is not ServiceState.IN_SERVICE
        ],
        "nights": [
            {"month": night.month, "woken": night.woken, "nights": night.nights}
            for night in found.nights
        ],
    }


def _events(archive: Archive, start: Micros, end: Micros) -> Iterator[Event]:
    after = 0
    while page := archive.events(start, end, after, _PAGE):
        yield from (stored.event for stored in page)
        after = page[-1].seq


def _delivered(archive: Archive) -> Iterable[Micros]:
    """Return when each event's notice first reached somebody."""
    first: dict[int, Micros] = {}
    after = 0
    while page := archive.notices(after, _PAGE):
        for _, notice in page:
            if notice.delivered_at is not None:
                known = first.get(notice.event_seq, notice.delivered_at)
                first[notice.event_seq] = min(known, notice.delivered_at)
        after = page[-1][0]
    return first.values()


def _metrics(found: Performance) -> Iterator[Json]:
    ten, hour, day = found.per_ten_minutes, found.per_hour, found.per_day
    yield _metric("per-10-min-average", "Annunciations per 10 min, average", ten.average, 1, 2)
    yield _metric("per-10-min-peak", "Annunciations per 10 min, most", ten.peak, 10)
    yield _metric("per-10-min-latest", "Annunciations in the last 10 min", found.latest)
    yield _metric("per-hour-average", "Annunciations per hour, average", hour.average, 6, 12)
    yield _metric("per-hour-peak", "Annunciations per hour, most", hour.peak)
    yield _metric("per-day-average", "Annunciations per day, average", day.average, 150, 300)
    yield _metric("per-day-peak", "Annunciations per day, most", day.peak)
    crowded = "10-min periods with more than 10 annunciations"
    yield _metric("crowded-share", crowded, found.crowded_share, 0.01, unit="%")
    yield _metric("flood-share", "Time in an alarm flood", found.flood_share, 0.01, unit="%")
    yield _metric("chattering", "Rules that chatter", len(found.chattering), 0)
    yield _metric("fleeting", "Fleeting alarms", sum(found.fleeting.values()), 0)
    yield _metric("stale-peak", "Stale alarms, most on one day", found.stale_peak, 5)
    loudest = "Share of the ten loudest rules"
    yield _metric("top-10-share", loudest, found.top_share, 0.05, unit="%")
    yield from _attended(found.attended)
    woken = max((night.woken for night in found.nights), default=0)
    title = "Woken at night, most in one month"
    yield _metric("woken-per-month", title, woken, 1, source=_OWN)


def _attended(found: Attendance) -> Iterator[Json]:
    longest = seconds(found.longest_active)
    yield _metric("longest-active", "Longest that an alarm stood", longest, unit="s")
    waited = seconds(found.longest_unacknowledged)
    yield _metric("longest-unacknowledged", "Longest without acknowledgement", waited, unit="s")
    most = found.most_re_alarms
    yield _metric("re-alarms-peak", "Re-alarms of one alarm, most", most)
    yield _metric("shelved", "Times that an alarm was shelved", found.shelved)
    suppressed = "Times that an alarm was suppressed by design"
    yield _metric("suppressed", suppressed, found.suppressed)
    out = "Times that an alarm was taken out of service"
    yield _metric("out-of-service", out, found.out_of_service)
    nobody = "Silenced by nobody named, or without a word"
    yield _metric("unauthorised-suppression", nobody, found.unauthorised, 0)
    yield _metric("rules-changed", "Rules changed or deleted", found.changed)


def _metric(
    ident: str,
    title: str,
    value: float,
    target: float | None = None,
    limit: float | None = None,
    *,
    unit: str = "",
    source: str = _STANDARD,
) -> Json:
    return {
        "id": ident,
        "title": title,
        "value": value,
        "unit": unit,
        "target": target,
        "limit": limit,
        "met": None if target is None else value <= target,
        "source": source if target is not None else "",
    }


def _priorities(found: Performance, rules: Iterable[Rule]) -> Iterator[Json]:
    """Return the shares; built-in rules and bold failures are configured by nobody."""
    own = [rule for rule in rules if rule.kind != "system" and not rule.bold]
    heard = sum(found.annunciated.values())
    for priority in Priority:
        configured = sum(rule.priority is priority for rule in own)
        annunciated = found.annunciated.get(priority, 0)
        yield {
            "priority": priority.value,
            "configured": configured,
            "configured_share": configured / len(own) if own else 0.0,
            "target_share": _TARGET_SHARES.get(priority, 0.01),
            "annunciated": annunciated,
            "annunciated_share": annunciated / heard if heard else 0.0,
        }


def _stale_json(standing: Standing, rules: Mapping[str, Rule], end: Micros) -> Json:
    return {
        **_named(standing.rule, rules),
        "since": to_rfc3339(standing.since),
        "until": time_json(standing.until),
        "hours": ((standing.until or end) - standing.since) / 3_600_000_000,
    }


def _silenced_json(rule: Rule, alarm: Alarm) -> Json:
    until = alarm.shelved_until if alarm.shelved_until is not None else alarm.out_until
    return {
        "rule": rule.id,
        "title": rule.title,
        "service_state": alarm.service_state.value,
        "until": time_json(until),
    }


def _named(rule: str, rules: Mapping[str, Rule]) -> Json:
    return {"rule": rule, "title": rules[rule].title if rule in rules else rule}
