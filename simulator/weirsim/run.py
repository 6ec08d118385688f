"""The live run: a thread that moves the plant along a clock and lets its nodes speak."""

import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from threading import Event, Lock, Thread
from typing import Protocol

from weirsim.faults import Fault
from weirsim.harbour_hall import NODES
from weirsim.instruments import NodeSpec
from weirsim.nodes import Node, Pack
from weirsim.plant import PlantSpec
from weirsim.publish import NodeLink
from weirsim.site import Site
from weirsim.snapshot import Snapshot, snapshot
from weirsim.wire import senml

log = logging.getLogger(__name__)

_LONGEST_WAIT_S = 0.1  # real: links are tended at least so often
_OLDEST_S = 3600.0  # virtual: after a pause of the machine nobody wants a night of packs at once


class Moment(Protocol):
    """One moment of a clock."""

    @property
    def utc(self) -> int:
        """Microseconds since the Unix epoch."""
        ...


class Clock(Protocol):
    """Service time, perhaps faster than real time."""

    @property
    def speed(self) -> float:
        """Virtual seconds per real second, above 0."""
        ...

    def now(self) -> Moment:
        """Return service time now."""
        ...


def _to_log(text: str) -> None:
    log.info("plant.told text=%r", text)


class PlantRunner:
    """A plant that lives on a clock and speaks over MQTT.

    Args:
        spec: the plant.
        address: host and port of the broker.
        root, system: first levels of the topics; `system` replaces the spec's own.
        clock: whose time the plant and its readings follow.
        faults: what goes wrong, in virtual seconds from `start`.
        seed: of the noise.
        log: told in a sentence what begins, ends, comes and goes; must not block.
        nodes: who measures.

    Raises:
        ValueError: a description, probe or fault that cannot work.
    """

    def __init__(
        self,
        spec: PlantSpec,
        address: tuple[str, int],
        root: str,
        system: str,
        clock: Clock,
        faults: Sequence[Fault] = (),
        seed: int = 0,
        log: Callable[[str], None] = _to_log,
        *,
        nodes: Sequence[NodeSpec] = NODES,
    ) -> None:
        self._spec = replace(spec, system=system)
        self._nodes = tuple(nodes)
        self._system = system
        self._clock = clock
        self._faults = tuple(faults)
        self._seed = seed
        self._tell = log
        self._links = {node.id: NodeLink(node, address, root, system) for node in nodes}
        self._site = self._new_site()
        self._told: tuple[str, ...] = ()
        self._skipped = 0
        self._lock = Lock()
        self._stop = Event()
        self._thread: Thread | None = None

    def start(self) -> None:
        """Start the plant now. The broker may come later.

        Raises:
            RuntimeError: started before.
        """
        if self._thread is not None:
            raise RuntimeError("the plant runs already: make a new one")
        self._site = self._new_site()
        self._thread = Thread(target=self._run, name="plant", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop the plant; its nodes say goodbye. Safe to call twice, or before `start`."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()

    def state(self) -> Snapshot:
        """Return the true state now, for drawing; callable from any thread."""
        with self._lock:
            return snapshot(self._site.plant, [link.state for link in self._links.values()])

    @property
    def skipped(self) -> int:
        """Packs never sent because the machine had paused for more than a virtual hour."""
        return self._skipped

    def _new_site(self) -> Site:
        start_us = -(-self._clock.now().utc // 1_000_000) * 1_000_000
        return Site(self._spec, self._nodes, start_us, self._faults, self._seed)

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                now_us = self._clock.now().utc
                ahead_s = (self._site.next_us - now_us) / 1e6
                if ahead_s <= 0.0:
                    self._move(now_us)
                for node in self._site.nodes:
                    self._tend(node, now_us)
                if ahead_s > 0.0:
                    self._stop.wait(min(_LONGEST_WAIT_S, ahead_s / self._clock.speed))
        except Exception:
            log.exception("plant.failed system=%s", self._system)
            self._tell("The plant has stopped: an error in the simulator, see the log")
        finally:
            now_us = self._clock.now().utc
            for link in self._links.values():
                link.close(now_us)

    def _move(self, now_us: int) -> None:
        with self._lock:
            packs = self._site.advance()
        self._tell_faults()
        doubling = self._site.plant.upset.doubling
        for pack in packs:
            if now_us - pack.time_us > _OLDEST_S * 1e6:
                self._skipped += 1
            else:
                self._send(pack)
                if pack.node.id in doubling:
                    self._send(pack)

    def _send(self, pack: Pack) -> None:
        self._links[pack.node.id].send(senml(self._system, pack))

    def _tend(self, node: Node, now_us: int) -> None:
        link = self._links[node.spec.id]
        was = link.state
        mains = self._site.plant.upset.mains
        supply = "mains" if mains else "battery"
        link.tend(node.powered, node.offline, supply, now_us)
        now = link.state
        if was.powered != now.powered:
            self._tell(f"{node.spec.id}: {'has power' if now.powered else 'lost its power'}")

    def _tell_faults(self) -> None:
        standing = self._site.plant.active_faults
        for fault_id in standing:
            if fault_id not in self._told:
                self._tell(f"Fault begins: {fault_id}")
        for fault_id in self._told:
            if fault_id not in standing:
                self._tell(f"Fault ends: {fault_id}")
        self._told = standing
