"""The demo's plant against a configuration's own rules, in virtual time and without a broker."""

from collections.abc import Iterator, Sequence

from weirsim.faults import Fault
from weirsim.harbour_hall import NODES, SPEC
from weirsim.nodes import Pack
from weirsim.offline import START_US
from weirsim.site import Site
from weirwatch.domain.alarm import Event
from weirwatch.domain.book import make_ready
from weirwatch.domain.engine import (
    ConditionObserved,
    Stimulus,
    adopt,
    decide,
    decide_reading,
    due,
    start,
)
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.liveness import judge
from weirwatch.domain.reading import Reading
from weirwatch.domain.rule import RuleBook
from weirwatch.settings import Settings

_WILL_AFTER: Micros = 36 * SECOND  # 1.5 × a keepalive of 20 s + 6 s: the broker sends the last will


class Rehearsal:
    """The plant with its faults, and the engine that judges it."""

    def __init__(
        self, settings: Settings, faults: Sequence[Fault] = (), start_us: int = START_US
    ) -> None:
        self._book = make_ready(
            RuleBook(
                rules={rule.id: rule for rule in settings.rules},
                channels={channel.id: channel for channel in settings.channels},
                time_zone=settings.service.time_zone,
            )
        )
        self._site = Site(SPEC, NODES, start_us, faults, seed=1)
        self._state = start({}, {}, self._book, start_us, link_up=True)
        self._heard = dict.fromkeys((node.id for node in NODES), start_us)
        self._lost: set[str] = set()
        self._start_us = start_us

    def run(self, hours: float) -> Iterator[Event]:
        """Yield every event of the first hours."""
        while self._site.next_us <= self._start_us + round(hours * 3600 * SECOND):
            now = self._site.next_us
            for stimulus in due(self._state, self._book, now):
                yield from self._settle(stimulus)
            for pack in self._site.advance():
                if pack.node.id not in self._site.plant.upset.offline:
                    yield from self._take(pack, now)
            yield from self._look_for_nodes(now)

    def annunciated(self, hours: float) -> list[str]:
        """Return the rules that called for a person, in order of time."""
        return [event.rule for event in self.run(hours) if event.annunciated]

    def _take(self, pack: Pack, now: Micros) -> Iterator[Event]:
        self._heard[pack.node.id] = now
        for probe, value in pack.readings:
            channel = self._book.channels[pack.node.channel(SPEC.system, probe)]
            reading = judge(channel, Reading(channel.id, pack.time_us, value))
            decision = decide_reading(self._state, reading, now, self._book)
            adopt(self._state, decision, self._book)
            yield from decision.events

    def _look_for_nodes(self, now: Micros) -> Iterator[Event]:
        for node, last in self._heard.items():
            gone = now - last > _WILL_AFTER
            if gone != (node in self._lost):
                self._lost ^= {node}
                message = "the node's last will" if gone else None
                yield from self._settle(ConditionObserved(f"node-offline/{node}", message, now))

    def _settle(self, stimulus: Stimulus) -> Iterator[Event]:
        decision = decide(self._state, stimulus, self._book)
        adopt(self._state, decision, self._book)
        yield from decision.events
