"""The alarm rules once more, deliberately naive: the model that the engine is held against.

It shares the rule types with the engine and nothing else: no agenda, no hysteresis, no tables.
Time goes tick by tick, everything that was seen is kept in one list, and at every question the
whole list is gone through from its beginning. Slow, and easy to compare with the written rules.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from domain.reference_delays import Delays
from domain.reference_past import Linked, Past, Stood

from weirwatch.domain.operator import Command
from weirwatch.domain.reading import Channel, Reading
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
    past: Past = field(init=False)
    delays: Delays = field(init=False)
    lives: dict[str, Life] = field(default_factory=dict)
    rows: list[Row] = field(default_factory=list)
    refused: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.now = self.start
        self.past = Past(self.channels)
        self.delays = Delays(self.past)
        self.by_id = {rule.id: rule for rule in self.rules}
        self.lives = {rule.id: Life() for rule in self.rules}
        self.past.items.append(Linked(self.start, True, False))
        self._look_at_start()
        self._deadlines()

    # --- what happens -----------------------------------------------------------------------

    def advance(self, time: int) -> None:
        """Let time pass to `time`, its deadlines included."""
        while self.now < time:
            self.now += self.tick
            self._deadlines()

    def reading(self, reading: Reading) -> None:
        if not self.past.add_reading(reading):
            return
        for rule in self.rules:
            if rule.channel == reading.channel:
                self._look(rule)
        for rule in self.rules:
            if rule.channel != reading.channel and reading.channel in _watched(rule):
                self._look(rule)

    def command(self, command: Command) -> None:
        rule = self.by_id.get(command.rule)
        if rule is None or not self._carry_out(rule, self.lives[rule.id], command):
            self.refused.append(self.now)

    def link(self, up: bool) -> None:
        self.past.items.append(Linked(self.now, up, False))
        for rule in self.rules:
            silent = isinstance(rule.condition, BadMeasurement) and rule.condition.silent
            if silent and not self.lives[rule.id].stands:
                self._look(rule)

    def restart(self, at: int) -> None:
        """Lose the power now and come back at `at`; what was set to a time ends meanwhile."""
        self.past.items.append(Linked(self.now, False, True))
        while self.now < at:
            self.now += self.tick
            while any(self._ends_meanwhile(rule) for rule in self._ordered()):
                pass
        self.past.items.append(Linked(at, True, False))
        self._look_at_start()
        self._deadlines()

    def _ends_meanwhile(self, rule: Rule) -> bool:
        """A duty goes on as the switch was left; what its record says is judged afterwards."""
        if isinstance(rule.condition, Duty):
            return self._one_deadline(rule)
        return self._set_time_ends(rule)

    # --- deadlines --------------------------------------------------------------------------

    def _look(self, rule: Rule) -> None:
        """Evaluate the rule here and now; without a delay it moves at once."""
        self.delays.look(rule, self.now)
        running = self.delays.running(rule)
        if running is not None and self.delays.length(rule, running.present) == 0:
            self._move(rule, running.present, lost=False)

    def _look_at_start(self) -> None:
        """What needs no reading: the time of day, and a contact that has never reported."""
        for rule in self._ordered():
            assert rule.channel is not None
            unseen = self.past.newest(rule.channel) is None
            expects = isinstance(rule.condition, Discrepancy) and not self.past.silent_after(rule)
            if _by_the_clock(rule) or (expects and unseen):
                self._look(rule)

    def _deadlines(self) -> None:
        order = self._ordered()
        while any(self._one_deadline(rule) for rule in order):
            pass  # after each step look again from the first

    def _ordered(self) -> list[Rule]:
        """Causes before consequences, then by id."""
        return sorted(self.rules, key=lambda rule: (self._depth(rule), rule.id))

    def _depth(self, rule: Rule) -> int:
        causes = [self.by_id[c] for c in rule.suppressed_by if c in self.by_id]
        return max((1 + self._depth(cause) for cause in causes), default=0)

    def _one_deadline(self, rule: Rule) -> bool:
        ends = self.delays.ends(rule, self.now)
        if ends is not None:
            self._move(rule, ends[0], lost=ends[1])
            return True
        silent = not self.delays.present(rule) and self.past.falls_silent(rule, self.now)
        waits = _by_the_clock(rule) or isinstance(rule.condition, Duty)
        if silent or (waits and self.delays.would_change(rule, self.now)):
            self._look(rule)
            return True
        return self._set_time_ends(rule)

    def _set_time_ends(self, rule: Rule) -> bool:
        """Re-alarm, hold-off, shelving, out of service: times that were set."""
        life = self.lives[rule.id]
        if life.stands and not life.unacknowledged and rule.re_alarm:
            assert life.acknowledged_at is not None
            due = max(life.acknowledged_at + rule.re_alarm, life.check_in_at or 0)
            if due <= self.now:
                self._re_alarm(rule, life)
                return True
        if life.service == "suppressed-by-design" and not self._caused(rule):
            self._into_service(rule, "released", suppressed=False)
        elif life.shelved and life.shelved_until is not None and life.shelved_until <= self.now:
            self._into_service(rule, "unshelved", shelved=False)
        elif life.out and life.out_until is not None and life.out_until <= self.now:
            self._into_service(rule, "returned-to-service", out=False)
        else:
            return False
        return True

    # --- life cycle -------------------------------------------------------------------------

    def _move(self, rule: Rule, present: bool, lost: bool) -> None:
        if present:
            self._raise(rule, lost)
        else:
            self._return(rule)
        for watcher in self.rules:
            if AlarmStands(rule.id) in watcher.while_:
                self._look(watcher)

    def _raise(self, rule: Rule, lost: bool) -> None:
        life = self.lives[rule.id]
        before = self._before(life)
        life.stands, life.unacknowledged, life.latched = True, True, False
        life.acknowledged_at = life.check_in_at = life.returned_at = None
        life.told = life.service == "in-service"
        life.heard = life.heard or life.told
        self.past.items.append(Stood(self.now, rule.id, True))
        self._row(rule, "raised", before, annunciated=life.told, lost=lost)
        for consequence in self.rules:
            other = self.lives[consequence.id]
            if rule.id not in consequence.suppressed_by or consequence.bold:
                continue
            if other.service == "in-service":
                before = self._before(other)
                other.suppressed = True
                self._row(consequence, "suppressed", before)

    def _return(self, rule: Rule) -> None:
        life = self.lives[rule.id]
        before = self._before(life)
        life.stands, life.told, life.check_in_at = False, False, None
        life.returned_at = self.now
        if rule.latching:
            life.latched = True
        elif life.unacknowledged and not life.heard:
            life.unacknowledged = False
        self.past.items.append(Stood(self.now, rule.id, False))
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
            or (cause.returned_at is not None and cause.returned_at + rule.hold_off > self.now)
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
        return True

    # --- commands ---------------------------------------------------------------------------

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
        life.acknowledged_at = self.now
        life.check_in_at = None if check_in is None else self.now + _minutes(check_in)
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
                self.now,
                rule.id,
                kind,
                before[0],
                life.state,
                before[1],
                life.service,
                value,
                annunciated,
                lost,
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


def _by_the_clock(rule: Rule) -> bool:
    return any(isinstance(term, Between) for term in rule.while_)


def _minutes(minutes: float) -> int:
    return round(minutes * 60_000_000)
