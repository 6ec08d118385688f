"""One rehearsal: the plant with its faults in virtual time, and what the broker would deliver."""

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from weirsim.acts import Deed
from weirsim.faults import Fault, fault_kind
from weirsim.harm import Harm
from weirsim.harm_watch import HarmWatch
from weirsim.instruments import NodeSpec
from weirsim.model import DEFAULT_STEP_S, Plant
from weirsim.nodes import Node, Pack
from weirsim.plant import PlantSpec
from weirsim.recorded import Track
from weirsim.site import Site
from weirsim.wire import connection, connection_topic, readings_topic, senml

WILL_AFTER_US = 36_000_000  # 1.5 × a keepalive of 20 s + 6 s: the broker sends the last will
_BUFFER_PACKS = 720  # what a node keeps while it cannot send, as the live nodes do
_COARSE_STEP_S = 30.0
_MOST_TAKEN = 0.25
_SETTLES_S = 300.0  # until flows and levels are what a repair has made of them


class Beat(NamedTuple):
    """One moment of a rehearsal.

    Attributes:
        time_us: plant time, microseconds since the Unix epoch.
        link_up: whether the service has its broker.
        messages: (topic, payload), in the order of arrival.
    """

    time_us: int
    link_up: bool
    messages: list[tuple[str, bytes]]


@dataclass(frozen=True, slots=True)
class Play:
    """What is rehearsed.

    Attributes:
        says: what happens, in a sentence with the drawn values.
        spec, nodes: the plant and who measures it.
        start_us, begins_us, until_us: start, when the failure begins, and the end.
        faults: counted from the start.
        meters: harm to look for.
        seed: of the probes' noise.
        every_s: sampling interval of all nodes; None: their own.
        reservoir_share: contents of the reservoir at the start; None: full.
        deeds, broker_away: see `weirsim.acts.Doings`.
        tracks: recordings of the nodes' recorded probes, by channel id.
    """

    says: str
    spec: PlantSpec
    nodes: tuple[NodeSpec, ...]
    start_us: int
    begins_us: int
    until_us: int
    faults: tuple[Fault, ...] = ()
    meters: tuple[str, ...] = ()
    seed: int = 0
    every_s: float | None = None
    reservoir_share: float | None = None
    deeds: tuple[tuple[float, Deed], ...] = ()
    broker_away: tuple[tuple[float, float], ...] = ()
    tracks: Mapping[str, Track] = field(default_factory=dict)


def coarse_step_s(spec: PlantSpec) -> float:
    """Return the step of a play of hours or weeks.

    Half a minute, or less where the pump would take more than a quarter of what a small sump holds
    above its intake before any of it has come back: it would seem to draw air.
    """
    holds_l = (spec.sump.working_l or 0.0) - 1000.0 * spec.pump.intake_m * spec.sump.area_m2
    takes_s = 3600.0 * holds_l / spec.pump.flow_l_h
    return min(_COARSE_STEP_S, max(DEFAULT_STEP_S, _MOST_TAKEN * takes_s))


class Rehearsal:
    """A play under way.

    Args:
        play: what is rehearsed.
        root: first level of the topics.

    Attributes:
        watch: looks for the play's kinds of harm.

    Raises:
        ValueError: a plant, probe or fault that cannot work.
    """

    def __init__(self, play: Play, root: str) -> None:
        self.play = play
        coarse = play.every_s is not None
        nodes = [replace(n, every_s=play.every_s or n.every_s) for n in play.nodes]
        step_s = coarse_step_s(play.spec) if coarse else DEFAULT_STEP_S
        self._site = Site(
            play.spec, nodes, play.start_us, play.faults, play.seed, step_s, play.tracks
        )
        if play.reservoir_share is not None:
            for vessel in self._site.plant.works.vessels.values():
                if vessel.spec.role == "reservoir":
                    vessel.volume_m3 *= play.reservoir_share
        self.watch = HarmWatch(self._site.plant, play.meters)
        system = play.spec.system
        self._voices = {node.spec.id: _Voice(node, root, system) for node in self._site.nodes}
        self._deeds = deque(play.deeds)

    @property
    def plant(self) -> Plant:
        """The plant itself, for whoever wants its true state."""
        return self._site.plant

    @property
    def harm(self) -> Harm | None:
        """The first harm that has begun or is coming, since the failure began."""
        return self.watch.harm

    @property
    def settled_us(self) -> int:
        """When the last of the faults has begun or ended: a coming harm is certain from then on."""
        ends = [
            fault.at_s
            + (
                fault_kind(fault.id).lasts_s or 0.0
                if fault.duration_s is None
                else fault.duration_s
            )
            for fault in self.play.faults
        ]
        return self.play.start_us + round((max(ends, default=0.0) + _SETTLES_S) * 1e6)

    def beats(self) -> Iterator[Beat]:
        """Yield one moment after another until the end; harm is looked for along the way."""
        site, play = self._site, self.play
        begun = False
        while site.next_us <= play.until_us:
            if not begun and site.next_us >= play.begins_us:
                self.watch.begin()
                begun = True
            self._do_deeds(site.next_us)
            packs = {pack.node.id: pack for pack in site.advance()}
            now = site.plant.time_us
            if now >= play.begins_us:
                self.watch.look()
            up = not _within(play.broker_away, (now - play.start_us) / 1e6)
            messages: list[tuple[str, bytes]] = []
            for node, voice in self._voices.items():
                messages += voice.say(packs.get(node), now, up)
            yield Beat(now, up, messages)

    def _do_deeds(self, until_us: int) -> None:
        while self._deeds and self._deeds[0][0] * 1e6 + self.play.start_us <= until_us:
            self._deeds.popleft()[1](self._site.plant)


class _Voice:
    """What of one node reaches the service: packs at once or late, and its last will."""

    def __init__(self, node: Node, root: str, system: str) -> None:
        self._node = node
        self._system = system
        self._readings = readings_topic(root, system, node.spec.id)
        self._connection = connection_topic(root, system, node.spec.id)
        self._kept: deque[Pack] = deque(maxlen=_BUFFER_PACKS)
        self._gone_since: int | None = None
        self._connected = False
        self._willed = False

    def say(self, pack: Pack | None, now: int, broker_up: bool) -> Iterator[tuple[str, bytes]]:
        node = self._node
        if not node.powered:
            self._kept.clear()
        elif pack is not None:
            self._kept.append(pack)
        if not node.powered or node.offline:
            yield from self._vanish(now, broker_up)
        elif broker_up:
            yield from self._speak(now)

    def _vanish(self, now: int, broker_up: bool) -> Iterator[tuple[str, bytes]]:
        self._connected = False
        if self._gone_since is None:
            self._gone_since = now
        if broker_up and not self._willed and now - self._gone_since >= WILL_AFTER_US:
            self._willed = True
            yield self._connection, connection(False, self._node.spec.power)

    def _speak(self, now: int) -> Iterator[tuple[str, bytes]]:
        if not self._connected:
            self._connected, self._willed, self._gone_since = True, False, None
            yield self._connection, connection(True, self._node.spec.power, now)
        while self._kept:
            message = self._readings, senml(self._system, self._kept.popleft())
            yield message
            if self._node.doubles:
                yield message


def _within(spans: Sequence[tuple[float, float]], seconds: float) -> bool:
    return any(begin <= seconds < end for begin, end in spans)
