"""Which simulated probe feeds a configured channel, in plants that are not the demo's."""

from dataclasses import replace
from pathlib import Path

import pytest

from weirsim.faults import Fault
from weirsim.harbour_hall import NODES
from weirsim.instruments import ProbeSpec
from weirwatch.cli.demo_plant import demo_config, make_plant
from weirwatch.cli.drill_plant import SimulatedPlant
from weirwatch.cli.drill_probes import nodes_for
from weirwatch.cli.drill_run import Job, Rehearsals, run_all
from weirwatch.cli.drill_view import Bill
from weirwatch.clock import scaled_clock
from weirwatch.config import load
from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND
from weirwatch.domain.reading import Channel
from weirwatch.pipeline.drill_result import RunResult
from weirwatch.settings import LoopSettings, PlantSettings


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
        ("brine", "salinity", "psu", "", "salinity:sump"),
        ("acid", "ph", "", "", "ph:sump"),
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
        ("harbour-hall/box/depth", "level", "/100", "south"),  # of what?
        ("harbour-hall/box/acid", "ph", "pH", "reservoir"),  # fresh water is not followed
        ("harbour-hall/box/grammes", "salinity", "/1000", "sump"),  # not that of PSS-78
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
    text = demo_config().read_text().replace("hall-node/north-level", "hall-node/depth")
    file = tmp_path / "own.toml"
    file.write_text(text)
    ((_, result),) = run_all(load(file), [Job("overflow-blocked", 0, 1)], 1)
    assert getattr(result, "verdict", None) == "detected"


@pytest.mark.parametrize(
    ("quantity", "unit", "valid", "resolution", "reads", "within"),
    [
        ("temperature", "degF", (40.0, 110.0), 0.1, 1.8 * 25.5 + 32.0, 0.3),
        ("level", "cm", (0.0, 60.0), 0.1, 30.0, 0.3),
        ("level", "in", (0.0, 24.0), 0.01, 30.0 / 2.54, 0.1),
        ("flow", "m3/h", (0.0, 9.0), 0.01, 6.0, 0.1),
        ("flow", "L/min", (0.0, 150.0), 0.1, 100.0, 2.0),
        ("salinity", "psu", (0.0, 45.0), 0.01, 35.0, 0.1),
        ("ph", "", (0.0, 14.0), 0.01, 8.0, 0.25),
    ],
)
def test_a_channel_in_another_unit_is_fed_in_its_own(
    tmp_path: Path,
    quantity: str,
    unit: str,
    valid: tuple[float, float],
    resolution: float,
    reads: float,
    within: float,
) -> None:
    name = "return" if quantity == "flow" else "probe"
    lines = [
        "\n\n[[channel]]",
        f'id = "harbour-hall/box/{name}"',
        f'quantity = "{quantity}"',
        'vessel = "sump"' if quantity != "flow" else "",
        f'unit = "{unit}"' if unit else "",
        f"valid = {list(valid)}",
        f"resolution = {resolution}",
    ]
    file = tmp_path / "own.toml"
    file.write_text(demo_config().read_text() + "\n".join(lines))
    settings = load(file)
    rehearsals = Rehearsals(settings)
    channel = f"harbour-hall/box/{name}"
    play = SimulatedPlant(settings).ordinary(0.05, 0, 1, every_s=60.0)
    outcome = rehearsals.watch(play, frozenset(), frozenset({channel}))
    values = [value for _, value in outcome.curves[channel]]
    assert outcome.quarantined == 0
    assert len(values) > 50
    assert all(abs(value - reads) < within for value in values[10:])


def test_a_node_named_as_the_demo_s_is_not_taken_for_it(plant: PlantSettings) -> None:
    """Its sump may have another name, and its probe another range."""
    pit = replace(next(v for v in plant.vessels if v.role == "sump"), id="pit")
    own = replace(plant, vessels=(*(v for v in plant.vessels if v.role != "sump"), pit))
    level = Channel("harbour-hall/sump-node/level", "level", "mm", vessel="pit", valid=(0.0, 900.0))
    probe = probe_of(own, level)
    assert probe is not None
    assert (probe.source, probe.valid) == ("level:pit", (0.0, 900.0))


@pytest.mark.parametrize(
    ("name", "source"),
    [("rueckfluss", None), ("flow-r", "flow:r"), ("return", "flow:return"), ("r1", None)],
)
def test_a_loop_of_one_letter_is_named_by_a_word_of_its_own(
    plant: PlantSettings, name: str, source: str | None
) -> None:
    own = replace(plant, loops=(LoopSettings("r", "R", "sump", 300.0),))
    probe = probe_of(own, Channel(f"harbour-hall/box/{name}", "flow", "L/h"))
    assert (None if probe is None else probe.source) == source


def test_the_demo_of_a_plant_of_ones_own_speaks_for_its_own_nodes(tmp_path: Path) -> None:
    """It spoke for Harbour Hall's, and ended where a sump had another name."""
    text = demo_config().read_text().replace("power-node/", "cellar/").replace('"sump"', '"pit"')
    file = tmp_path / "own.toml"
    file.write_text(text.replace('role = "pit"', 'role = "sump"'))
    clock = scaled_clock(60.0, 0)
    runner = make_plant(
        load(file), ("127.0.0.1", 1), clock, [Fault("probe-silent", target="cellar/mains")]
    )
    assert [link.node for link in runner.state().links] == ["sump-node", "hall-node", "cellar"]


def test_the_silence_of_what_nothing_feeds_is_no_alarm(tmp_path: Path) -> None:
    """Neither its own, nor that of a channel computed from it."""
    channel = """

[[channel]]
id = "harbour-hall/box/orp"
quantity = "orp"
unit = "mV"
expected_every_s = 5

[[rule]]
id = "orp-silent"
from_catalogue = "probe-silent"
channel = "harbour-hall/box/orp"
priority = "high"
"""
    file = tmp_path / "own.toml"
    file.write_text(demo_config().read_text() + channel)
    ((_, result),) = run_all(load(file), [Job("floor-leak", 0, 1)], 1)
    assert isinstance(result, RunResult)
    assert result.false_alarms == ()
    assert "orp-silent" not in result.other_alarms


def test_a_plant_on_which_no_channel_measures_anything_is_refused(tmp_path: Path) -> None:
    text = demo_config().with_name("starter.toml").read_text().replace('vessel = "sump"\n', "")
    whole = demo_config().read_text()
    plant = whole[whole.index("[plant]") : whole.index("# --- the channels")]
    plant = "\n".join(line for line in plant.splitlines() if not line.startswith("level_channel"))
    file = tmp_path / "own.toml"
    for name in ("level", "temperature", "floor-dry"):
        text = text.replace(f"sump-node/{name}", f"sump-node/x{name[0]}")
    file.write_text(text + plant)
    with pytest.raises(ConfigError, match="no channel measures anything of the simulated plant"):
        Bill.of(load(file), load_catalogue(), ["all"])
