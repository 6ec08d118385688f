"""The alarm rules once more, deliberately naive: the model that the engine is held against.

It shares the rule types with the engine and nothing else: no agenda, no hysteresis, no tables.
Time goes tick by tick, everything that was seen is kept in one list, and at every question the
whole list is gone through from its beginning. Slow, and easy to compare with the written rules.
A reading is judged at its own time, and so are the delays of the rules on its channel: they wait as
long as its readings are on their way.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from domain.reference_delays import Delays
from domain.reference_past import Linked, Past, Seen, Stood, Told, Voided, saturated

from weirwatch.domain.operator import Command
from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.domain.rule import (
    AlarmStands,
    BadMeasurement,
    Between,
    ChannelBeyond,
    ChannelIs,
    Deviation,
    Discrepancy,
    Duty,
    Rule,
)


class Row(NamedTuple):
    """One transition as the reference has it."""

    time: int
    rule: str
    kind: str
    state_from: str
    state_to: str
    service_from: str
    service_to: str
    value: float | None
    annunciated: bool
    lost: bool
    late: bool


class Due(NamedTuple):
    """What is to be done without a reading: when, and at which time it counts."""

    when: int
    depth: int
    rule: str
    order: int
    at: int
    kind: int


SECOND = 1_000_000
LATE = 60 * SECOND  # a reading that comes longer after its own time is late
ENDLESS = 1000
HELD = 10 * SECOND  # so long a late raise waits for the rest of the backlog


_SERVICE_ENDS = {
    5: ("released", "suppressed"),
    6: ("unshelved", "shelved"),
    7: ("returned-to-service", "out"),
}


@dataclass
class Life:
    """Where an alarm is, in plain words instead of states."""

    stands: bool = False
    unacknowledged: bool = False
    latched: bool = False
    told: bool = False  # this raise has been announced
    heard: bool = False  # a raise of this episode was announced and not yet acknowledged
    acknowledged_at: int | None = None
    check_in_at: int | None = None
    returned_at: int | None = None
    shelved: bool = False
    one_shot: bool = False
    shelved_until: int | None = None
    out: bool = False
    out_until: int | None = None
    suppressed: bool = False
    held_until: int | None = None  # raised by a late reading, and not told yet

    def attended_by(self, command: str) -> bool:
        """Acknowledge what is not; be heard of again about what stands and is."""
        if command == "acknowledge":
            return self.unacknowledged
        return self.stands and not self.unacknowledged

    @property
    def state(self) -> str:
        if self.stands:
            return "unacknowledged" if self.unacknowledged else "acknowledged"
        if self.latched:
            return "latched-unacknowledged" if self.unacknowledged else "latched-acknowledged"
        return "returned-unacknowledged" if self.unacknowledged else "normal"

    @property
    def service(self) -> str:
        if self.out:
            return "out-of-service"
        if self.shelved:
            return "shelved"
        return "suppressed-by-design" if self.suppressed else "in-service"


@dataclass
class Model:
    """Feed it in time order: `advance`, then readings and commands of that instant."""

    rules: Sequence[Rule]
    channels: dict[str, Channel]
    tick: int
    start: int
    now: int = field(init=False)
    at: int = field(init=False)  # the time at which it counts: of a reading its own
    late: bool = False
    clock: int | None = (
        None  # while a deadline is done: when it was due, though news of it came late
    )
    past: Past = field(init=False)
    delays: Delays = field(init=False)
    lives: dict[str, Life] = field(default_factory=dict)
    rows: list[Row] = field(default_factory=list)
    refused: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.now = self.at = self.start
        self.walked = {rule.id: self.start for rule in self.rules}
        self.dealt = {rule.id: self.start for rule in self.rules}  # times of day up to here
        self.past = Past(self.channels)
        self.delays = Delays(self.past)
        self.by_id = {rule.id: rule for rule in self.rules}
        self.depths = {rule.id: self._depth(rule) for rule in self.rules}
        self.lives = {rule.id: Life() for rule in self.rules}
        self.past.items.append(Linked(self.start, True, False))
        self._look_at_start()
        self._deadlines()

    # --- what happens -----------------------------------------------------------------------

    def advance(self, time: int) -> None:
        """Let time pass to `time`, its deadlines included."""
        self.turn()
        while self.now < time:
            soon = [until for until in self.next_times() if until > self.now]
            self.now = min([self.now - self.now % self.tick + self.tick, *soon])
            self.turn()

    def next_times(self) -> list[int]:
        """When there may be something to do between two ticks."""
        held = [life.held_until for life in self.lives.values()]
        return [until for until in held if until is not None]

    def turn(self) -> None:
        """Do what is due now."""
        self._deadlines()

    def reading(self, reading: Reading) -> None:
        """Take a reading that arrives now."""
        newest = self.past.newest(reading.channel)
        newer = newest is None or reading.time > newest.time
        mine = [rule for rule in self.rules if rule.channel == reading.channel]
        if newer:
            self._own_deadlines(mine, reading.time)
        position, seen = len(self.past.items), self.past.add_reading(reading, self.now)
        self.late = newer and self.now - reading.time > LATE
        for rule in mine:
            if newer or _seeks_silence(rule):
                self.delays.look_at_reading(rule, position)
                self._look(rule, reading.time)
                self._caught_up(rule, seen)
        for rule in self.rules:
            if newer and rule.channel != reading.channel and reading.channel in _watched(rule):
                self._look_from_outside(rule, reading.time)
        self.late = False

    def observe(self, ident: str, present: bool) -> None:
        """The service observes the condition of a built-in rule."""
        if ident in self.by_id:
            self.past.items.append(Told(self.now, ident, present))
            self._look(self.by_id[ident], self.now)

    def command(self, command: Command) -> None:
        rule, self.at = self.by_id.get(command.rule), self.now
        if rule is None or not self._carry_out(rule, self.lives[rule.id], command):
            self.refused.append(self.now)

    def link(self, up: bool) -> None:
        self.past.items.append(Linked(self.now, up, False))
        for rule in self.rules:
            runs = self.delays.present(rule) and not self.lives[rule.id].stands
            if _seeks_silence(rule) and runs:
                self._look(rule, self.now)

    def restart(self, at: int, told: Sequence[tuple[str, bool]] = ()) -> None:
        """Lose the power now and come back at `at`; what was set to a time ends meanwhile.

        `told`: what the service observes of itself as it starts.
        """
        self.past.items.append(Linked(self.now, False, True))
        for rule in self.rules:
            if isinstance(rule.condition, Duty) and not _by_the_clock(rule):
                self.walked[rule.id] = self._last_said(rule)
        while self.now < at - 1:
            self.now = min(self.now + self.tick, at - 1)
            while self._one_deadline(meanwhile=True):
                pass
        self.now = at
        self.dealt = {rule.id: at for rule in self.rules}
        self.past.items.append(Linked(at, True, False))
        for ident, present in told:
            self.observe(ident, present)
        self._look_at_start()
        self._deadlines()

    def _last_said(self, rule: Rule) -> int:
        """When what a rule depends on last changed: what came after it is judged by the record."""
        said = [self.past.newest(c) for c in (rule.channel or "", *_watched(rule))]
        alarms = [t.rule for t in rule.while_ if isinstance(t, AlarmStands)]
        moved = [i.time for i in self.past.items if isinstance(i, Stood) and i.rule in alarms]
        times = [*moved, *(seen.time for seen in said if seen is not None)]
        return max(times, default=self.walked[rule.id])

    # --- looking ----------------------------------------------------------------------------

    def _look(self, rule: Rule, time: int) -> None:
        """Evaluate the rule at a time; without a delay it moves at once."""
        if _seeks_silence(rule) or rule.channel is None:
            time = self.now if self.clock is None else self.clock  # the service's own
        else:
            time = self._not_undone(rule, time)
        self._look_at(rule, time)

    def _look_at(self, rule: Rule, time: int) -> None:
        self.at = time
        self.delays.look(rule, time)
        self.walked[rule.id] = time
        running = self.delays.running(rule)
        if running is not None and self.delays.length(rule, running.present) == 0:
            self._move(rule, running.present, lost=False)

    def _not_undone(self, rule: Rule, time: int) -> int:
        """What comes late undoes neither the alarm's last move nor a time of day gone by."""
        moved = [i.time for i in self.past.items if isinstance(i, Stood) and i.rule == rule.id]
        time = max([time, *moved])
        upto = self.now - self.tick if self._clock_due(rule) else self.now
        boundary = self.past.last_boundary(rule, time, upto, self.tick)
        return time if boundary is None else boundary

    def _look_from_outside(self, rule: Rule, time: int) -> None:
        """Late news of something else begins nothing before what its own channel said."""
        self._look(rule, self._from_outside(rule, time))

    def _from_outside(self, rule: Rule, time: int) -> int:
        newest = None if rule.channel is None else self.past.newest(rule.channel)
        return time if newest is None else max(time, newest.time)

    def _caught_up(self, rule: Rule, seen: Seen) -> None:
        """A late raise is told when a reading on time shows that it still stands."""
        life = self.lives[rule.id]
        shows = seen.quality is Quality.GOOD or saturated(rule, seen)
        if life.held_until is None or self.late or not seen.newer or not shows:
            return
        if life.stands and self.delays.present(rule):
            self._announce(rule)  # at the time of the look

    def _announce(self, rule: Rule) -> None:
        life = self.lives[rule.id]
        before = self._before(life)
        life.held_until = None
        if self._tell(life):
            self._row(rule, "announced", before, annunciated=True)

    def _look_at_start(self) -> None:
        """What needs no reading: the time of day, and a contact that has never reported.

        Before that, whether an on-delay that goes on without one still does.
        """
        for rule in self._ordered():
            if self.delays.goes_on(rule) and not self.lives[rule.id].stands:
                self._look_at(rule, self.now)
            unseen = rule.channel is not None and self.past.newest(rule.channel) is None
            expects = isinstance(rule.condition, Discrepancy) and not self.past.silent_after(rule)
            if _by_the_clock(rule) or (expects and unseen) or self._told_by_the_record(rule):
                self._look_from_outside(rule, self.now)

    def _told_by_the_record(self, rule: Rule) -> bool:
        """Whether a contact was last heard before this start: then all on record counts for it."""
        if not self.past.contact(rule) or isinstance(rule.condition, Duty | BadMeasurement):
            return False
        heard = [
            i.arrived for i in self.past.items if isinstance(i, Seen) and i.channel == rule.channel
        ]
        return bool(heard) and heard[-1] < self.now and not self.delays.present(rule)

    def _deadlines(self) -> None:
        for _ in range(ENDLESS):
            if not self._one_deadline():
                return  # else after each step look again from the first
        raise AssertionError("the deadlines of one moment never end")

    def _ordered(self) -> list[Rule]:
        """Causes before consequences, then by id."""
        return sorted(self.rules, key=lambda rule: (self._depth(rule), rule.id))

    def _depth(self, rule: Rule) -> int:
        causes = [self.by_id[c] for c in rule.suppressed_by if c in self.by_id]
        return max((1 + self._depth(cause) for cause in causes), default=0)

    def _one_deadline(self, *, meanwhile: bool = False) -> bool:
        """Do the first of what is due, if anything is.

        `meanwhile`: while the service is down. Then nothing but what was set to a time ends, and
        a duty goes on as the switch was left: what its record says is judged afterwards, but of a
        duty with hours only what is so at the start.
        """
        found = [due for rule in self.rules for due in self._dues(rule, meanwhile)]
        due = sorted(due for due in found if due.when <= self.now)
        self.clock = due[0].when if due else None
        done = self._do_first(due)
        self.clock = None
        return done

    def _own_deadlines(self, rules: Sequence[Rule], time: int) -> None:
        """What was due on a channel by the reading's own time comes before the reading."""

        def found() -> Iterator[Due]:
            for rule in rules:
                limit = self.now if _seeks_silence(rule) else time
                for due in self._own_dues(rule, limit):
                    if due.at <= limit:
                        yield due._replace(when=due.at)

        while self._do_first(sorted(found())):
            pass

    def _do_first(self, found: Sequence[Due]) -> bool:
        if not found:
            return False
        due, rule = found[0], self.by_id[found[0].rule]
        self.at, self.late = due.at, due.kind <= 1 and self._lag(rule) > LATE
        self._do(rule, due)
        self.late = False
        return True

    def _lag(self, rule: Rule) -> int:
        return 0 if rule.channel is None or _seeks_silence(rule) else self.past.lag(rule.channel)

    def _dues(self, rule: Rule, meanwhile: bool) -> Iterator[Due]:
        depth, life = self.depths[rule.id], self.lives[rule.id]
        if not meanwhile or (isinstance(rule.condition, Duty) and not _by_the_clock(rule)):
            wait = max(-LATE, min(LATE, self._lag(rule)))
            yield from self._own_dues(rule, self.now - wait)
        silent = not self.delays.present(rule) and self.past.falls_silent(rule, self.now)
        if not meanwhile and (silent or self._clock_due(rule)):
            yield Due(self.now, depth, rule.id, 2, self.now, 2)
        for order, at in enumerate(self._set_times(rule, life), start=3):
            if at is not None:
                yield Due(at, depth, rule.id, order, at, order)

    def _own_dues(self, rule: Rule, limit: int) -> Iterator[Due]:
        """The end of its delay, and what a duty comes to, in the time of its channel."""
        end, turns = self.delays.end(rule), self._duty_turns_by(rule, limit)
        found = [(end, 0)] if end is not None and end <= limit else []
        found += [(turns, 1)] if turns is not None else []
        wait, here = self.now - limit, self._arrived(rule)
        for place, (at, kind) in enumerate(sorted(found)):  # of a backlog, as it was
            when, order = max(at + wait, here), kind if len(found) == 1 else place
            yield Due(when, self.depths[rule.id], rule.id, order, at, kind)

    def _duty_turns_by(self, rule: Rule, limit: int) -> int | None:
        if isinstance(rule.condition, Duty):
            for at in range(self.walked[rule.id] + self.tick, limit + 1, self.tick):
                if self._duty_turns(rule, at):
                    return at
                self.walked[rule.id] = at
        return None

    def _arrived(self, rule: Rule) -> int:
        """When the newest reading of its channel came: what it brings is not due before."""
        newest = None if rule.channel is None else self.past.newest(rule.channel)
        if newest is None or _seeks_silence(rule):
            return self.start
        return newest.time + self._lag(rule)

    def _duty_turns(self, rule: Rule, at: int) -> bool:
        """Whether time alone changes what its switch shows, and a look would show it."""
        return self.past.duty_turns(rule, at, self.tick) and self.delays.would_change(rule, at)

    def _clock_due(self, rule: Rule) -> bool:
        """Whether a time of day that the rule names begins or ends now, and is not dealt with."""
        boundary = self.past.last_boundary(rule, self.now - self.tick, self.now, self.tick)
        return boundary == self.now and self.dealt[rule.id] < self.now

    def _set_times(self, rule: Rule, life: Life) -> list[int | None]:
        """Re-alarm, a late raise, hold-off, shelving, out of service: times that were set."""
        re_alarm = None
        if life.stands and not life.unacknowledged and rule.re_alarm:
            assert life.acknowledged_at is not None
            re_alarm = max(life.acknowledged_at + rule.re_alarm, life.check_in_at or 0)
        return [re_alarm, life.held_until, *self._service_ends(rule, life)]

    def _service_ends(self, rule: Rule, life: Life) -> list[int | None]:
        causes = [self.lives[c] for c in rule.suppressed_by if c in self.lives]
        released = None
        if life.service == "suppressed-by-design" and not any(c.stands for c in causes):
            returned = [c.returned_at for c in causes if c.returned_at is not None]
            released = max(returned) + rule.hold_off
        return [
            released,
            life.shelved_until if life.service == "shelved" else None,
            life.out_until if life.out else None,
        ]

    def _do(self, rule: Rule, due: Due) -> None:
        match due.kind:
            case 0:
                outcome = self.delays.outcome(rule, due.at)
                if outcome is None:
                    self.past.items.append(Voided(due.at, rule.id))
                else:
                    self._move(rule, outcome[0], lost=outcome[1])
            case 1:
                self._look(rule, due.at)
            case 2:
                self.dealt[rule.id] = self.now
                self._look_from_outside(rule, due.at)
            case 3:
                self._re_alarm(rule, self.lives[rule.id])
            case 4:
                self._announce(rule)
            case _:
                kind, flag = _SERVICE_ENDS[due.kind]
                self._into_service(rule, kind, **{flag: False})

    # --- life cycle -------------------------------------------------------------------------

    def _move(self, rule: Rule, present: bool, lost: bool) -> None:
        time = self.at
        if present:
            self._raise(rule, lost)
        else:
            self._return(rule)
        for watcher in self.rules:
            if AlarmStands(rule.id) in watcher.while_:
                self._look_from_outside(watcher, time)
        self.at = time

    def _raise(self, rule: Rule, lost: bool) -> None:
        life = self.lives[rule.id]
        before = self._before(life)
        life.stands, life.unacknowledged, life.latched = True, True, False
        life.acknowledged_at = life.check_in_at = life.returned_at = None
        in_service = life.service == "in-service"
        life.told = in_service and (rule.bold or not self.late)
        life.held_until = self.now + HELD if in_service and not life.told else None
        life.heard = life.heard or life.told
        self.past.items.append(Stood(self.at, rule.id, True))
        self._row(rule, "raised", before, annunciated=life.told, lost=lost)
        for consequence in self.rules:
            other = self.lives[consequence.id]
            if rule.id not in consequence.suppressed_by or consequence.bold:
                continue
            if other.service == "in-service":
                before = self._before(other)
                other.suppressed, other.held_until = True, None
                self._row(consequence, "suppressed", before)

    def _return(self, rule: Rule) -> None:
        life = self.lives[rule.id]
        before = self._before(life)
        life.stands, life.told, life.check_in_at = False, False, None
        life.returned_at, life.held_until = self.at, None
        if rule.latching:
            life.latched = True
        elif life.unacknowledged and not life.heard:
            life.unacknowledged = False
        self.past.items.append(Stood(self.at, rule.id, False))
        if life.service == "shelved" and life.one_shot:
            life.shelved, life.one_shot, life.shelved_until = False, False, None
            life.suppressed = self._caused(rule)
        self._row(rule, "returned", before)
        for consequence in self.rules:
            if rule.id in consequence.suppressed_by and not consequence.bold:
                other = self.lives[consequence.id]
                if other.service == "suppressed-by-design" and not self._caused(consequence):
                    self._into_service(consequence, "released", suppressed=False)

    def _caused(self, rule: Rule) -> bool:
        """A cause stands, or the last one's return is less than the hold-off ago."""
        if rule.bold:
            return False
        causes = [self.lives[c] for c in rule.suppressed_by if c in self.lives]
        return any(
            cause.stands
            or (cause.returned_at is not None and cause.returned_at + rule.hold_off > self.at)
            for cause in causes
        )

    def _re_alarm(self, rule: Rule, life: Life) -> None:
        before = self._before(life)
        life.unacknowledged, life.told = True, False
        life.acknowledged_at = life.check_in_at = None
        self._row(rule, "re-alarmed", before, annunciated=self._tell(life))

    def _into_service(self, rule: Rule, kind: str, **flags: bool) -> None:
        life = self.lives[rule.id]
        before = self._before(life)
        for name, value in flags.items():
            setattr(life, name, value)
        life.one_shot, life.shelved_until, life.out_until = False, None, None
        life.suppressed = self._caused(rule)
        self._row(rule, kind, before, annunciated=self._tell(life))

    def _tell(self, life: Life) -> bool:
        owed = life.stands and life.unacknowledged and not life.told
        if not owed or life.service != "in-service":
            return False
        life.told = life.heard = True
        life.held_until = None
        return True

    # --- commands ---------------------------------------------------------------------------

    def keep_quiet(self, rule: Rule, span: int) -> None:
        """Planned work shelves a rule for so long; for no time at all: it ends that."""
        life, self.at = self.lives[rule.id], self.now
        if span:
            self._shelve(rule, life, span)
        else:
            self._into_service(rule, "unshelved", shelved=False)

    def _carry_out(self, rule: Rule, life: Life, command: Command) -> bool:
        minutes = command.minutes
        if minutes is not None and not 0 < minutes <= 366 * 24 * 60:
            return False
        span = None if minutes is None else _minutes(minutes)
        match command.name:
            case "acknowledge" | "check-in" if life.attended_by(command.name):
                self._acknowledge(rule, life, command)
            case "reset" if life.latched and not life.stands and not life.unacknowledged:
                before = self._before(life)
                life.latched = False
                self._row(rule, "reset", before)
            case "shelve" if not life.out and (span is None or span <= rule.shelve_max):
                self._shelve(rule, life, span)
            case "unshelve" if life.service == "shelved":
                self._into_service(rule, "unshelved", shelved=False)
            case "remove-from-service" if not life.out and command.comment:
                return self._remove(rule, life, span)
            case "return-to-service" if life.out:
                self._into_service(rule, "returned-to-service", out=False)
            case _:
                return False
        return True

    def _acknowledge(self, rule: Rule, life: Life, command: Command) -> None:
        before = self._before(life)
        check_in = command.check_in_minutes
        life.unacknowledged = life.heard = False
        life.acknowledged_at, life.held_until = self.now, None
        expected = check_in if life.stands else None  # of what is over nobody waits for a word
        life.check_in_at = None if expected is None else self.now + _minutes(expected)
        kind = "acknowledged" if command.name == "acknowledge" else "checked-in"
        self._row(rule, kind, before)

    def _shelve(self, rule: Rule, life: Life, span: int | None) -> None:
        before = self._before(life)
        self._silence(life)
        life.shelved, life.one_shot, life.suppressed = True, span is None, False
        life.shelved_until = self.now + (rule.shelve_max if span is None else span)
        self._row(rule, "shelved", before)

    def _remove(self, rule: Rule, life: Life, span: int | None) -> bool:
        if rule.bold and span is None:
            return False
        before = self._before(life)
        self._silence(life)
        life.out, life.shelved, life.suppressed = True, False, False
        life.one_shot, life.shelved_until = False, None
        life.out_until = None if span is None else self.now + span
        self._row(rule, "removed-from-service", before)
        return True

    def _silence(self, life: Life) -> None:
        """What is silenced while it stands unacknowledged is told again when the silence ends."""
        life.held_until = None
        if life.stands and life.unacknowledged and not life.shelved:
            life.told = False

    # --- the record -------------------------------------------------------------------------

    def _before(self, life: Life) -> tuple[str, str]:
        return life.state, life.service

    def _row(
        self,
        rule: Rule,
        kind: str,
        before: tuple[str, str],
        *,
        annunciated: bool = False,
        lost: bool = False,
    ) -> None:
        life = self.lives[rule.id]
        newest = self.past.newest(rule.channel) if rule.channel else None
        value = newest.value if newest is not None else None
        self.rows.append(
            Row(
                self.at,
                rule.id,
                kind,
                before[0],
                life.state,
                before[1],
                life.service,
                value,
                annunciated,
                lost,
                self.late,
            )
        )


def run_model(
    model: Model,
    readings: Sequence[Reading],
    commands: Sequence[tuple[int, Command]],
    until: int,
) -> Model:
    """The whole of a replay: at one instant deadlines, then readings, then commands."""
    for time in range(model.start, until + model.tick, model.tick):
        model.advance(time)
        for reading in readings:
            if reading.time == time:
                model.reading(reading)
        for when, command in commands:
            if when == time:
                model.command(command)
    return model


def _watched(rule: Rule) -> set[str]:
    found = {t.channel for t in rule.while_ if isinstance(t, ChannelIs | ChannelBeyond)}
    if isinstance(rule.condition, Deviation) and rule.condition.twin:
        found.add(rule.condition.twin)
    return found


def _seeks_silence(rule: Rule) -> bool:
    """Silence is counted from arrivals, by the service's own clock."""
    return isinstance(rule.condition, BadMeasurement) and rule.condition.silent


def _by_the_clock(rule: Rule) -> bool:
    return any(isinstance(term, Between) for term in rule.while_)


def _minutes(minutes: float) -> int:
    return round(minutes * 60_000_000)
