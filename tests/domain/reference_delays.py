"""The reference's on- and off-delays: when the running one began, from the whole list."""

from dataclasses import dataclass, field
from typing import NamedTuple

from domain.reference_past import Linked, Past, Seen, saturated

from weirwatch.domain.reading import Quality
from weirwatch.domain.rule import BadMeasurement, Discrepancy, Rule


class Look(NamedTuple):
    """The rule was looked at when the list had `upto` items; `present`: what it showed."""

    time: int
    upto: int
    present: bool


class Running(NamedTuple):
    """A delay that runs since `begin`; `present`: the on-delay."""

    begin: int
    present: bool


@dataclass
class Delays:
    """When each rule was looked at; everything else is asked of the past again and again."""

    past: Past
    looks: dict[str, list[tuple[int, int]]] = field(default_factory=dict)

    def look(self, rule: Rule, now: int) -> None:
        self.looks.setdefault(rule.id, []).append((now, len(self.past.items)))

    def present(self, rule: Rule) -> bool:
        """What the newest look showed."""
        looks = self._looks(rule)
        return bool(looks) and looks[-1].present

    def would_change(self, rule: Rule, now: int) -> bool:
        """Whether a look now would show something else."""
        was = self.present(rule)
        return self.past.shows(rule, was, now, len(self.past.items)) is not was

    def ends(self, rule: Rule, now: int) -> tuple[bool, bool] | None:
        """At a deadline: (present, measurement lost), or None: nothing ends, or it is void."""
        running = self.running(rule)
        if running is None or running.begin + self.length(rule, running.present) != now:
            return None
        if isinstance(rule.condition, BadMeasurement):
            return running.present, False
        assert rule.channel is not None
        newest = self.past.newest(rule.channel)
        stale = self._stale(rule, self.past.newest_good(rule.channel), now)
        if running.present and rule.bold:
            bad = newest is not None and newest.quality is Quality.BAD
            return True, stale or bad
        return None if stale else (running.present, False)

    def running(self, rule: Rule) -> Running | None:
        """The delay that runs: since its condition turned, or since what voided it."""
        looks = self._looks(rule)
        present = bool(looks) and looks[-1].present
        if not looks or present is self.past.stood(rule.id, len(self.past.items)):
            return None
        run = self._unbroken(looks)
        restarted = self._restarted()
        if isinstance(rule.condition, BadMeasurement):  # no gap voids it
            again = [look.time for look in run if look.upto > restarted]
            return Running(again[0], present) if again else None
        begin = self._first(rule, run[0], restarted)
        voids = not (present and rule.bold)
        last_good: Seen | None = None
        for position, item in enumerate(self.past.items):
            if not isinstance(item, Seen) or item.channel != rule.channel:
                continue
            counts = position >= max(run[0].upto, restarted)
            if counts and begin is None and self._fresh(rule, item, present):
                begin = item.time
            if item.quality is not Quality.GOOD:
                continue
            if counts and begin is not None and voids:
                deadline = begin + self.length(rule, present)
                void = self._void(rule, last_good, item, deadline)
                begin = item.time if void else begin
            last_good = item
        return None if begin is None else Running(begin, present)

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
        goes_on = turned.present and (rule.bold or self.past.contact(rule))
        started = [i.time for i in self.past.items[restarted + 1 :] if isinstance(i, Linked)]
        return started[0] if started and goes_on else None

    def _restarted(self) -> int:
        found = [n for n, i in enumerate(self.past.items) if isinstance(i, Linked) and i.restart]
        return found[-1] if found else -1

    def _looks(self, rule: Rule) -> list[Look]:
        """Every look so far with what it showed; forgetting a silence counts as one."""
        made = [(time, upto, True) for time, upto in self.looks.get(rule.id, [])]
        items = self.past.items
        made += [(i.time, n + 1, False) for n, i in enumerate(items) if self._forgets(rule, n)]
        found: list[Look] = []
        was = False
        for time, upto, real in sorted(made, key=lambda m: m[1:]):
            was = real and self.past.shows(rule, was, time, upto)
            found.append(Look(time, upto, was))
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
        item, condition = self.past.items[position], rule.condition
        if position == 0 or not isinstance(item, Linked):
            return False
        if not isinstance(condition, BadMeasurement) or self.past.stood(rule.id, position):
            return False
        return item.restart
