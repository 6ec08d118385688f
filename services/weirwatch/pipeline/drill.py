"""One drill: the service's own loop, decoder and journal on a simulated plant, in virtual time.

What is left out of the real service is the broker, the threads and the outbox's delivery: messages
enter the inbox as the transport would put them there, and notices are counted once committed.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

from weirwatch.domain.alarm import Event
from weirwatch.domain.book import Book, make_ready
from weirwatch.domain.engine import next_call, start
from weirwatch.domain.instant import SECOND, Instant, Micros
from weirwatch.domain.rule import Rule, RuleBook
from weirwatch.domain.state import EngineState
from weirwatch.pipeline.counters import Counters
from weirwatch.pipeline.derive import Deriver
from weirwatch.pipeline.group import GroupBuilder, Writer
from weirwatch.pipeline.inbox import Inbox, LinkRequest
from weirwatch.pipeline.loop import Loop, LoopParts
from weirwatch.pipeline.plant_source import HarmBegins, Moment, Play
from weirwatch.pipeline.timekeeper import Timekeeper
from weirwatch.ports import Decoded, Decoder, Group, Journal, Notice, WireMessage
from weirwatch.settings import Settings

AFTERMATH: Micros = 600 * SECOND  # played on once both the alarm and the harm are known
_COMMIT_EVERY: Micros = 3600 * SECOND
_COMMIT_UNACKED = 2000  # plain readings only; an alarm commits at once, as in the service


@dataclass(frozen=True, slots=True)
class DrillParts:
    """What a drill joins; made anew for each play.

    Attributes:
        settings: the keeper's own, with channels as coarse as the play (`coarser`).
        decoder: for the wire.
        journal: a new, empty one.
        writer: words the notices.
        offline_rules: node (`system/node`) → id of its node-offline rule.
        plotted: channels whose readings are kept.
    """

    settings: Settings
    decoder: Decoder
    journal: Journal
    writer: Writer
    offline_rules: Mapping[str, str]
    plotted: frozenset[str] = frozenset()


@dataclass(slots=True)
class Outcome:
    """What came of one play.

    Attributes:
        says: what happened, in a sentence.
        began: when the failure began; `ended`: when the play ended; both in plant time.
        events: everything the journal has of alarms, in order.
        notices: to all recipients.
        harm: the first one, or None.
        quarantined: payloads that could not be used: a mistake in channels or simulator.
        readings: how many were judged.
        curves: channel → (time, value), for the channels wanted.
    """

    says: str
    start: Micros
    began: Micros
    ended: Micros
    events: list[Event] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    harm: HarmBegins | None = None
    quarantined: int = 0
    readings: int = 0
    curves: dict[str, list[tuple[Micros, float]]] = field(default_factory=dict)


class VirtualClock:
    """Implements `ports.Clock` for a drill: it stands until it is set."""

    def __init__(self, utc: Micros) -> None:
        self.utc = utc
        self.speed = 1.0

    def now(self) -> Instant:
        """Return the time that it was set to."""
        return Instant(self.utc, self.utc)

    def real_mono(self) -> Micros:
        """Return the same: nothing in a drill waits in real time."""
        return self.utc


class Drill:
    """A play and the service that watches it.

    Args:
        parts: what it joins.
        play: what happens.
        wanted: rules that count as having detected the failure; once one of them is annunciated
            and the harm is certain, the play ends after `AFTERMATH`. Empty: played to its end.
    """

    def __init__(self, parts: DrillParts, play: Play, wanted: frozenset[str]) -> None:
        self._play = play
        self._wanted = wanted
        self._outcome = Outcome(play.says, play.start, play.begins, play.start)
        self._clock = VirtualClock(play.start)
        self._inbox = Inbox()
        self._counters = Counters()
        self._detected: Micros | None = None
        self._link: bool | None = None
        settings = parts.settings
        book = _book(settings)
        self._state = start({}, {}, book, play.start, link_up=False)
        self._loop = Loop(self._loop_parts(parts, book, self._state))

    def run(self) -> Outcome:
        """Play it and return what came of it."""
        outcome = self._outcome
        for moment in self._play.moments():
            self._pass(moment.time)
            self._take(moment)
            outcome.ended = moment.time
            if self._enough(moment.time):
                break
        self._loop.stop()
        self._loop.run()  # commits what is left and returns
        outcome.harm = self._play.harm
        outcome.readings = self._counters.readings
        return outcome

    def _pass(self, until: Micros) -> None:
        """Let every deadline before `until` come due at its own time."""
        before: Micros | None = None
        while (call := next_call(self._state)) is not None and call < until and call != before:
            before = call
            self._clock.utc = max(self._clock.utc, call)
            self._loop.turn_once()

    def _take(self, moment: Moment) -> None:
        self._clock.utc = moment.time
        if moment.link_up is not self._link:
            self._link = moment.link_up
            self._inbox.put(LinkRequest(moment.link_up))
        for topic, payload in moment.messages:
            self._inbox.put(WireMessage(1, 0, 1, topic, payload, moment.time, retained=False))
        self._loop.turn_once()
        while len(self._inbox):
            self._loop.turn_once()

    def _enough(self, now: Micros) -> bool:
        harm = self._play.harm
        if self._detected is None or harm is None:
            return False
        certain = harm.at <= now or now >= self._play.settled
        return certain and now >= self._detected + AFTERMATH

    def _committed(self, group: Group) -> None:
        outcome = self._outcome
        outcome.quarantined += len(group.quarantined)
        outcome.notices += group.notices
        for _, event in group.events:
            outcome.events.append(event)
            if self._detected is None and event.annunciated and event.rule in self._wanted:
                self._detected = event.time if event.time >= self._play.begins else None

    def _loop_parts(self, parts: DrillParts, book: Book, state: EngineState) -> LoopParts:
        settings = parts.settings
        numbers = parts.journal.adopt(settings.channels, settings.rules)
        rules = {rule.id: rule for rule in settings.rules}
        decoder: Decoder = parts.decoder
        if parts.plotted:
            decoder = _Plotter(decoder, parts.plotted, self._outcome.curves)
        return LoopParts(
            book=book,
            state=state,
            journal=parts.journal,
            decoder=decoder,
            transport=_NoTransport(),
            clock=self._clock,
            timekeeper=Timekeeper(self._clock, None),
            builder=GroupBuilder(rules, numbers, state.alarms, parts.writer, 1),
            inbox=self._inbox,
            counters=self._counters,
            offline_rules=parts.offline_rules,
            nodes={},
            commit_every=_COMMIT_EVERY,
            commit_unacked=_COMMIT_UNACKED,
            told=self._committed,
            deriver=Deriver(settings.derived, settings.channels) if settings.derived else None,
        )


def detecting_rules(rules: Sequence[Rule], failures: frozenset[str]) -> frozenset[str]:
    """Return the ids of the rules that tell one of these failures."""
    return frozenset(rule.id for rule in rules if rule.failure in failures)


class _NoTransport:
    """Implements `ports.Transport`: there is no broker in a drill."""

    def start(self) -> None:
        """Do nothing."""

    def ack(self, messages: Sequence[WireMessage]) -> None:
        """Do nothing."""

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Do nothing: a drill is nobody else's business."""

    def state(self) -> str:
        """Return that this is a drill."""
        return "a drill has no broker"

    def close(self) -> None:
        """Do nothing."""

    def counters(self) -> Mapping[str, int]:
        """Return no counts."""
        return {}


class _Plotter:
    """A decoder that keeps the readings of some channels on the way."""

    def __init__(
        self,
        decoder: Decoder,
        channels: frozenset[str],
        curves: dict[str, list[tuple[Micros, float]]],
    ) -> None:
        self._decoder = decoder
        self._curves = curves
        self._channels = channels
        self.trust_clock = True

    def decode(self, message: WireMessage, now: Micros) -> Decoded:
        self._decoder.trust_clock = self.trust_clock
        decoded = self._decoder.decode(message, now)
        for reading in decoded.readings:
            if reading.channel in self._channels:
                self._curves.setdefault(reading.channel, []).append((reading.time, reading.value))
        return decoded


def _book(settings: Settings) -> Book:
    rules = {rule.id: rule for rule in settings.rules}
    channels = {channel.id: channel for channel in settings.channels}
    return make_ready(RuleBook(rules, channels, settings.service.time_zone))


def not_expected(settings: Settings, absent: Collection[str]) -> Settings:
    """Return settings in which nobody waits for channels that a play does not send.

    Nor for those that are computed from them.
    """
    silent = set(absent)
    waiting = list(settings.derived)
    while found := [d for d in waiting if not silent.isdisjoint(d.inputs.values())]:
        silent |= {derived.channel for derived in found}
        waiting = [derived for derived in waiting if derived not in found]
    channels = tuple(
        replace(channel, expected_every=None, silent_after=None)
        if channel.id in silent
        else channel
        for channel in settings.channels
    )
    return replace(settings, channels=channels)


def coarser(settings: Settings, every: Micros | None) -> Settings:
    """Return settings whose channels expect readings no more often than a slow play sends them.

    Only `expected_every` and `silent_after` grow; every rule stays as the keeper wrote it.
    """
    if every is None:
        return settings
    channels = tuple(
        replace(channel, expected_every=every, silent_after=3 * every)
        if channel.expected_every is not None and channel.expected_every < every
        else channel
        for channel in settings.channels
    )
    return replace(settings, channels=channels)
