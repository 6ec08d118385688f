"""Timelines: several faults in one play, acts among them, and harm by fault."""

import json
from dataclasses import replace

import pytest
from support.plants import WITH_CHILLER

from weirsim.acts import ACTS
from weirsim.fault_book import struck
from weirsim.faults import FAULTS, Fault
from weirsim.harbour_hall import NODES, SPEC
from weirsim.harm import METERS
from weirsim.harm_watch import HarmWatch
from weirsim.model import Plant
from weirsim.rehearsal import Beat, Rehearsal
from weirsim.stage import START_US
from weirsim.timeline import LEAD_S, Act, Timeline, meters_of, parts_of, targets_of, timeline_play

HOUR_US = 3_600_000_000


def timeline(hours: float, *faults: Fault, acts: tuple[Act, ...] = ()) -> Timeline:
    return Timeline("", START_US, hours * 3600.0, faults, acts)


def beats_of(line: Timeline) -> list[Beat]:
    return list(Rehearsal(timeline_play(line, SPEC, NODES), "w").beats())


def values(beats: list[Beat], name: str) -> list[tuple[float, float]]:
    """Return (seconds from the scenario's start, value) of a probe."""
    return [
        ((beat.time_us - START_US) / 1e6, record.get("v", record.get("vb")))
        for beat in beats
        for _, payload in beat.messages
        if payload.startswith(b"[")
        for record in json.loads(payload)
        if record["n"] == name
    ]


def test_faults_and_acts_count_from_the_start_and_all_is_well_before() -> None:
    acts = (Act("feeding", 900.0),)
    beats = beats_of(timeline(0.6, Fault("skimmer-flow-lost", 0.0, duration_s=300.0), acts=acts))
    assert beats[0].time_us == START_US - round(LEAD_S * 1e6) + 5_000_000
    skimmer = dict(values(beats, "skimmer-flow"))
    assert min(flow for at_s, flow in skimmer.items() if at_s <= 0.0) > 1500.0
    assert max(flow for at_s, flow in skimmer.items() if 30.0 <= at_s <= 300.0) == 0.0
    flow = dict(values(beats, "return-flow"))
    assert max(v for at_s, v in flow.items() if 930.0 <= at_s <= 1500.0) == 0.0
    assert min(v for at_s, v in flow.items() if at_s < 900.0 or at_s > 1800.0) > 5000.0


def test_faults_overlap() -> None:
    faults = (Fault("return-flow-reduced", 0.0, 0.5), Fault("floor-leak", 60.0, duration_s=300.0))
    play = timeline_play(timeline(0.2, *faults), SPEC, NODES)
    rehearsal = Rehearsal(play, "w")
    both = [
        rehearsal.plant.active_faults
        for beat in rehearsal.beats()
        if START_US + 70_000_000 < beat.time_us < START_US + 300_000_000
    ]
    assert set(both) == {("return-flow-reduced", "floor-leak")}


def test_the_same_seed_plays_the_same_and_another_one_does_not() -> None:
    line = timeline(0.05, Fault("probe-bubble", 0.0, target="sump-node/ph"))
    assert beats_of(line) == beats_of(line)
    assert beats_of(line) != beats_of(replace(line, seed=2))


def test_day_and_room_are_those_of_the_scenario() -> None:
    play = timeline_play(replace(timeline(1.0), room_degc=27.0, utc_offset_h=-8.0), SPEC, NODES)
    assert (play.spec.room_degc, play.spec.day.utc_offset_h) == (27.0, -8.0)
    assert timeline_play(timeline(1.0), SPEC, NODES).spec == SPEC


def test_a_broker_that_restarts_delivers_late() -> None:
    beats = beats_of(timeline(0.1, acts=(Act("broker-restart", 60.0),)))
    away = [(b.time_us - START_US) / 1e6 for b in beats if not b.link_up]
    assert away == [60.0 + 5.0 * n for n in range(8)]


@pytest.mark.parametrize("act", ACTS)
def test_an_act_is_over_when_it_says(act: str) -> None:
    kind = ACTS[act]
    doings = kind.at(1000.0)
    ends = [fault.at_s + (fault.duration_s or 0.0) for fault in doings.faults]
    ends += [at_s for at_s, _ in doings.deeds] + [until for _, until in doings.broker_away]
    assert max(ends) == 1000.0 + kind.lasts_s
    starts = [fault.at_s for fault in doings.faults] + [at for at, _ in doings.broker_away]
    assert min(starts) == 1000.0


@pytest.mark.parametrize("fault", ["floor-leak", "return-pump-stopped"])
def test_harm_of_the_only_fault_is_that_of_the_play(fault: str) -> None:
    play = timeline_play(timeline(0.5, Fault(fault)), SPEC, NODES)
    rehearsal = Rehearsal(play, "w")
    for _ in rehearsal.beats():
        pass
    assert rehearsal.harm is not None
    of_fault = rehearsal.watch.within(play.begins_us, None, meters_of(fault))
    assert rehearsal.harm == of_fault


def test_harm_belongs_to_the_fault_in_whose_time_it_begins() -> None:
    plant = Plant(SPEC, START_US)
    record = HarmWatch(plant, ("floor-spreads", "oxygen"))
    wet_us = START_US + 5 * HOUR_US
    plant.time_us = wet_us
    plant.works.floor.volume_m3 = 0.02
    record.look()
    plant.time_us += HOUR_US
    record.look()  # it still stands: no second beginning
    meters = ("floor-spreads",)
    found = record.within(START_US, None, meters)
    assert found is not None
    assert (found.at_us, found.meter, found.says) == (
        wet_us,
        "floor-spreads",
        METERS["floor-spreads"].says,
    )
    assert record.within(START_US, wet_us - 1, meters) is None
    assert record.within(wet_us + 1, None, meters) is None  # it stood before
    assert record.within(START_US, None, ("oxygen",)) is None
    plant.works.floor.volume_m3 = 0.0
    record.look()
    plant.works.floor.volume_m3 = 0.02
    plant.time_us += HOUR_US
    record.look()
    again = record.within(wet_us + 1, None, meters)
    assert again is not None
    assert again.at_us == wet_us + 2 * HOUR_US


def test_every_fault_has_harm_to_look_for_or_none() -> None:
    for fault in FAULTS:
        assert set(meters_of(fault)) <= METERS.keys()
    assert meters_of("siphon-break-blocked") == ("floor-wet",)
    assert meters_of("probe-bubble") == ()


def test_a_failure_of_several_faults_names_them() -> None:
    assert parts_of("sump-high") == ("siphon-break-blocked", "return-pump-stopped")
    assert parts_of("mains-unstable") == ("mains-lost",)
    assert parts_of("reservoir-empty") == parts_of("disk-full") == ()


def test_targets_are_what_the_faults_accept() -> None:
    known = targets_of(WITH_CHILLER, NODES)
    assert set(known) == {kind.strikes for kind in FAULTS.values() if kind.strikes}
    for fault, kind in FAULTS.items():
        for target in known.get(kind.strikes, ())[:3]:
            assert struck([Fault(fault, target=target)], WITH_CHILLER, NODES) == ((target,),)
    assert struck([Fault("heater-stuck-on")], SPEC, NODES) == (("heater-1", "heater-2"),)


def test_a_fault_that_cannot_work_is_refused() -> None:
    with pytest.raises(ValueError, match="no vessel 'west'"):
        timeline_play(timeline(1.0, Fault("overflow-blocked", target="west")), SPEC, NODES)
