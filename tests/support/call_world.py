"""Alarms and their notices in virtual time on a real file: engine, group, journal, no threads."""

from pathlib import Path

from weirwatch.config import load
from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.book import make_ready
from weirwatch.domain.engine import (
    CommandGiven,
    ConditionObserved,
    Stimulus,
    adopt,
    decide,
    due,
    next_call,
    start,
)
from weirwatch.domain.instant import Micros, from_rfc3339, micros, seconds
from weirwatch.domain.operator import Command
from weirwatch.domain.rule import RuleBook
from weirwatch.pipeline.group import GroupBuilder
from weirwatch.pipeline.notices import NoticeWriter
from weirwatch.ports import Notice
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_journal import SqliteJournal

NOON: Micros = from_rfc3339("2026-05-01T12:00:00Z")
PEOPLE = """
[[system]]
id = "harbour-hall"
[[channel]]
id = "harbour-hall/sump-node/level"
quantity = "level"
unit = "mm"
[[recipient]]
id = "keeper"
kind = "console"
[[recipient]]
id = "neighbour"
kind = "console"
[[recipient]]
id = "record"
kind = "console"
"""
ROSTER = """
[[roster]]
id = "all-hours"
call = ["keeper", "neighbour"]
also = ["record"]
quiet = ["22:00", "07:00"]
"""


class CallWorld:
    """Built-in rules are raised and returned by hand; `notices` has all that was committed."""

    def __init__(self, folder: Path, text: str = PEOPLE + ROSTER, at: str = "") -> None:
        self.folder, self.text = folder, text
        config = folder / "weirwatch.toml"
        config.write_text(text)
        self.settings = load(config)
        self.now: Micros = from_rfc3339(at) if at else NOON
        self.begun = self.now
        self.notices: list[Notice] = []
        self.open()

    def open(self) -> None:
        """Start on the file, as after a stop or a kill."""
        self.journal = SqliteJournal(self.folder / FILE_NAME)
        kept = self.journal.restore()
        numbers = self.journal.adopt(self.settings.channels, self.settings.rules)
        rules = {rule.id: rule for rule in self.settings.rules}
        channels = {channel.id: channel for channel in self.settings.channels}
        self.book = make_ready(RuleBook(rules, channels, self.settings.service.time_zone))
        self.state = start(dict(kept.alarms), {}, self.book, self.now, link_up=True)
        self.builder = GroupBuilder(
            rules,
            numbers,
            self.state.alarms,
            NoticeWriter(self.settings, load_catalogue()),
            kept.next_seq,
            kept.calling,
        )

    def restart(self) -> None:
        """End without a word, and start again."""
        self.journal.close()
        self.open()

    def condition(self, rule: str, message: str | None) -> None:
        """A built-in rule's condition comes or goes."""
        self._decide(ConditionObserved(rule, message, self.now))
        self.commit()

    def command(
        self, name: str, rule: str, minutes: float | None = None, check_in: float | None = None
    ) -> None:
        """An operator's command."""
        given = Command(name, rule, "keeper", "seen", minutes, check_in)
        self._decide(CommandGiven(given, self.now))
        self.commit()

    def go(self, minutes: float) -> "CallWorld":
        """Let time pass, stopping at every deadline as the loop does."""
        end = self.now + micros(60 * minutes)
        while True:
            calls = [c for c in (next_call(self.state), self.builder.next_call()) if c is not None]
            self.now = min([max(self.now, min(calls, default=end)), end])
            for stimulus in due(self.state, self.book, self.now):
                self._decide(stimulus)
            self.builder.pass_calls(self.now)
            self.commit()
            if self.now >= end:
                return self

    def commit(self) -> None:
        """Make durable what there is; a second look at the group changes nothing."""
        if self.builder.empty:
            return
        before = self.builder.group(self.now).notices[:]
        group = self.builder.group(self.now)
        assert group.notices == before
        self.journal.commit(group)
        self.notices += group.notices
        self.builder.clear()

    def line(self) -> list[tuple[float, str, str]]:
        """(minute, what for, to whom) of every notice."""
        return [
            (seconds(n.created - self.begun) / 60, str(n.payload["why"]), n.recipient)
            for n in self.notices
        ]

    def _decide(self, stimulus: Stimulus) -> None:
        decision = decide(self.state, stimulus, self.book)
        adopt(self.state, decision, self.book)
        if decision.alarms or decision.events:
            self.builder.decision(decision)
