"""The demo configuration: it fits its plant, keeps quiet in ordinary life and tells each fault."""

import re
from pathlib import Path

import pytest
from support.rehearsal import Rehearsal

from weirsim.faults import Fault
from weirsim.harbour_hall import NODES, SPEC
from weirwatch.config import check, load
from weirwatch.domain.instant import SECOND
from weirwatch.domain.rule import (
    Absolute,
    BadMeasurement,
    BuiltIn,
    Deviation,
    Discrepancy,
    Duty,
    Forecast,
    RateOfChange,
    SwitchIs,
)
from weirwatch.settings import PlantSettings, Settings

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "deploy" / "harbour-hall.toml"


@pytest.fixture(scope="module")
def demo() -> Settings:
    return load(DEMO)


@pytest.fixture(scope="module")
def plant(demo: Settings) -> PlantSettings:
    assert demo.plant is not None
    return demo.plant


def test_nothing_is_wrong_and_everything_is_covered() -> None:
    report = check(DEMO)
    assert (report.errors, report.warnings) == ((), ())


def test_the_one_doubt_of_the_starter_is_what_is_not_covered() -> None:
    report = check(ROOT / "deploy" / "starter.toml")
    assert report.errors == ()
    assert len(report.warnings) == 1
    assert "failures have no rule" in report.warnings[0]


def test_the_channels_are_those_that_the_nodes_send(demo: Settings) -> None:
    computed = {derived.channel for derived in demo.derived}
    configured = {c.id: c for c in demo.channels if c.id not in computed}
    sent = {node.channel(SPEC.system, probe): probe for node in NODES for probe in node.probes}
    assert configured.keys() == sent.keys()
    for name, probe in sent.items():
        channel = configured[name]
        assert (channel.quantity, channel.unit) == (probe.quantity, probe.unit)
        assert (channel.valid, channel.vessel) == (probe.valid, probe.vessel)
        assert channel.resolution == (probe.resolution or None)
        assert channel.expected_every == 5 * SECOND


def test_the_channels_are_those_of_the_published_table(demo: Settings) -> None:
    told, node = [], ""
    for line in (ROOT / "docs" / "demo-channels.md").read_text().splitlines():
        node = line.split()[1] if line.startswith("## ") else node
        row = re.match(r"\| ([a-z0-9-]+) \| ([a-z0-9]+) \| (\S*) *\|", line)
        if row and row[1] != "name":
            told.append((f"harbour-hall/{node}/{row[1]}", row[2], row[3]))
    measured = demo.channels[: len(demo.channels) - len(demo.derived)]
    assert [(c.id, c.quantity, c.unit) for c in measured] == told


def test_the_plant_is_the_simulators(plant: PlantSettings) -> None:
    assert [vessel.id for vessel in plant.vessels] == [vessel.id for vessel in SPEC.vessels]
    for mine, theirs in zip(plant.vessels, SPEC.vessels, strict=True):
        for field in ("role", "volume_l", "area_m2", "height_m", "working_l", "crest_m"):
            assert getattr(mine, field) == getattr(theirs, field), (mine.id, field)
        assert mine.crest_length_m == theirs.crest_length_m
        assert mine.outlet_below_crest_m == theirs.outlet_below_crest_m
        assert mine.siphon_break == theirs.siphon_break
    for field in ("id", "flow_l_h", "static_head_m", "shutoff_head_m", "pipe_m", "pipe_d_m"):
        assert getattr(plant.pump, field) == getattr(SPEC.pump, field)
    assert plant.pump.power_w == SPEC.pump.power_w
    assert [(x.id, x.feeds, x.flow_l_h) for x in plant.loops] == [
        (x.id, x.feeds, x.flow_l_h) for x in SPEC.loops
    ]
    assert [(x.id, x.vessel, x.power_w, x.set_degc, x.hysteresis_k) for x in plant.heaters] == [
        (x.id, x.vessel, x.power_w, x.set_degc, x.hysteresis_k) for x in SPEC.heaters
    ]
    assert plant.top_off is not None
    assert SPEC.top_off is not None
    for field in ("reservoir", "rate_l_h", "set_level_mm", "hysteresis_mm"):
        assert getattr(plant.top_off, field) == getattr(SPEC.top_off, field)
    for field in ("system", "room_degc", "loss_w_per_k", "evaporation_l_per_day", "salinity"):
        assert getattr(plant, field) == getattr(SPEC, field)


def test_it_shows_every_kind_of_rule(demo: Settings) -> None:
    kinds = {type(rule.condition) for rule in demo.rules}
    assert kinds == {
        Absolute, SwitchIs, Deviation, RateOfChange, Discrepancy, BadMeasurement, Duty, Forecast,
        BuiltIn,
    }  # fmt: skip


def test_three_hours_of_ordinary_life_are_quiet(demo: Settings) -> None:
    assert Rehearsal(demo).annunciated(3) == []


QUIET = [
    Fault("return-pump-stopped", 600, duration_s=600),  # a feeding pause
    Fault("node-offline", 600, duration_s=90),  # a short radio drop-out
    Fault("mains-lost", 600, duration_s=2),  # the monthly RCD test, seen by nobody
]


@pytest.mark.parametrize("fault", QUIET, ids=lambda fault: fault.id)
def test_what_is_normal_is_quiet(demo: Settings, fault: Fault) -> None:
    assert Rehearsal(demo, [fault]).annunciated(1) == []


def test_a_power_cut_gives_exactly_one_notice(demo: Settings) -> None:
    events = list(Rehearsal(demo, [Fault("mains-lost", 600, duration_s=3600)]).run(2.5))
    assert [event.rule for event in events if event.annunciated] == ["mains-lost"]
    raised = {event.rule for event in events if event.kind == "raised"}
    assert {"node-offline/sump-node", "node-offline/hall-node", "return-flow-silent"} <= raised
    returned = {event.rule for event in events if event.kind == "returned"}
    assert returned == raised  # all is well again after the hold-off
    suppressed = {event.rule for event in events if event.kind == "suppressed"}
    assert suppressed == {event.rule for event in events if event.kind == "released"}


def test_a_power_cut_with_a_blocked_siphon_break_is_told_by_the_float(demo: Settings) -> None:
    faults = [Fault("siphon-break-blocked"), Fault("mains-lost", 600, duration_s=3600)]
    assert Rehearsal(demo, faults).annunciated(0.3) == [
        "mains-lost",
        "sump-high-float",
        "floor-leak",
    ]


TOLD = [
    (Fault("return-pump-stopped"), 0.5, ["return-pump-stopped"]),
    (Fault("circuit-lost"), 1.0, ["circuit-lost"]),
    (Fault("return-flow-reduced"), 1.0, ["return-flow-reduced"]),
    (Fault("side-loop-flow-lost"), 0.5, ["uv-flow-lost"]),
    (Fault("side-loop-flow-lost", target="refuge"), 0.5, ["refuge-flow-lost"]),
    (Fault("side-loop-flow-lost", target="reactor"), 0.5, ["reactor-flow-lost"]),
    (Fault("skimmer-flow-lost"), 0.7, ["skimmer-flow-lost"]),
    (Fault("overflow-blocked"), 0.5, ["overflow-blocked-north"]),
    (Fault("overflow-blocked", target="south"), 0.5, ["overflow-blocked-south"]),
    (Fault("floor-leak"), 0.3, ["floor-leak", "sump-low"]),
    (Fault("top-off-stuck-on"), 1.0, ["top-off-stuck-on"]),
    (Fault("room-too-hot"), 1.0, ["room-too-hot"]),
    (Fault("probe-silent"), 0.3, ["sump-level-silent"]),
    (Fault("probe-frozen", target="sump-node/return-flow"), 0.5, ["return-flow-frozen"]),
    (Fault("probe-drift"), 0.5, ["sump-probes-disagree"]),
    (Fault("node-offline", target="power-node"), 0.3, ["node-offline/power-node"]),
    (Fault("node-offline", target="sump-node"), 0.3, ["node-offline/sump-node"]),
]


@pytest.mark.parametrize(("fault", "hours", "rules"), TOLD, ids=lambda value: str(value)[:40])
def test_each_fault_is_told_once_by_its_rule(
    demo: Settings, fault: Fault, hours: float, rules: list[str]
) -> None:
    assert Rehearsal(demo, [fault]).annunciated(hours) == rules


@pytest.mark.slow
def test_a_dry_top_off_is_told_within_a_day(demo: Settings) -> None:
    faults = [Fault("top-off-stuck-off")]
    assert Rehearsal(demo, faults).annunciated(16) == ["top-off-stuck-off"]
