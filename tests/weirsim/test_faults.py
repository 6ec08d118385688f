from collections import defaultdict
from dataclasses import replace

import pytest
from support.plants import WITH_CHILLER, run

from weirsim.fault_book import FaultBook
from weirsim.faults import FAULTS, Fault
from weirsim.harbour_hall import NODES, SPEC
from weirsim.offline import simulate

SUMP, HALL, POWER = (f"harbour-hall/{node.id}/" for node in NODES)


def readings(fault: Fault, seconds: float = 900.0) -> dict[str, list[float]]:
    """Return the readings of each channel from 60 s after the fault began, at 60 s."""
    series = defaultdict(list)
    start = 0
    nodes = [replace(node, every_s=5.0 if seconds < 1000.0 else 60.0) for node in NODES]
    for time_us, channel, value in simulate(SPEC, seconds, [fault], seed=3, nodes=nodes):
        start = start or time_us
        if time_us - start >= 120_000_000:
            series[channel].append(value)
    return series


def test_an_unknown_id_names_the_nearest_and_all_known_ones() -> None:
    with pytest.raises(ValueError, match=r"'mains-los'\. Did you mean 'mains-lost'\?"):
        Fault.parse("mains-los@30")
    with pytest.raises(ValueError, match=r"Known: alkalinity-overdose, .*vessel-leaking"):
        FaultBook([Fault("coffee-spilt")], SPEC, NODES)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("mains-lost", Fault("mains-lost")),
        ("mains-lost@45", Fault("mains-lost", 45.0)),
        ("node-offline:hall-node@1.5", Fault("node-offline", 1.5, target="hall-node")),
        ("probe-silent:sump-node/ph", Fault("probe-silent", target="sump-node/ph")),
    ],
)
def test_a_fault_is_read_from_the_command_line(text: str, fault: Fault) -> None:
    assert Fault.parse(text) == fault


def test_bad_seconds_are_told() -> None:
    with pytest.raises(ValueError, match="'soon' is not a number of seconds"):
        Fault.parse("mains-lost@soon")


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (Fault("overflow-blocked", severity=1.5), "severity 1.5 is outside 0 to 1"),
        (Fault("mains-lost", -1.0), "starts at -1 s"),
        (Fault("mains-lost", float("nan")), "starts at nan s"),
        (Fault("mains-lost", duration_s=0.0), "lasts 0 s"),
        (Fault("mains-lost", target="north"), "takes no target"),
        (Fault("overflow-blocked", target="attic"), "no vessel 'attic'; there is north, south"),
        (Fault("probe-silent", target="sump-node/rust"), "no channel 'sump-node/rust'"),
        (Fault("node-offline", target="roof"), "no node 'roof'"),
        (Fault("chiller-failed"), "the plant has no chiller it could strike"),
        (Fault("floor-leak", onset_s=-1.0), "onset_s = -1 s: give 0 or more"),
        (Fault("mains-lost", onset_s=60.0), "it begins at once, leave onset_s out"),
    ],
)
def test_a_fault_that_cannot_happen_here_is_refused(fault: Fault, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        FaultBook([fault], SPEC, NODES)


def test_a_plant_without_nodes_has_no_probe_to_fall_silent() -> None:
    with pytest.raises(ValueError, match="no channel it could strike"):
        FaultBook([Fault("probe-silent")], SPEC)


def test_faults_begin_and_end_on_their_seconds() -> None:
    book = FaultBook([Fault("mains-lost", 10.0, duration_s=5.0), Fault("floor-leak", 12.0)], SPEC)
    assert book.upset_at(9.9).mains
    assert not book.upset_at(10.0).mains
    assert not book.upset_at(14.9).mains
    assert book.upset_at(15.0).mains
    assert [book.next_change_s(t) for t in (0.0, 10.0, 12.0)] == [10.0, 12.0, 15.0]
    assert book.next_change_s(15.0) == float("inf")
    assert book.active(13.0) == ("mains-lost", "floor-leak")


def test_mains_restored_ends_a_cut_and_may_leave_the_pump_behind() -> None:
    cut = Fault("mains-lost", 10.0)
    book = FaultBook([cut, Fault("mains-restored", 50.0)], SPEC)
    assert not book.upset_at(49.0).mains
    assert book.upset_at(50.0).mains
    assert book.upset_at(50.0).flow_share == 1.0
    stalled = FaultBook([cut, Fault("mains-restored", 50.0, severity=1.0)], SPEC)
    assert stalled.upset_at(51.0).flow_share == 0.0
    assert run(SPEC, 120.0, [cut, Fault("mains-restored", 50.0, severity=1.0)]).pump_on is False


def test_a_whole_channel_id_and_a_short_one_mean_the_same() -> None:
    for target in ("sump-node/ph", "harbour-hall/sump-node/ph"):
        book = FaultBook([Fault("probe-silent", target=target)], SPEC, NODES)
        assert book.upset_at(0.0).probes.keys() == {"harbour-hall/sump-node/ph"}


def test_every_fault_of_the_table_can_begin_and_be_repaired() -> None:
    for fault_id in FAULTS:
        plant = run(WITH_CHILLER, 120.0, [Fault(fault_id, 30.0, duration_s=60.0)])
        assert plant.active_faults == ()


# --- what each fault looks like to the probes --------------------------------------------------


def test_mains_lost_silences_the_mains_nodes_and_lifts_the_sump() -> None:
    seen = readings(Fault("mains-lost", 60.0))
    assert not any(channel.startswith((SUMP, HALL)) for channel in seen)
    assert set(seen[POWER + "mains"]) == {0.0}
    assert 325 < seen[POWER + "sump-level"][-1] < 335
    assert set(seen[POWER + "floor-dry"]) == {1.0}
    assert set(seen[POWER + "high-float-closed"]) == {1.0}
    assert seen[POWER + "battery-voltage"][-1] < 12.9


def test_mains_lost_with_a_blocked_siphon_break_wets_the_floor() -> None:
    faults = [Fault("siphon-break-blocked"), Fault("mains-lost", 60.0)]
    last = {channel: value for _, channel, value in simulate(SPEC, 400.0, faults)}
    assert last[POWER + "floor-dry"] == 0.0
    assert last[POWER + "high-float-closed"] == 0.0
    assert last[POWER + "sump-level"] > 415


def test_circuit_lost_stops_the_pumps_while_the_mains_sense_is_content() -> None:
    seen = readings(Fault("circuit-lost", 60.0))
    assert set(seen[POWER + "mains"]) == {1.0}
    for stopped in ("return-flow", "skimmer-flow", "heater-power"):
        assert set(seen[SUMP + stopped]) == {0.0}


def test_a_stopped_return_pump_stops_every_flow_of_the_manifold() -> None:
    seen = readings(Fault("return-pump-stopped", 60.0))
    for flow in ("return-flow", "uv-flow", "refuge-flow", "reactor-flow"):
        assert set(seen[SUMP + flow]) == {0.0}
    assert min(seen[SUMP + "skimmer-flow"]) > 1700
    assert 320 < seen[SUMP + "level"][-1] < 335


def test_a_clogged_return_loses_its_share() -> None:
    seen = readings(Fault("return-flow-reduced", 60.0, severity=0.4))
    assert 3500 < seen[SUMP + "return-flow"][-1] < 3700
    assert seen[SUMP + "uv-flow"][-1] < 1000


def test_a_lost_side_loop_gives_its_water_to_the_others() -> None:
    seen = readings(Fault("side-loop-flow-lost", 60.0))
    assert max(seen[SUMP + "uv-flow"]) < 60
    refuge = seen[SUMP + "refuge-flow"]
    assert sum(refuge) / len(refuge) > 710
    assert 5100 < seen[SUMP + "return-flow"][-1] < 5900


def test_a_stopped_skimmer_and_a_blocked_overflow() -> None:
    assert max(readings(Fault("skimmer-flow-lost", 60.0))[SUMP + "skimmer-flow"]) < 100
    seen = readings(Fault("overflow-blocked", 60.0))
    assert seen[HALL + "north-level"][-1] > 1195
    assert seen[SUMP + "level"][-1] < 150
    assert seen[HALL + "south-level"][-1] < 1140


def test_a_floor_leak_is_felt_by_the_leak_probe() -> None:
    assert set(readings(Fault("floor-leak", 60.0))[POWER + "floor-dry"]) == {0.0}


def test_top_off_stuck_on_floods_slowly_and_stuck_off_dries() -> None:
    on = readings(Fault("top-off-stuck-on", 60.0), 4000.0)
    assert set(on[SUMP + "top-off"]) == {1.0}
    assert on[SUMP + "level"][-1] > 325
    assert on[SUMP + "reservoir-level"][-1] < 450
    off = readings(Fault("top-off-stuck-off", 60.0), 6 * 3600.0)
    assert set(off[SUMP + "top-off"]) == {0.0}
    levels = off[SUMP + "level"]
    fallen = sum(levels[:60]) / 60 - sum(levels[-60:]) / 60
    assert fallen == pytest.approx(14.0 * 5.0 / 24.0, abs=0.3)  # five hours of evaporation


def test_heaters_stuck_on_draw_full_power_and_failed_ones_none() -> None:
    assert min(readings(Fault("heater-stuck-on", 60.0))[SUMP + "heater-power"]) > 590
    cold = readings(Fault("heater-failed-off", 60.0), 4 * 3600.0)
    assert max(cold[SUMP + "heater-power"]) < 10
    assert cold[SUMP + "temperature"][-1] < cold[SUMP + "temperature"][0] - 0.1
    one = readings(Fault("heater-stuck-on", 60.0, target="heater-2"))
    assert 290 < min(one[SUMP + "heater-power"]) < 310


def test_stuck_lights_and_a_hot_room() -> None:
    assert set(readings(Fault("light-stuck", 60.0))[HALL + "lights"]) == {1.0}  # at night
    assert readings(Fault("room-too-hot", 60.0))[POWER + "room-temperature"][-1] > 32


def test_probe_faults() -> None:
    silent = readings(Fault("probe-silent", 60.0, target="sump-node/ph"))
    assert SUMP + "ph" not in silent
    assert len(silent[SUMP + "temperature"]) > 100
    frozen = readings(Fault("probe-frozen", 60.0, target="sump-node/return-flow"))
    assert len(set(frozen[SUMP + "return-flow"])) == 1
    assert len(set(frozen[SUMP + "uv-flow"])) > 3
    drifted = readings(Fault("probe-drift", 60.0, target="power-node/sump-level"))
    twin = drifted[SUMP + "level"]
    offset = sum(drifted[POWER + "sump-level"]) / len(twin) - sum(twin) / len(twin)
    assert offset == pytest.approx(0.05 * 450.0, abs=0.5)


def test_an_offline_node_says_nothing_and_its_plant_goes_on() -> None:
    seen = readings(Fault("node-offline", 60.0))
    assert not any(channel.startswith(HALL) for channel in seen)
    assert min(seen[SUMP + "return-flow"]) > 5800


def test_an_empty_battery_silences_the_power_node() -> None:
    plant = run(SPEC, 13 * 3600.0, [Fault("mains-lost")], step_s=30.0)
    assert plant.battery.charge == 0.0
    channels = {channel for _, channel, _ in simulate(SPEC, 60.0, [Fault("mains-lost")])}
    assert channels == {POWER + probe.name for probe in NODES[2].probes}


def test_a_leaking_display_hides_behind_the_top_off_which_runs_on_and_thins_the_water() -> None:
    seen = readings(Fault("vessel-leaking", 60.0), 4 * 3600.0)
    assert 295 < seen[SUMP + "level"][-1] < 304
    top_off = seen[SUMP + "top-off"]
    assert sum(top_off) / len(top_off) > 0.5  # 2 % without the leak
    conductivity = seen[SUMP + "conductivity"]
    assert sum(conductivity[-60:]) / 60 < sum(conductivity[:60]) / 60 - 0.5
    assert set(seen[POWER + "floor-dry"]) == {1.0}


# --- creeping faults ----------------------------------------------------------------------------


def test_a_creeping_fault_climbs_to_its_severity_and_is_repaired_at_once() -> None:
    fault = Fault("circulation-lost", 100.0, 0.8, duration_s=1900.0, onset_s=1000.0)
    book = FaultBook([fault], SPEC)
    lost = [1.0 - book.upset_at(t).circulation_share for t in (99.0, 100.0, 350.0, 600.0, 1100.0)]
    assert lost == pytest.approx([0.0, 0.0, 0.2, 0.4, 0.8])
    assert book.upset_at(2000.0).circulation_share == 1.0
    assert book.next_change_s(0.0) == 100.0
    assert book.next_change_s(100.0) == pytest.approx(110.0)
    assert book.next_change_s(1100.0) == 2000.0


def test_a_creeping_clog_lowers_the_flow_bit_by_bit() -> None:
    fault = Fault("return-flow-reduced", 0.0, 0.4, onset_s=3600.0)
    flows = [
        run(SPEC, hours * 3600.0, [fault], 10.0).flow_l_h("return") for hours in (0.5, 1.0, 1.2)
    ]
    assert flows == pytest.approx([4800.0, 3600.0, 3600.0], rel=0.02)


def test_what_lasts_by_nature_ends_by_itself() -> None:
    book = FaultBook([Fault("alkalinity-overdose", 60.0)], SPEC)
    assert book.active(3600.0) == ("alkalinity-overdose",)
    assert book.active(60.0 + 6 * 3600.0) == ()


# --- chemistry and nodes, as the probes see them --------------------------------------------------


def test_the_faults_of_life_are_felt_by_their_own_probes() -> None:
    assert set(readings(Fault("circulation-lost"))[HALL + "circulation-power"]) == {0.0}
    assert set(readings(Fault("doser-stuck-on"))[SUMP + "doser"]) == {1.0}
    assert readings(Fault("skimmer-overflow", 0.0))[SUMP + "skimmer-cup-full"][-1] == 1.0
    gas = readings(Fault("reactor-co2-runaway"), 3600.0)
    assert gas[SUMP + "reactor-ph"][-1] < 6.2
    assert max(readings(Fault("reactor-effluent-off"))[SUMP + "reactor-effluent"]) == 0.0
    assert readings(Fault("electrical-overheat"), 3600.0)[POWER + "strip-temperature"][-1] > 90.0
    assert readings(Fault("room-co2-high"), 3600.0)[POWER + "room-co2"][-1] > 3000.0
    assert readings(Fault("oxygen-low"), 7200.0)[HALL + "north-oxygen"][-1] < 3.5
    dead = readings(Fault("ammonia-high"), 3 * 3600.0)
    assert dead[SUMP + "ammonia"][-1] > 0.15


def test_a_supply_that_stays_open_fills_the_reservoir_and_then_the_floor() -> None:
    seen = readings(Fault("supply-water-stuck-open"))
    assert seen[SUMP + "reservoir-level"][-1] == pytest.approx(620.0, abs=2.0)
    assert seen[POWER + "floor-dry"][-1] == 0.0


def test_a_wrong_clock_dates_its_packs_ahead() -> None:
    times = [t for t, channel, _ in simulate(SPEC, 60.0, [Fault("node-clock-wrong")])]
    right = {t for t, channel, _ in simulate(SPEC, 60.0)}
    assert max(times) == max(right) + 300_000_000


def test_a_rebooting_node_is_away_a_third_of_the_time() -> None:
    fault = Fault("node-rebooting", target="hall-node")
    told = [t for t, channel, _ in simulate(SPEC, 650.0, [fault]) if channel == HALL + "lights"]
    assert len(told) == pytest.approx(130 * 45 / 65, abs=2)
