"""Rehearsals: the same again by the same seed, and what of a node reaches the service, and when."""

import json
from dataclasses import replace

import pytest
from support.plants import SMALL, WITH_CHILLER

from weirsim.faults import FAULTS, Fault
from weirsim.harbour_hall import NODES, SPEC
from weirsim.harm import METERS
from weirsim.instruments import NodeSpec, ProbeSpec
from weirsim.model import Plant
from weirsim.ordinary import ordinary_life
from weirsim.rehearsal import WILL_AFTER_US, Beat, Play, Rehearsal, coarse_step_s
from weirsim.scenarios import SCENARIOS
from weirsim.stage import START_US, Stage
from weirwatch.config.catalogue import load_catalogue

STAGE = Stage(
    SPEC,
    NODES,
    ("harbour-hall/power-node/mains", "harbour-hall/sump-node/return-flow"),
    ("harbour-hall/sump-node/level",),
)


def play_of(minutes: float, *faults: Fault, away: tuple[tuple[float, float], ...] = ()) -> Play:
    until_us = START_US + round(minutes * 60e6)
    return Play("", SPEC, NODES, START_US, START_US, until_us, faults, broker_away=away)


def beats_of(
    minutes: float, *faults: Fault, away: tuple[tuple[float, float], ...] = ()
) -> list[Beat]:
    return list(Rehearsal(play_of(minutes, *faults, away=away), "weirwatch").beats())


def times_of(beats: list[Beat], node: str) -> list[tuple[float, float]]:
    """Return (seconds of arrival, seconds of reading) of a node's packs."""
    topic = f"weirwatch/harbour-hall/{node}/readings"
    return [
        ((beat.time_us - START_US) / 1e6, json.loads(payload)[0]["bt"] - START_US / 1e6)
        for beat in beats
        for name, payload in beat.messages
        if name == topic
    ]


def connection_of(beats: list[Beat], node: str) -> list[tuple[float, bool]]:
    topic = f"weirwatch/harbour-hall/{node}/connection"
    return [
        ((beat.time_us - START_US) / 1e6, json.loads(payload)["connected"])
        for beat in beats
        for name, payload in beat.messages
        if name == topic
    ]


def test_every_node_connects_first_and_then_sends_on_time() -> None:
    beats = beats_of(1)
    first = beats[0].messages
    assert [name.rsplit("/", 1)[1] for name, _ in first] == ["connection", "readings"] * 3
    for node in NODES:
        times = times_of(beats, node.id)
        assert len(times) == 12
        assert all(arrived == taken for arrived, taken in times)


def test_what_an_offline_node_kept_comes_late_and_in_order() -> None:
    fault = Fault("node-offline", 60, duration_s=90, target="sump-node")
    beats = beats_of(5, fault)
    times = times_of(beats, "sump-node")
    assert [taken for _, taken in times] == [5.0 * n for n in range(1, 61)]  # nothing lost
    late = [(arrived, taken) for arrived, taken in times if arrived != taken]
    assert [taken for _, taken in late] == [65.0 + 5.0 * n for n in range(18)]
    assert {arrived for arrived, _ in late} == {155.0}
    # A fault acts at the beginning of the step after its time: gone at 65 s, the will 36 s later.
    assert connection_of(beats, "sump-node") == [(5.0, True), (105.0, False), (155.0, True)]


def test_a_short_drop_out_brings_no_last_will() -> None:
    fault = Fault("node-offline", 60, duration_s=WILL_AFTER_US / 1e6 - 10, target="sump-node")
    assert [up for _, up in connection_of(beats_of(3, fault), "sump-node")] == [True, True]


def test_a_power_cut_takes_the_mains_nodes_and_what_they_had() -> None:
    beats = beats_of(5, Fault("mains-lost", 60, duration_s=120))
    taken = [taken for _, taken in times_of(beats, "sump-node")]
    assert [t for t in taken if 65.0 < t <= 180.0] == []
    assert len(times_of(beats, "power-node")) == 60  # on its battery
    assert [up for _, up in connection_of(beats, "hall-node")] == [True, False, True]


def test_a_doubling_node_says_everything_twice() -> None:
    beats = beats_of(1, Fault("node-doubling", target="sump-node"))
    taken = [taken for _, taken in times_of(beats, "sump-node")]
    assert taken == [5.0 * n for n in range(1, 13) for _ in range(2)]


def test_a_rebooting_node_loses_what_it_had_and_connects_again() -> None:
    beats = beats_of(5, Fault("node-rebooting", target="hall-node"))
    taken = [taken for _, taken in times_of(beats, "hall-node")]
    assert len(taken) == pytest.approx(60 * 45 / 65, abs=3)
    assert [up for _, up in connection_of(beats, "hall-node")] == [True] * 5


def test_without_a_broker_nothing_arrives_and_all_of_it_comes_after() -> None:
    beats = beats_of(3, away=((60.0, 90.0),))
    gone = [beat for beat in beats if not beat.link_up]
    assert [beat.messages for beat in gone] == [[]] * 6
    assert [taken for _, taken in times_of(beats, "hall-node")] == [5.0 * n for n in range(1, 37)]


def test_the_same_seed_plays_the_same_and_another_one_does_not() -> None:
    def shown(seed: int, run: int) -> list[Beat]:
        play = STAGE.failure("overflow-blocked", run, seed)
        return list(Rehearsal(replace(play, until_us=play.start_us + 120_000_000), "w").beats())

    assert shown(1, 3) == shown(1, 3)
    assert shown(1, 3) != shown(2, 3)
    assert shown(1, 3) != shown(1, 4)


def test_random_runs_differ_in_time_of_day_room_and_severity() -> None:
    plays = [STAGE.failure("return-flow-reduced", run, 7) for run in range(1, 9)]
    assert len({play.start_us % 86_400_000_000 for play in plays}) == 8
    assert len({play.spec.room_degc for play in plays}) > 4
    severities = [fault.severity for play in plays for fault in play.faults]
    assert all(s is not None and 0.3 <= s <= 0.7 for s in severities)


def test_the_reservoir_starts_as_full_as_told_and_stays_unfilled() -> None:
    play = STAGE.failure("reservoir-empty", 0, 1)
    beats = Rehearsal(replace(play, until_us=play.start_us + 300_000_000), "w").beats()
    packs = [payload for beat in beats for _, payload in beat.messages]
    levels = [
        record["v"]
        for payload in packs
        if payload.startswith(b"[")
        for record in json.loads(payload)
        if record["n"] == "reservoir-level"
    ]
    assert levels[0] == pytest.approx(150.0, abs=3.0)  # a quarter of 120 L on 0.2 m²
    assert play.spec.top_off is not None
    assert play.spec.top_off.refill_below is None


def test_harm_is_looked_for_only_from_the_failure_on() -> None:
    play = STAGE.failure("floor-leak", 0, 1)
    rehearsal = Rehearsal(play, "w")
    for beat in rehearsal.beats():
        if beat.time_us < play.begins_us:
            assert rehearsal.harm is None
        elif rehearsal.harm is not None:
            break
    assert rehearsal.harm is not None
    assert (rehearsal.harm.at_us - play.begins_us) / 1e6 == pytest.approx(65.0, abs=5.0)


def test_harm_that_stands_before_the_failure_is_none_of_its() -> None:
    """Cold brackish water is outside both bands for as long as it is kept; a rise is still harm."""
    spec = replace(SPEC, heaters=(), room_degc=12.0, salinity=31.0)
    stage = Stage(spec, NODES)
    play = replace(
        stage.failure("top-off-stuck-on", 0, 1),
        meters=("temperature-band", "salinity-band", "salinity-rate"),
    )
    rehearsal = Rehearsal(play, "w")
    for _ in rehearsal.beats():
        if rehearsal.harm is not None:
            break
    assert rehearsal.harm is not None
    assert rehearsal.harm.meter == "salinity-rate"
    assert rehearsal.harm.at_us - play.begins_us > 3600e6


def test_a_small_sump_under_a_large_pump_is_played_in_shorter_steps() -> None:
    """It holds what the pump takes in half a minute, and comes to no harm by that."""
    tank, sump = SMALL.vessels
    pump = replace(SMALL.pump, flow_l_h=5000.0, pipe_d_m=0.04)
    tank = replace(tank, crest_length_m=0.6)
    spec = replace(SMALL, vessels=(tank, sump), pump=pump, evaporation_l_per_day=0.0)
    assert 2.5 < coarse_step_s(spec) < 10.0
    assert coarse_step_s(SPEC) == 30.0
    node = NodeSpec("box", "mains", (ProbeSpec("level", "level:sump", "level"),))
    pause = Fault("return-pump-stopped", 600.0, duration_s=600.0)
    until_us = START_US + 7_200_000_000
    play = Play("", spec, (node,), START_US, START_US, until_us, (pause,), ("pump-dry",), 1, 60.0)
    rehearsal = Rehearsal(play, "w")
    for _ in rehearsal.beats():
        pass
    assert rehearsal.harm is None
    assert rehearsal.plant.works.flow_share == 1.0
    assert 1000.0 * rehearsal.plant.works.sump.level_m == pytest.approx(200.0, abs=2.0)


def test_a_season_changes_the_room_that_evaporation_goes_by_and_not_what_it_is_stated_for() -> None:
    play = STAGE.failure("temperature-extreme", 0, 1)
    assert (play.spec.room_degc, play.spec.usual_room_degc) == (14.0, SPEC.room_degc)
    life = STAGE.ordinary(1.0, 1, 1)
    assert life.spec.room_degc != SPEC.room_degc == life.spec.usual_room_degc


def test_the_catalogue_is_played_or_has_a_reason_or_is_of_the_service() -> None:
    catalogue = load_catalogue().failures
    assert SCENARIOS.keys() <= catalogue.keys()
    left = catalogue.keys() - SCENARIOS.keys()
    assert left == {
        "broker-lost",
        "service-was-down",
        "clock-untrusted",
        "disk-full",
        "notice-undeliverable",
        "planned-work-not-ended",
    }


def test_every_scenario_can_be_set_on_harbour_hall_with_a_chiller() -> None:
    assert set(SCENARIOS) - set(STAGE.can_play()) == {"chiller-failed"}
    stage = replace(STAGE, spec=WITH_CHILLER)
    assert stage.can_play() == tuple(SCENARIOS)
    for failure, scenario in SCENARIOS.items():
        for run in range(3):
            play = stage.failure(failure, run, 1)
            Rehearsal(play, "w")  # faults and targets are checked here
            assert set(play.meters) <= METERS.keys()
            assert {fault.id for fault in play.faults} <= FAULTS.keys()
            assert play.until_us - play.begins_us == pytest.approx(scenario.hours * 3.6e9)


def test_a_plant_that_lacks_something_says_so() -> None:
    bare = Stage(replace(SPEC, loops=(), heaters=(), top_off=None), NODES[1:2])
    reasons = bare.cannot_play()
    assert reasons["side-loop-flow-lost"] == "the plant has no loop"
    assert reasons["chiller-failed"] == "the plant has no chiller"
    assert reasons["battery-low"] == "the plant has no battery"
    assert reasons["probe-silent"] == "no channel that a rule watches"
    assert reasons["top-off-stuck-on"] == "the plant has no top-off"
    assert not {"vessel-leaking", "sump-low"} & reasons.keys()  # water leaks without one too
    play = bare.failure("sump-low", 0, 1)
    rehearsal = Rehearsal(replace(play, until_us=play.begins_us + 12 * 3_600_000_000), "w")
    for _ in rehearsal.beats():
        pass
    assert rehearsal.harm is not None
    assert rehearsal.harm.meter == "pump-dry"
    assert reasons["room-co2-high"].startswith("no channel measures the room's carbon dioxide")
    assert reasons["skimmer-flow-lost"].startswith("no channel measures the skimmer's flow, so")
    blind = Stage(SPEC, NODES[2:]).cannot_play()
    assert blind["light-stuck"].startswith("no channel measures the lights, so nothing says it is")
    assert blind["ph-high"].startswith("no channel measures pH, so nothing says it is there")
    with pytest.raises(ValueError, match="heater-stuck-on cannot be played: the plant has no"):
        bare.failure("heater-stuck-on", 0, 1)


def test_a_month_of_ordinary_life_has_everything_in_it() -> None:
    life = ordinary_life(30.0, 5, ("sump-node", "hall-node"))
    kinds = {fault.id for fault in life.faults}
    assert kinds == {
        "return-pump-stopped",
        "node-offline",
        "skimmer-flow-lost",
        "return-flow-reduced",
        "circuit-lost",
        "mains-lost",
    }
    pauses = [fault for fault in life.faults if fault.id == "return-pump-stopped"]
    assert len(pauses) == 60 + 4  # two feedings a day, and four water changes
    assert all(fault.duration_s is not None for fault in life.faults)
    assert len(life.broker_away) == 4
    assert [time for time, _ in life.deeds] == sorted(time for time, _ in life.deeds)


def test_the_gas_bottle_is_changed_before_it_is_empty() -> None:
    _, look = ordinary_life(3.0, 5, ()).deeds[0]
    plant = Plant(SPEC, START_US)
    reactor = plant.reactor
    assert reactor is not None
    full = reactor.full_bottle_mol
    for left, then in ((0.5, 0.5), (0.26, 0.26), (0.24, 1.0)):
        reactor.bottle_mol = left * full
        look(plant)
        assert reactor.bottle_mol == pytest.approx(then * full)
    look(Plant(replace(SPEC, loops=()), START_US))  # no reactor: nothing to look at


def test_a_water_change_takes_and_gives_the_same() -> None:
    life = ordinary_life(3.0, 5, ())
    begins_s = life.deeds[1][0]  # the day before, the gas bottle is looked at
    until_us = START_US + round((begins_s + 1800.0) * 1e6)
    calm = replace(SPEC, evaporation_l_per_day=0.0)
    play = Play(
        "", calm, NODES, START_US, until_us, until_us, life.faults, every_s=60.0, deeds=life.deeds
    )
    rehearsal = Rehearsal(play, "w")
    plant = rehearsal.plant
    before = plant.works.sump.level_m
    lowest = before
    for _ in rehearsal.beats():
        lowest = min(lowest, plant.works.sump.level_m)
    assert lowest < before - 0.03  # a quarter of the sump, on top of the drain-back
    # While the sump is low the top-off adds some litres, as it does with real buckets.
    assert 0.0 <= plant.works.sump.level_m - before < 0.008
    assert plant.salinity(plant.works.sump) == pytest.approx(35.0, abs=0.1)
