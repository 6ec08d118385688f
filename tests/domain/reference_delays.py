"""The reference's on- and off-delays: when the running one began, from the whole list."""

from dataclasses import dataclass, field
from typing import NamedTuple

from domain.reference_past import Linked, Past, Seen, Voided, saturated

from weirwatch.domain.reading import Quality
from weirwatch.domain.rule import BadMeasurement, BuiltIn, Discrepancy, Rule


class Look(NamedTuple):
    """The rule was looked at when the list had `upto` items; `present`: what it showed.

    `number`: of its looks; -1: forgetting a silence, which is none.
    """

    time: int
    upto: int
    present: bool
    number: int


class Running(NamedTuple):
    """A delay that runs since `begin`; `present`: the on-delay."""

    begin: int
    present: bool


@dataclass
class Delays:
    """When each rule was looked at; everything else is asked of the past again and again."""

    past: Past
    looks: dict[str, list[tuple[int, int]]] = field(default_factory=dict)
    own: dict[tuple[str, int], int] = field(default_factory=dict)  # the look for a reading
    asked: dict[tuple[str, int, int], list[Look]] = field(default_factory=dict)

    def look(self, rule: Rule, now: int) -> None:
        self.looks.setdefault(rule.id, []).append((now, len(self.past.items)))

    def look_at_reading(self, rule: Rule, position: int) -> None:
        """The look that comes next is for the reading at this position of the list."""
        self.own[rule.id, position] = len(self.looks.get(rule.id, ()))

    def present(self, rule: Rule) -> bool:
        """What the newest look showed."""
        looks = self._looks(rule)
        return bool(looks) and looks[-1].present

    def goes_on(self, rule: Rule) -> bool:
        """Whether an on-delay starts again at a start without a reading."""
        if isinstance(rule.condition, BadMeasurement | BuiltIn):
            return False
        return self.present(rule) and (rule.bold or self.past.contact(rule))

    def would_change(self, rule: Rule, now: int) -> bool:
        """Whether a look now would show something else."""
        was = self.present(rule)
        return self.past.shows(rule, was, now, len(self.past.items)) is not was

    def end(self, rule: Rule) -> int | None:
        """When the delay that runs ends."""
        running = self.running(rule)
        return None if running is None else running.begin + self.length(rule, running.present)

    def outcome(self, rule: Rule, end: int) -> tuple[bool, bool] | None:
        """At its end: (present, measurement lost), or None: it is void."""
        present = self.present(rule)
        if isinstance(rule.condition, BadMeasurement | BuiltIn):
            return present, False
        assert rule.channel is not None
        newest = self.past.newest(rule.channel)
        stale = self._stale(rule, self.past.newest_good(rule.channel), end)
        if present and rule.bold:
            bad = newest is not None and newest.quality is Quality.BAD
            return True, stale or bad
        return None if stale else (present, False)

    def running(self, rule: Rule) -> Running | None:
        """The delay that runs: since its condition turned, or since what voided it."""
        looks = self._looks(rule)
        present = bool(looks) and looks[-1].present
        if not looks or present is self.past.stood(rule.id, len(self.past.items)):
            return None
        run = self._unbroken(looks)
        restarted = self.past.restarted()
        if isinstance(rule.condition, BadMeasurement | BuiltIn):  # no gap voids it
            again = [look.time for look in run if look.upto > restarted]
            return Running(again[0], present) if again else None
        begin = self._begin(rule, run[0], present)
        return None if begin is None else Running(begin, present)

    def _begin(self, rule: Rule, turned: Look, present: bool) -> int | None:
        """When the delay began that its readings leave running."""
        restarted = self.past.restarted()
        begin, last_good = self._first(rule, turned, restarted), None
        for position, item in enumerate(self.past.items):
            if position == restarted:  # what is on record is known, history too
                last_good = self.past.newest_good(rule.channel or "", restarted + 1)
            if isinstance(item, Voided) and item.rule == rule.id and position >= turned.upto:
                begin = None
            if not isinstance(item, Seen) or item.channel != rule.channel or not item.newer:
                continue
            # One that has not been looked at itself yet, or that turned it, does not count.
            if position >= restarted and self.own.get((rule.id, position), -1) > turned.number:
                begin = self._after(rule, begin, position, last_good, present)
            last_good = item if item.quality is Quality.GOOD else last_good
        return begin

    def _after(
        self, rule: Rule, begin: int | None, position: int, last_good: Seen | None, present: bool
    ) -> int | None:
        """When it began, after one more reading of its channel."""
        item = self.past.items[position]
        assert isinstance(item, Seen)
        if begin is None:
            return self._counted(rule, position) if self._fresh(rule, item, present) else None
        if item.quality is not Quality.GOOD or (present and rule.bold):
            return begin
        void = self._void(rule, last_good, item, begin + self.length(rule, present))
        return self._counted(rule, position) if void else begin

    def _counted(self, rule: Rule, position: int) -> int:
        """The time that a reading counts at: when the rule was looked at with it."""
        return self.looks[rule.id][self.own[rule.id, position]][0]

    def length(self, rule: Rule, present: bool) -> int:
        if not present:
            return rule.off_delay
        within = rule.condition.within if isinstance(rule.condition, Discrepancy) else 0
        return rule.on_delay + within

    def _void(self, rule: Rule, last_good: Seen | None, good: Seen, deadline: int) -> bool:
        span = self.past.silent_after(rule)
        if span is None:
            return False
        if last_good is None:  # nothing good at the deadline, if that has gone by
            return deadline <= good.time
        return good.time - last_good.time > span

    def _stale(self, rule: Rule, good: Seen | None, now: int) -> bool:
        span = self.past.silent_after(rule)
        return span is not None and (good is None or now - good.time > span)

    def _fresh(self, rule: Rule, item: Seen, present: bool) -> bool:
        return item.quality is Quality.GOOD or (present and saturated(rule, item))

    def _first(self, rule: Rule, turned: Look, restarted: int) -> int | None:
        """When the delay began, if no reading is needed: since a start on-delays may do without."""
        if turned.upto > restarted:
            return turned.time
        started = [i.time for i in self.past.items[restarted + 1 :] if isinstance(i, Linked)]
        return started[0] if started and self.goes_on(rule) else None

    def _looks(self, rule: Rule) -> list[Look]:
        """Every look so far with what it showed; forgetting a silence counts as one.

        Looked up when it is asked again: what was seen and looked at does not change.
        """
        question = (rule.id, len(self.past.items), len(self.looks.get(rule.id, ())))
        if question not in self.asked:
            self.asked[question] = self._all_looks(rule)
        return self.asked[question]

    def _all_looks(self, rule: Rule) -> list[Look]:
        looks = self.looks.get(rule.id, [])
        made = [(time, upto, True, number) for number, (time, upto) in enumerate(looks)]
        items = self.past.items
        if isinstance(rule.condition, BadMeasurement):
            made += [
                (i.time, n + 1, False, -1) for n, i in enumerate(items) if self._forgets(rule, n)
            ]
        found: list[Look] = []
        was = False
        for time, upto, real, number in sorted(made, key=lambda m: m[1:]):
            was = real and self.past.shows(rule, was, time, upto)
            found.append(Look(time, upto, was, number))
        return found

    def _unbroken(self, looks: list[Look]) -> list[Look]:
        run: list[Look] = []
        for look in reversed(looks):
            if look.present is not looks[-1].present:
                break
            run.insert(0, look)
        return run

    def _forgets(self, rule: Rule, position: int) -> bool:
        """Silence counts from a start on, unless its alarm stands."""
        item = self.past.items[position]
        if position == 0 or not isinstance(item, Linked):
            return False
        return item.restart and not self.past.stood(rule.id, position)
