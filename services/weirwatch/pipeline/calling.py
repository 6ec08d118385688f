"""Calls under way: which notices an event or the time brings, and what is kept of that.

Used by the loop thread only. State changes are handed to the same commit as the notices.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import Protocol
from zoneinfo import ZoneInfo

from weirwatch.domain.alarm import Alarm, AlarmState, Event
from weirwatch.domain.calls import Call, Say, Turned, Why, begin, due, due_at, resumed, silenced
from weirwatch.domain.instant import Micros
from weirwatch.domain.routing import (
    Holiday,
    Roster,
    notice_id,
    quiet_until,
    recipients_for,
    roster_for,
    standing_in,
)
from weirwatch.domain.rule import Rule
from weirwatch.pipeline.digest import KEY, Digest
from weirwatch.ports import Notice

_SILENCING = ("acknowledged", "checked-in", "shelved", "suppressed", "removed-from-service")


_PROMISING = ("acknowledged", "checked-in")


class Wording(Protocol):
    """Words one notice; see `pipeline.notices.NoticeWriter`."""

    recipients: Sequence[str]
    rosters: Sequence[Roster]
    holidays: Sequence[Holiday]
    zone: ZoneInfo

    def notice(
        self,
        ident: str,
        why: Why,
        seq: int,
        recipient: str,
        rule: Rule,
        alarm: Alarm,
        now: Micros,
        *,
        late: bool = False,
        drill: bool = False,
    ) -> Notice:
        """Return one notice."""
        ...

    def digest(
        self,
        ident: str,
        seq: int,
        recipient: str,
        alarms: Sequence[tuple[Rule, Alarm]],
        now: Micros,
    ) -> Notice:
        """Return one notice of many alarms."""
        ...


class Calling:
    """Keeps the calls; an alarm that no roster serves is told to everybody, once.

    Attributes:
        changed: what the next commit must keep, as `ports.Group.calling`.
    """

    def __init__(
        self, words: Wording, rules: Mapping[str, Rule], restored: Mapping[str, str]
    ) -> None:
        self._words = words
        self._rules = rules
        self._rosters = {roster.id: roster for roster in words.rosters}
        self._calls: dict[str, Call] = {}
        self.changed: dict[str, str | None] = {}
        self._digest = Digest(restored.get(KEY))
        for key, text in restored.items():
            if key == KEY:
                continue
            if key in rules:
                self._calls[key] = _call_from(text)
            else:
                self.changed[key] = None

    def next_call(self) -> Micros | None:
        """Return when `due` wants to be called at the latest, or None."""
        times = [due_at(call) for call in self._calls.values()]
        times.append(self._digest.next_call())
        return min((time for time in times if time is not None), default=None)

    def event(self, seq: int, event: Event, alarm: Alarm | None, now: Micros) -> list[Notice]:
        """Return the notices that one event brings."""
        rule = self._rules.get(event.rule)
        if rule is None or alarm is None:
            self._forget(event.rule)
            return []
        if event.annunciated:
            digested = self._digest.takes(seq, rule, now)
            self._keep_digest()
            return [] if digested else self._begin(seq, event, rule, alarm, now)
        call = self._calls.get(rule.id)
        if call is None:
            return []
        if event.kind == "returned":
            self._put(rule.id, None)
            return self._returned(seq, event, call, rule, alarm, now)
        if event.kind in _SILENCING:
            check_in = alarm.check_in_at if event.kind in _PROMISING else None
            self._put(rule.id, silenced(call, check_in))
        elif event.kind == "released" and alarm.state is AlarmState.UNACKNOWLEDGED:
            roster = self._roster(call, rule, now)
            self._put(
                rule.id, silenced(call, None) if roster is None else resumed(call, roster, now)
            )
        return []

    def due(self, alarms: Mapping[str, Alarm], now: Micros) -> list[Notice]:
        """Return the notices whose time has come."""
        found = self._digest_due(alarms, now)
        for key, call in list(self._calls.items()):
            at = due_at(call)
            if at is None or at > now:
                continue
            rule = self._rules[key]
            roster = self._roster(call, rule, now)
            if roster is None:
                self._put(key, silenced(call, None))
                continue
            quiet = quiet_until(roster, rule, now, self._words.zone)
            found += self._said(due(call, roster, now, quiet), rule, alarms[key], now)
        return found

    def _digest_due(self, alarms: Mapping[str, Alarm], now: Micros) -> list[Notice]:
        at = self._digest.next_call()
        if at is None or at > now:
            return []
        people: dict[str, list[str]] = {}
        told: dict[str, int] = {}
        later: list[Micros] = []
        for rule_id, seq in self._digest.ready(now).items():
            to, quiet = self._first_told(self._rules[rule_id], now)
            if quiet is not None:
                later.append(quiet)
                continue
            told[rule_id] = seq
            for recipient in to:
                people.setdefault(recipient, []).append(rule_id)
        if told or later:
            self._digest.sent(told, now, min(later, default=None))
        self._keep_digest()
        last = max(told.values(), default=0)
        return [
            self._words.digest(
                notice_id(last, recipient),
                last,
                recipient,
                [(self._rules[rule], alarms[rule]) for rule in rules],
                now,
            )
            for recipient, rules in people.items()
        ]

    def _first_told(self, rule: Rule, now: Micros) -> tuple[Sequence[str], Micros | None]:
        """Return who is told of an alarm first, and until when quiet hours forbid it."""
        roster = roster_for(self._words.rosters, rule, now, self._words.zone)
        if roster is None:
            return self._words.recipients, None
        quiet = quiet_until(roster, rule, now, self._words.zone)
        first = (roster.call[0], *roster.also)
        return standing_in(first, self._words.holidays, now, self._words.zone), quiet

    def _keep_digest(self) -> None:
        self.changed[KEY] = self._digest.as_text()

    def _forget(self, rule: str) -> None:
        if rule in self._calls:
            self._put(rule, None)
        if self._digest.forget(rule):
            self._keep_digest()

    def _begin(self, seq: int, event: Event, rule: Rule, alarm: Alarm, now: Micros) -> list[Notice]:
        roster = roster_for(self._words.rosters, rule, now, self._words.zone)
        if roster is None:
            if rule.id in self._calls:
                self._put(rule.id, None)
            return [
                self._words.notice(
                    notice_id(seq, recipient), Why.CALL, seq, recipient, rule, alarm, now,
                    late=event.late, drill=event.drill,
                )
                for recipient in recipients_for(event, self._words.recipients)
            ]  # fmt: skip
        before = self._calls.get(rule.id)
        call = Call(rule.id, roster.id, seq, told=before.told if before is not None else ())
        quiet = quiet_until(roster, rule, now, self._words.zone)
        return self._said(begin(call, roster, now, quiet), rule, alarm, now, event)

    def _returned(
        self, seq: int, event: Event, call: Call, rule: Rule, alarm: Alarm, now: Micros
    ) -> list[Notice]:
        say = Say(Why.RETURNED, seq, 0, call.told)
        return self._notices(say, call.told, rule, alarm, now, event)

    def _said(
        self, turned: Turned, rule: Rule, alarm: Alarm, now: Micros, event: Event | None = None
    ) -> list[Notice]:
        call, say = turned.call, turned.say
        if say is None:
            self._put(rule.id, call)
            return []
        to = standing_in(say.to, self._words.holidays, now, self._words.zone)
        told = tuple(dict.fromkeys((*call.told, *to)))
        self._put(rule.id, replace(call, told=told))
        return self._notices(say, to, rule, alarm, now, event)

    def _notices(
        self,
        say: Say,
        to: Sequence[str],
        rule: Rule,
        alarm: Alarm,
        now: Micros,
        event: Event | None,
    ) -> list[Notice]:
        return [
            self._words.notice(
                notice_id(say.seq, recipient, say.number), say.why, say.seq, recipient, rule,
                alarm, now, late=event is not None and event.late,
                drill=event is not None and event.drill,
            )
            for recipient in to
        ]  # fmt: skip

    def _roster(self, call: Call, rule: Rule, now: Micros) -> Roster | None:
        """Return the call's roster; if it left the configuration, the one that serves now."""
        known = self._rosters.get(call.roster)
        return known or roster_for(self._words.rosters, rule, now, self._words.zone)

    def _put(self, key: str, call: Call | None) -> None:
        if call is None:
            self._calls.pop(key, None)
            self.changed[key] = None
        else:
            self._calls[key] = call
            self.changed[key] = json.dumps(asdict(call))


def _call_from(text: str) -> Call:
    facts = json.loads(text)
    return Call(**{**facts, "told": tuple(facts["told"])})
