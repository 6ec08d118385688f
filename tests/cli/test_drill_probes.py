"""Which simulated probe feeds a configured channel, in plants that are not the demo's."""

from pathlib import Path

import pytest

from weirsim.harbour_hall import NODES
from weirsim.instruments import ProbeSpec
from weirwatch.cli.demo_plant import demo_config
from weirwatch.cli.drill_probes import nodes_for
from weirwatch.config import load
from weirwatch.domain.instant import SECOND
from weirwatch.domain.reading import Channel
from weirwatch.settings import PlantSettings


@pytest.fixture(scope="module")
def plant() -> PlantSettings:
    settings = load(demo_config())
    assert settings.plant is not None
    return settings.plant


def probe_of(plant: PlantSettings, channel: Channel) -> ProbeSpec | None:
    nodes, unfed = nodes_for(plant, [channel])
    assert bool(nodes) is not bool(unfed)
    return nodes[0].probes[0] if nodes else None


def test_the_demo_gets_exactly_its_own_nodes(plant: PlantSettings) -> None:
    settings = load(demo_config())
    computed = {derived.channel for derived in settings.derived}
    sent = [channel for channel in settings.channels if channel.id not in computed]
    assert nodes_for(plant, sent) == (NODES, ())


@pytest.mark.parametrize(
    ("name", "quantity", "unit", "vessel", "source"),
    [
        ("depth", "level", "mm", "south", "level:south"),
        ("t1", "temperature", "Cel", "refuge", "temperature:refuge"),
        ("room-t", "temperature", "Cel", "", "room-temperature"),
        ("salt", "conductivity", "mS/cm", "", "conductivity:sump"),
        ("flow-return", "flow", "L/h", "", "flow:return"),
        ("uv-loop", "flow", "L/h", "", "flow:uv"),
        ("acid", "ph", "pH", "sump", "ph:sump"),
        ("heaters", "power", "W", "", "heater-power"),
        ("charge", "charge", "%EL", "", "battery"),
        ("mains-sense", "switch", "", "", "mains"),
        ("kitchen-dry", "switch", "", "", "floor-dry"),
        ("lights-a", "switch", "", "", "lights"),
    ],
)
def test_a_channel_is_fed_by_what_its_name_and_vessel_say(
    plant: PlantSettings, name: str, quantity: str, unit: str, vessel: str, source: str
) -> None:
    channel = Channel(f"harbour-hall/box/{name}", quantity, unit, vessel=vessel)
    probe = probe_of(plant, channel)
    assert probe is not None
    assert probe.source == source


@pytest.mark.parametrize(
    ("ident", "quantity", "unit", "vessel"),
    [
        ("harbour-hall/box/orp", "orp", "mV", "sump"),
        ("harbour-hall/box/depth", "level", "in", "south"),  # not the simulator's unit
        ("harbour-hall/box/depth", "level", "mm", "nowhere"),
        ("harbour-hall/box/door", "switch", "", ""),
        ("other-hall/box/t1", "temperature", "Cel", "north"),  # not this plant
    ],
)
def test_what_the_plant_cannot_feed_is_listed(
    plant: PlantSettings, ident: str, quantity: str, unit: str, vessel: str
) -> None:
    channel = Channel(ident, quantity, unit, vessel=vessel)
    assert nodes_for(plant, [channel]) == ((), (ident,))


def test_a_node_with_a_mains_sense_has_a_battery_and_samples_as_expected(
    plant: PlantSettings,
) -> None:
    channels = [
        Channel("harbour-hall/a/mains", "switch"),
        Channel("harbour-hall/b/depth", "level", "mm", 20 * SECOND, 60 * SECOND, vessel="sump"),
    ]
    (a, b), _ = nodes_for(plant, channels)
    assert (a.power, a.every_s) == ("battery", 5.0)
    assert (b.power, b.every_s) == ("mains", 20.0)


def test_a_plant_of_ones_own_can_be_drilled(tmp_path: Path) -> None:
    from weirwatch.cli.drill_run import Job, run_all

    text = demo_config().read_text().replace("hall-node/north-level", "hall-node/depth")
    file = tmp_path / "own.toml"
    file.write_text(text)
    ((_, result),) = run_all(load(file), [Job("overflow-blocked", 0, 1)], 1)
    assert getattr(result, "verdict", None) == "detected"
