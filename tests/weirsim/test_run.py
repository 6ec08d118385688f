import json
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise

import pytest
from support.live_broker import Broker, Ear
from support.plants import START_US
from support.service import wait_for

from weirsim.faults import Fault
from weirsim.harbour_hall import NODES, SPEC, SUMP_NODE
from weirsim.instruments import channels
from weirsim.publish import LinkState, NodeLink
from weirsim.run import PlantRunner
from weirsim.snapshot import Snapshot
from weirwatch.clock import ScaledClock, scaled_clock
from weirwatch.domain.instant import Instant

TOPIC = "weirwatch/harbour-hall"


class HeldClock:
    """Stands until it is let go, then runs sixty times as fast as real time."""

    speed = 60.0

    def __init__(self) -> None:
        self._running: ScaledClock | None = None

    def let_go(self) -> None:
        self._running = scaled_clock(self.speed, START_US)

    def now(self) -> Instant:
        return Instant(START_US, 0) if self._running is None else self._running.now()


@contextmanager
def running(
    broker: Broker, faults: list[Fault], told: list[str] | None = None
) -> Iterator[PlantRunner]:
    """A plant whose nodes are all connected before its time begins: a minute is one second."""
    clock = HeldClock()
    tell = (told if told is not None else []).append
    runner = PlantRunner(
        SPEC, broker.address, "weirwatch", "harbour-hall", clock, faults, 1, log=tell
    )
    runner.start()
    try:
        wait_for(lambda: all(link.connected for link in runner.state().links))
        clock.let_go()
        yield runner
    finally:
        runner.stop()


def of_link(runner: PlantRunner, node: str) -> LinkState:
    return next(link for link in runner.state().links if link.node == node)


def said(ear: Ear, node: str) -> list[bool]:
    messages = ear.payloads(f"{TOPIC}/{node}/connection")
    return [json.loads(message)["connected"] for message in messages]


def times(ear: Ear, node: str) -> list[int]:
    return [json.loads(pack)[0]["bt"] for pack in ear.payloads(f"{TOPIC}/{node}/readings")]


@pytest.mark.broker
def test_a_power_cut_takes_the_mains_nodes_by_their_last_will(broker: Broker, ear: Ear) -> None:
    told: list[str] = []
    with running(broker, [Fault("mains-lost", 60.0, duration_s=120.0)], told) as runner:
        wait_for(lambda: said(ear, "sump-node") == [True, False, True])
        wait_for(lambda: said(ear, "hall-node") == [True, False, True])
        wait_for(lambda: len(times(ear, "sump-node")) > 20)
        assert runner.state().mains
    gap = max(b - a for a, b in pairwise(times(ear, "sump-node")))
    assert gap >= 120  # nobody took readings meanwhile
    power = [json.loads(m) for m in ear.payloads(f"{TOPIC}/power-node/connection")]
    assert [message["power"] for message in power[:3]] == ["mains", "battery", "mains"]
    assert said(ear, "power-node")[:3] == [True, True, True]
    battery = times(ear, "power-node")
    assert [b - a for a, b in pairwise(battery)] == [5] * (len(battery) - 1)
    will = json.loads(ear.payloads(f"{TOPIC}/sump-node/connection")[1])
    assert will == {"connected": False, "power": "mains"}
    assert "Fault begins: mains-lost" in told
    assert "sump-node: lost its power" in told


@pytest.mark.broker
def test_the_level_on_the_wire_shows_the_drain_back(broker: Broker, ear: Ear) -> None:
    with running(broker, [Fault("mains-lost", 30.0)]):
        wait_for(lambda: (times(ear, "power-node") or [0])[-1] >= START_US / 1e6 + 400)
    levels = []
    for pack in ear.payloads(f"{TOPIC}/power-node/readings"):
        record = next(r for r in json.loads(pack) if r["n"] == "sump-level")
        levels.append(record["v"])
    assert 297 <= levels[0] <= 303
    assert 328 <= levels[-1] <= 335


@pytest.mark.broker
def test_a_stop_says_goodbye_and_the_retained_word_is_false(broker: Broker, ear: Ear) -> None:
    with running(broker, []) as runner:
        wait_for(lambda: len(times(ear, "hall-node")) > 2)
        runner.stop()
        runner.stop()
    wait_for(lambda: said(ear, "hall-node") == [True, False])
    late = Ear(broker.address, "late")
    try:
        wait_for(lambda: len(late.heard) >= len(NODES))
        assert all(retained for _, _, retained in late.heard)
        assert {said(late, node.id)[0] for node in NODES} == {False}
    finally:
        late.close()


@pytest.mark.broker
def test_packs_of_a_broker_that_was_away_come_late_oldest_first(broker: Broker) -> None:
    first = Ear(broker.address)
    with running(broker, []) as runner:
        wait_for(lambda: len(times(first, "sump-node")) >= 5)
        first.close()
        broker.stop()
        wait_for(lambda: all(link.buffered > 12 for link in runner.state().links))
        assert not any(link.connected for link in runner.state().links)
        broker.start()
        second = Ear(broker.address)
        wait_for(lambda: len(times(second, "sump-node")) > 30)
        # The broker passes a pack on before its node has the acknowledgement.
        wait_for(lambda: of_link(runner, "sump-node").delivered >= 30)
        link = of_link(runner, "sump-node")
    second.close()
    assert link.dropped == 0
    heard = times(second, "sump-node")
    assert heard == sorted(set(heard))


@pytest.mark.broker
def test_a_node_without_network_keeps_its_packs(broker: Broker, ear: Ear) -> None:
    fault = Fault("node-offline", 30.0, duration_s=90.0, target="sump-node")
    with running(broker, [fault]) as runner:
        wait_for(lambda: said(ear, "sump-node") == [True, False, True])
        wait_for(lambda: runner.state().elapsed_s > 240.0)
    # What had no answer when the network went is sent again.
    heard = list(dict.fromkeys(times(ear, "sump-node")))
    assert [b - a for a, b in pairwise(heard)] == [5] * (len(heard) - 1)
    assert said(ear, "hall-node")[0] is True


@pytest.mark.broker
def test_a_full_buffer_drops_the_oldest_and_counts_them(broker: Broker, ear: Ear) -> None:
    link = NodeLink(SUMP_NODE, broker.address, "weirwatch", "harbour-hall", buffer_packs=3)
    for i in range(5):
        link.send(json.dumps([{"bt": i}]).encode())
    assert (link.state.buffered, link.state.dropped) == (3, 2)

    def delivered() -> bool:
        link.tend(True, False, "mains", START_US)
        return link.state.delivered == 3

    wait_for(delivered)
    link.close(START_US)
    wait_for(lambda: len(times(ear, "sump-node")) == 3)
    assert times(ear, "sump-node") == [2, 3, 4]


@pytest.mark.broker
def test_power_lost_takes_the_buffer_with_it_and_counts_it(broker: Broker) -> None:
    link = NodeLink(SUMP_NODE, broker.address, "weirwatch", "harbour-hall")
    link.send(b"[]")
    link.tend(True, True, "mains", START_US)  # runs, but without network
    link.tend(False, True, "mains", START_US)
    assert (link.state.powered, link.state.buffered, link.state.dropped) == (False, 0, 1)
    link.close(START_US)


def test_without_any_broker_the_plant_runs_and_its_nodes_keep_their_packs() -> None:
    clock = scaled_clock(60.0, START_US)
    runner = PlantRunner(SPEC, ("127.0.0.1", 1), "weirwatch", "harbour-hall", clock, log=print)
    runner.start()
    with pytest.raises(RuntimeError, match="runs already"):
        runner.start()
    wait_for(lambda: runner.state().elapsed_s >= 60.0)
    state = runner.state()
    runner.stop()
    assert {link.connected for link in state.links} == {False}
    assert all(link.buffered >= 10 for link in state.links)
    assert {link.buffered for link in runner.state().links} == {0}
    assert all(link.dropped >= 10 for link in runner.state().links)


def test_a_wrong_fault_is_told_before_anything_starts() -> None:
    clock = scaled_clock(1.0, START_US)
    with pytest.raises(ValueError, match="Did you mean 'floor-leak'"):
        PlantRunner(SPEC, ("127.0.0.1", 1), "r", "s", clock, [Fault("floor-leek")])


def test_stop_before_start_and_the_state_then() -> None:
    clock = scaled_clock(1.0, START_US + 1)
    runner = PlantRunner(SPEC, ("127.0.0.1", 1), "r", "hall-2", clock)
    runner.stop()
    state = runner.state()
    assert isinstance(state, Snapshot)
    assert state.time_us == START_US + 1_000_000  # whole seconds
    assert [vessel.id for vessel in state.vessels] == [v.id for v in SPEC.vessels]
    assert state.flows_l_h["return"] == pytest.approx(6000.0)
    assert state.faults == ()
    assert runner.skipped == 0


def test_the_system_of_the_run_names_the_channels() -> None:
    clock = scaled_clock(1.0, START_US)
    faults = [Fault("probe-silent", target="hall-2/sump-node/ph")]
    PlantRunner(SPEC, ("127.0.0.1", 1), "r", "hall-2", clock, faults)
    assert len(channels("hall-2", NODES)) == 36
