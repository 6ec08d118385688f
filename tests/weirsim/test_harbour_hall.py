"""The demo plant, its channel table and its configuration say the same."""

from dataclasses import replace
from pathlib import Path

import pytest
from support.plants import START_US

from weirsim.circuit import Circuit
from weirsim.harbour_hall import NODES, SPEC
from weirsim.instruments import channels
from weirsim.offline import simulate
from weirwatch.cli.plant_spec import to_plant_spec
from weirwatch.config import load
from weirwatch.water.hydraulics import spare_margin_l

ROOT = Path(__file__).parents[2]
TABLE = ROOT / "docs" / "demo-channels.md"


def rows() -> dict[str, list[str]]:
    """Return the cells of each row of the table by channel id."""
    node, found = "", {}
    for line in TABLE.read_text(encoding="utf-8").splitlines():
        if line.startswith("## "):
            node = line[3:].split(" ", 1)[0]
        elif line.startswith("| ") and not line.startswith("| name"):
            cells = [cell.strip() for cell in line.strip("|").split("|")]
            found[f"harbour-hall/{node}/{cells[0]}"] = cells
    return found


def test_the_table_lists_every_channel_as_it_is_sent() -> None:
    table = rows()
    sent = {node.channel("harbour-hall", p): (node, p) for node in NODES for p in node.probes}
    assert list(table) == list(sent)
    for channel, (node, probe) in sent.items():
        _, quantity, unit, _, noise, resolution, valid, vessel = table[channel]
        assert (quantity, unit, vessel) == (probe.quantity, probe.unit, probe.vessel)
        assert float(noise or 0.0) == probe.noise
        assert float(resolution or 0.0) == probe.resolution
        ends = tuple(float(end) for end in valid.split(" to ")) if valid else None
        assert ends == probe.valid
        assert node.every_s == 5.0


def test_the_configuration_of_the_demo_has_the_same_plant_and_channels() -> None:
    settings = load(ROOT / "deploy" / "harbour-hall.toml")
    assert settings.plant is not None
    assert to_plant_spec(settings.plant) == SPEC
    computed = {derived.channel for derived in settings.derived}
    configured = {c.id: c for c in settings.channels if c.id not in computed}
    sent = channels("harbour-hall", NODES)
    assert set(configured) == set(sent)
    for channel_id, probe in sent.items():
        channel = configured[channel_id]
        assert (channel.quantity, channel.unit) == (probe.quantity, probe.unit)
        assert (channel.valid, channel.vessel) == (probe.valid, probe.vessel)


def test_a_calm_day_stays_within_the_table() -> None:
    table = rows()
    wanted: dict[str, tuple[float, float]] = {}
    for channel, cells in table.items():
        bottom, to, top = cells[3].partition(" to ")
        if to and top.split(",")[0].replace(".", "").isdigit():
            wanted[channel] = float(bottom), float(top.split(",")[0])
    assert len(wanted) >= 8
    nodes = [replace(node, every_s=60.0) for node in NODES]
    for time_us, channel, value in simulate(SPEC, 26 * 3600.0, seed=5, nodes=nodes):
        if channel in wanted and time_us > START_US + 2 * 3_600_000_000:
            low, high = wanted[channel]
            slack = 4.0 * float(table[channel][4] or 0.0) + float(table[channel][5] or 0.0)
            assert low - slack <= value <= high + slack, channel


def test_the_facts_of_the_hall() -> None:
    volumes = {vessel.id: vessel.volume_l for vessel in SPEC.vessels}
    assert volumes == {
        "north": 1400.0,
        "south": 900.0,
        "refuge": 260.0,
        "sump": 420.0,
        "reservoir": 120.0,
    }
    assert SPEC.sump.working_l == 300.0
    assert SPEC.pump.flow_l_h == 6000.0
    assert sum(vessel.area_m2 for vessel in SPEC.displays) == pytest.approx(2.0)
    assert [heater.power_w for heater in SPEC.heaters] == [300.0, 300.0]


def test_the_spare_volume_takes_the_drain_back_but_no_siphon() -> None:
    circuit = Circuit(SPEC)
    circuit.solve(0.0)
    heads_l = 9.221 * 1.2 + 9.284 * 0.8 + 5.632 * 0.5  # heads of Francis, see test_waterworks
    calm = spare_margin_l(420.0, 300.0, heads_l, 1000.0 * circuit.riser_m3)
    assert calm > 80.0
    for name in ("north", "south"):
        vessel = SPEC.vessel(name)
        siphoned = 1000.0 * vessel.outlet_below_crest_m * vessel.area_m2
        assert (calm - siphoned < 0.0) is (name == "north")  # both together in any case
