from dataclasses import replace

import pytest
from support.plants import START_US

from weirsim.equipment import Battery, lights_on, local_seconds
from weirsim.faults import Fault
from weirsim.harbour_hall import NODES, POWER_NODE, SPEC, SUMP_NODE
from weirsim.instruments import NodeSpec, ProbeSpec
from weirsim.model import Plant
from weirsim.nodes import Node
from weirsim.plant import DaySpec, PowerSpec
from weirsim.site import Site
from weirsim.truth import reader
from weirwatch.water.salinity import conductivity_mS_cm, practical_salinity


def test_a_pack_has_every_probe_in_order_and_the_plant_s_time() -> None:
    plant = Plant(SPEC, START_US)
    pack = Node(SUMP_NODE, plant, 1).sample()
    assert pack is not None
    assert pack.time_us == START_US
    assert [probe.name for probe, _ in pack.readings] == [p.name for p in SUMP_NODE.probes]


def test_a_node_on_the_mains_dies_with_them_and_one_on_a_battery_does_not() -> None:
    plant = Plant(SPEC, START_US, [Fault("mains-lost")], NODES)
    plant.step()
    wired, battery = Node(SUMP_NODE, plant, 1), Node(POWER_NODE, plant, 1)
    assert (wired.powered, battery.powered) == (False, True)
    assert wired.sample() is None
    assert battery.sample() is not None
    plant.battery.charge = 0.0
    assert battery.sample() is None


def test_a_node_that_comes_back_has_forgotten_its_lags() -> None:
    plant = Plant(SPEC, START_US, [Fault("mains-lost", 0.0, duration_s=3600.0)], NODES)
    probe = ProbeSpec("level", "level:sump", "level", lag_s=1e6)
    node = Node(NodeSpec("x", "mains", (probe,)), plant, 1)
    first = node.sample()
    while plant.elapsed_s < 3600.0:
        plant.step()
        node.sample()
    plant.step()
    second = node.sample()
    assert first is not None
    assert second is not None
    assert first.readings[0][1] == 300.0
    assert second.readings[0][1] > 310.0


def test_a_node_whose_probes_are_all_silent_sends_nothing() -> None:
    probe = ProbeSpec("level", "level:sump", "level")
    nodes = (NodeSpec("x", "mains", (probe,)),)
    plant = Plant(SPEC, START_US, [Fault("probe-silent")], nodes)
    plant.step()
    assert Node(nodes[0], plant, 1).sample() is None


def test_a_site_samples_every_node_at_its_own_interval() -> None:
    probe = ProbeSpec("level", "level:sump", "level")
    nodes = (NodeSpec("a", "mains", (probe,), 5.0), NodeSpec("b", "mains", (probe,), 7.5))
    site = Site(SPEC, nodes, START_US)
    seen = []
    while site.next_us <= START_US + 30_000_000:
        seen += [((p.time_us - START_US) / 1e6, p.node.id) for p in site.advance()]
    assert sorted(seen) == [
        (5.0, "a"),
        (7.5, "b"),
        (10.0, "a"),
        (15.0, "a"),
        (15.0, "b"),
        (20.0, "a"),
        (22.5, "b"),
        (25.0, "a"),
        (30.0, "a"),
        (30.0, "b"),
    ]


def test_a_node_without_interval_is_refused() -> None:
    with pytest.raises(ValueError, match="every_s = 0 must be above 0"):
        Site(SPEC, (replace(SUMP_NODE, every_s=0.0),), START_US)


@pytest.mark.parametrize("source", ["level:attic", "flow:attic", "temperature:", "rust", ""])
def test_what_cannot_be_measured_is_told_at_once(source: str) -> None:
    with pytest.raises(ValueError, match=r"no vessel|no branch|cannot measure"):
        reader(Plant(SPEC, START_US), source)


def test_conductivity_and_salinity_are_those_of_pss_78() -> None:
    plant = Plant(SPEC, START_US)
    conductivity = reader(plant, "conductivity:sump")()
    assert practical_salinity(conductivity, 25.5) == pytest.approx(35.0, abs=1e-6)
    assert reader(plant, "salinity:sump")() == pytest.approx(35.0)
    plant.works.sump.heat_j *= 2.0  # 51 °C: the probe stays at the end of the scale
    assert reader(plant, "conductivity:sump")() == conductivity_mS_cm(35.0, 35.0)


def test_plain_sources_read_the_plant() -> None:
    plant = Plant(SPEC, START_US)
    got = {name: reader(plant, name)() for name in ("mains", "floor-dry", "top-off", "battery")}
    assert got == {"mains": 1.0, "floor-dry": 1.0, "top-off": 0.0, "battery": 100.0}
    assert reader(plant, "temperature:reservoir")() == plant.room_degc
    assert reader(plant, "flow:north")() == pytest.approx(2580.9, abs=0.1)


def test_the_battery_runs_down_and_up_in_its_hours() -> None:
    battery = Battery(PowerSpec(battery_h=10.0, recharge_h=5.0))
    battery.step(mains=False, dt_s=5 * 3600.0)
    assert battery.charge == pytest.approx(0.5)
    assert 11.6 < battery.voltage_v < 12.8
    battery.step(mains=True, dt_s=1 * 3600.0)
    assert battery.charge == pytest.approx(0.7)
    battery.step(mains=True, dt_s=9 * 3600.0)
    assert battery.charge == 1.0
    assert battery.voltage_v == pytest.approx(13.6)
    battery.step(mains=False, dt_s=99 * 3600.0)
    assert battery.charge == 0.0
    assert battery.voltage_v == pytest.approx(11.6)


def test_the_lights_go_by_the_plant_s_own_clock() -> None:
    day = DaySpec(utc_offset_h=1.0, lights_on_h=9.0, lights_off_h=21.0)
    utc = [START_US + hour * 3_600_000_000 for hour in range(24)]
    lit = [hour for hour in range(24) if lights_on(day, local_seconds(day, utc[hour]))]
    assert lit == list(range(8, 20))
