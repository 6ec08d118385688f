"""Recorded readings played again: as they were, at their own times, with faults on top."""

import json
from dataclasses import replace

import pytest

from weirsim.faults import Fault
from weirsim.harbour_hall import NODES, SPEC
from weirsim.instruments import NodeSpec, ProbeSpec
from weirsim.recorded import RECORDED, Track
from weirsim.rehearsal import Rehearsal
from weirsim.stage import START_US
from weirsim.timeline import Timeline, timeline_play

LEVEL, PH = "harbour-hall/sump-node/level", "harbour-hall/sump-node/ph"
NODE = NodeSpec(
    "sump-node",
    "mains",
    (
        ProbeSpec("level", RECORDED, "level", "mm", resolution=1.0, valid=(0.0, 450.0)),
        ProbeSpec("ph", RECORDED, "ph", "pH", valid=(4.0, 10.0)),
    ),
)
SECONDS = (0.0, 7.0, 12.5, 40.0, 100.0, 101.0)
LEVELS = (300.3, 301.0, 999.0, -5.0, 310.0, 311.0)
TRACKS = {
    LEVEL: Track([START_US + round(s * 1e6) for s in SECONDS], LEVELS),
    PH: Track([START_US + 7_000_000, START_US + 90_000_000], (8.1, 8.2)),
}
Row = tuple[float, str, float]


def rows(*faults: Fault, nodes: tuple[NodeSpec, ...] = (NODE,), seed: int = 1) -> list[Row]:
    """Return (seconds of the reading, name, value) as they arrive."""
    line = Timeline("", START_US, 120.0, faults, seed=seed, tracks=TRACKS)
    beats = Rehearsal(timeline_play(line, SPEC, nodes), "w").beats()
    found: list[Row] = []
    for beat in beats:
        for _, payload in beat.messages:
            pack = json.loads(payload)
            if isinstance(pack, list):
                at_s = round(pack[0]["bt"] - START_US / 1e6, 3)
                found += [(at_s, r["n"], r.get("v", r.get("vb"))) for r in pack]
    return found


def test_without_faults_every_reading_is_as_it_was() -> None:
    levels = [(s, "level", v) for s, v in zip(SECONDS, LEVELS, strict=True)]
    assert [row for row in rows() if row[1] == "level"] == levels
    assert [row for row in rows() if row[1] == "ph"] == [(7.0, "ph", 8.1), (90.0, "ph", 8.2)]


def test_a_frozen_probe_repeats_and_a_silent_one_says_nothing() -> None:
    frozen = Fault("probe-frozen", 9.0, duration_s=60.0, target="sump-node/level")
    levels = [value for _, name, value in rows(frozen) if name == "level"]
    assert levels == [300.3, 301.0, 301.0, 301.0, 310.0, 311.0]
    silent = Fault("probe-silent", 9.0, duration_s=60.0, target="sump-node/level")
    found = rows(silent)
    assert [at_s for at_s, name, _ in found if name == "level"] == [0.0, 7.0, 100.0, 101.0]
    assert [at_s for at_s, name, _ in found if name == "ph"] == [7.0, 90.0]


def test_a_drifting_probe_reads_higher_by_its_range() -> None:
    drift = Fault("probe-drift", 50.0, severity=0.5, target="sump-node/level")
    levels = [value for _, name, value in rows(drift) if name == "level"]
    assert levels[-2:] == [321.0, 322.0]  # 310 + 0.5 × 5 % of 450 mm, in whole mm


def test_what_an_offline_node_kept_comes_late_with_its_own_times() -> None:
    away = Fault("node-offline", 5.0, duration_s=60.0, target="sump-node")
    assert rows(away) == rows()


def test_a_node_with_a_wrong_clock_says_so_in_every_time() -> None:
    wrong = Fault("node-clock-wrong", 20.0, severity=1.0, target="sump-node")
    times = [at_s for at_s, name, _ in rows(wrong) if name == "level"]
    assert times == [0.0, 7.0, 12.5, 340.0, 400.0, 401.0]


def test_lost_readings_are_drawn_by_the_seed() -> None:
    lossy = Fault("probe-dropping", 0.0, severity=0.5, target="sump-node/level")
    assert rows(lossy, seed=3) == rows(lossy, seed=3)
    assert len({len(rows(lossy, seed=seed)) for seed in range(8)}) > 1


def test_other_probes_of_the_node_and_other_nodes_are_simulated_beside() -> None:
    (sump,) = [node for node in NODES if node.id == "sump-node"]
    flow = next(probe for probe in sump.probes if probe.name == "return-flow")
    mixed = replace(NODE, probes=(*NODE.probes, flow))
    found = rows(nodes=(mixed, *(node for node in NODES if node.id != "sump-node")))
    assert [row for row in found if row[1] in ("level", "ph")] == rows()
    assert [at_s for at_s, name, _ in found if name == "return-flow"] == [
        pytest.approx(-1.0 + 5.0 * n) for n in range(1, 25)
    ]
    assert {name for _, name, _ in found} >= {"north-level", "mains"}


def test_a_recorded_probe_needs_its_track() -> None:
    line = Timeline("", START_US, 10.0, tracks={PH: TRACKS[PH]})
    with pytest.raises(KeyError, match="level"):
        Rehearsal(timeline_play(line, SPEC, (NODE,)), "w")
