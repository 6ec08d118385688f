from dataclasses import replace

import pytest
from support.plants import ONE_DISPLAY, quiet, run, sump_mm

from weirsim.circuit import Circuit
from weirsim.faults import Fault
from weirsim.harbour_hall import SPEC
from weirsim.model import Plant
from weirsim.plant import TopOffSpec
from weirwatch.water.hydraulics import drain_back_l, spare_margin_l, weir_head_m

CUT = Fault("mains-lost")


def head_l(plant: Plant) -> dict[str, float]:
    vessels = plant.works.vessels.values()
    return {v.spec.id: 1000.0 * v.head_m * v.area_m2 for v in vessels if v.spec.crest_length_m}


def test_the_plant_starts_in_its_steady_state() -> None:
    before, after = run(quiet(), 0.0), run(quiet(), 3600.0)
    for name, vessel in before.works.vessels.items():
        assert after.works.vessels[name].volume_m3 == pytest.approx(vessel.volume_m3, abs=2e-6)
    assert before.works.vessels["north"].volume_m3 == pytest.approx(1.4, abs=2e-4)
    assert before.works.vessels["south"].volume_m3 == pytest.approx(0.9, abs=2e-4)
    assert before.works.vessels["refuge"].volume_m3 == pytest.approx(0.26, abs=2e-4)


def test_drain_back_of_the_published_rows() -> None:
    """Check values 7.8 (head over 2 m² at 6000 L/h and 1 m of crest: 18.72 L) and 7.10 (50 L)."""
    riser_l = 1000.0 * Circuit(ONE_DISPLAY).riser_m3
    start = sump_mm(run(ONE_DISPLAY, 0.0))
    breaks = sump_mm(run(ONE_DISPLAY, 8 * 3600.0, [CUT], step_s=10.0)) - start
    assert breaks == pytest.approx(18.72 + riser_l, abs=0.05)
    siphons = (
        sump_mm(run(ONE_DISPLAY, 8 * 3600.0, [CUT, Fault("siphon-break-blocked")], step_s=10.0))
        - start
    )
    assert siphons - breaks == pytest.approx(50.0, abs=0.01)


def test_drain_back_of_harbour_hall_is_the_closed_form() -> None:
    plant = run(quiet(), 0.0)
    circuit = plant.works.circuit
    expected = 1000.0 * circuit.riser_m3
    for branch in (*circuit.displays, circuit.loops[1]):
        spec = SPEC.vessel(branch.feeds)
        head = weir_head_m(branch.flow_m3_s, spec.crest_length_m or 0.0)
        expected += drain_back_l(head, spec.area_m2)
    after = run(quiet(), 12 * 3600.0, [CUT], step_s=10.0)
    assert sump_mm(after) - 300.0 == pytest.approx(expected, abs=0.05)
    assert head_l(after)["north"] < 0.01
    assert after.works.riser.volume_m3 == 0.0
    assert not after.floor_wet


def test_most_of_the_drain_back_arrives_within_two_minutes() -> None:
    whole = sump_mm(run(quiet(), 12 * 3600.0, [CUT], step_s=10.0)) - 300.0
    soon = sump_mm(run(quiet(), 120.0, [CUT])) - 300.0
    assert 0.9 * whole < soon < whole
    assert 30.0 < whole < 34.0


def test_a_blocked_siphon_break_floods_the_floor_by_the_closed_form() -> None:
    north = SPEC.vessel("north")
    faults = [CUT, Fault("siphon-break-blocked")]
    plant = run(quiet(), 6 * 60.0, faults)
    normal = sump_mm(run(quiet(), 12 * 3600.0, [CUT], step_s=10.0)) - 300.0
    siphoned = 1000.0 * north.outlet_below_crest_m * north.area_m2
    over = -spare_margin_l(420.0, 300.0, normal + siphoned)
    assert over > 0.0
    assert sump_mm(plant) == pytest.approx(420.0, abs=0.01)
    assert plant.floor_wet
    on_floor = 1000.0 * (plant.works.floor.volume_m3 + plant.ledger.dried_m3)
    assert on_floor == pytest.approx(over, abs=0.5)
    level = plant.works.vessels["north"].level_m
    assert level == pytest.approx((north.crest_m or 0.0) - north.outlet_below_crest_m, abs=1e-5)


def test_a_siphon_holds_the_riser_full_until_it_draws_air() -> None:
    faults = [CUT, Fault("siphon-break-blocked")]
    assert run(quiet(), 60.0, faults).works.riser.volume_m3 > 0.01
    assert run(quiet(), 600.0, faults).works.riser.volume_m3 == 0.0


def test_a_plant_described_without_siphon_breaks_always_siphons() -> None:
    vessels = tuple(replace(v, siphon_break=False) if v.id == "refuge" else v for v in SPEC.vessels)
    spec = quiet(replace(SPEC, vessels=vessels))
    plant = run(spec, 3600.0, [CUT])
    assert plant.works.vessels["refuge"].level_m == pytest.approx(0.5144 - 0.03, abs=1e-5)


def test_a_refuge_that_no_pipe_feeds_is_drawn_down_by_none() -> None:
    vessels = tuple(
        replace(v, siphon_break=False) if v.role == "refuge" else v for v in SPEC.vessels
    )
    spec = replace(SPEC, vessels=vessels, loops=SPEC.loops[:1])
    plant = run(spec, 600.0, [Fault("return-pump-stopped")])
    refuge = plant.works.vessels["refuge"]
    assert refuge.level_m == pytest.approx(SPEC.vessel("refuge").crest_m, abs=1e-3)


def test_the_mains_return_and_every_level_comes_back() -> None:
    plant = run(quiet(), 7200.0, [Fault("mains-lost", 60.0, duration_s=1800.0)])
    still = run(quiet(), 0.0)
    assert plant.works.riser.volume_m3 == pytest.approx(still.works.riser.volume_m3)
    for name, vessel in plant.works.vessels.items():
        assert vessel.level_m == pytest.approx(still.works.vessels[name].level_m, abs=2e-5)


def test_the_riser_fills_before_it_delivers() -> None:
    plant = run(quiet(), 660.0, [Fault("mains-lost", 0.0, duration_s=660.0)], step_s=1.0)
    north = plant.works.vessels["north"].volume_m3
    plant.step(1.0)
    assert 0.0 < plant.works.riser.volume_m3 < plant.works.circuit.riser_m3
    assert plant.works.vessels["north"].volume_m3 <= north


def test_evaporation_and_top_off_make_a_saw_tooth() -> None:
    """Height = travel of the float; period = travel × area / evaporation (volume balance)."""
    spec = quiet(SPEC, evaporation_l_per_day=24.0, heaters=(), start_degc=22.0, loss_w_per_k=1e6)
    plant = run(spec, 0.0)
    levels, starts, was_on = [], [], False
    for i in range(round(24 * 3600 / 2.5)):
        plant.step()
        top_off = plant.works.top_off
        assert top_off is not None
        if i > 4 * 1440:
            levels.append(sump_mm(plant))
            if top_off.running and not was_on:
                starts.append(plant.elapsed_s)
        was_on = top_off.running
    assert max(levels) - min(levels) == pytest.approx(3.0, abs=0.1)
    evaporated_l_h = 1000.0 * plant.ledger.evaporated_m3 / 24.0
    filling_h = 3.0 / (30.0 - evaporated_l_h)
    period_h = 3.0 / evaporated_l_h + filling_h
    assert (starts[1] - starts[0]) / 3600.0 == pytest.approx(period_h, rel=0.02)
    assert plant.ledger.topped_off_m3 == pytest.approx(plant.ledger.evaporated_m3, abs=3.1e-3)


def test_an_empty_reservoir_tops_nothing_off_though_the_pump_runs() -> None:
    spec = replace(quiet(), top_off=TopOffSpec("reservoir", 30.0, 300.0, 3.0, refill_below=None))
    plant = run(spec, 6 * 3600.0, [Fault("top-off-stuck-on")])
    assert plant.works.vessels["reservoir"].volume_m3 == 0.0
    assert plant.ledger.topped_off_m3 == pytest.approx(0.12)
    assert plant.works.top_off is not None
    assert plant.works.top_off.running
    # salinity is a dilution: S' = S V / (V + w)
    sea = [v for v in plant.works.vessels.values() if v.spec.role != "reservoir"]
    sea_m3 = sum(v.volume_m3 for v in sea) + plant.works.riser.volume_m3
    assert plant.salinity(plant.works.sump) == pytest.approx(
        35.0 * (sea_m3 - 0.12) / sea_m3, abs=0.05
    )


def test_the_keeper_fills_a_low_reservoir_at_six() -> None:
    plant = run(SPEC, 7 * 86_400.0, step_s=30.0)
    assert 0.08 < plant.ledger.poured_m3 < 0.12
    assert plant.works.vessels["reservoir"].volume_m3 > 0.02


def test_a_blocked_overflow_lifts_the_display_and_empties_the_sump() -> None:
    plant = run(quiet(), 1800.0, [Fault("overflow-blocked")])
    north, sump = plant.works.vessels["north"], plant.works.sump
    assert north.volume_m3 == pytest.approx(north.rim_m3)
    assert plant.ledger.lost.volume_m3 > 0.1
    assert sump.level_m == pytest.approx(SPEC.pump.intake_m, abs=0.03)
    assert plant.flow_l_h("return") < 3000.0  # it draws air
    assert plant.works.vessels["south"].level_m < SPEC.vessel("south").height_m


def test_a_half_blocked_overflow_only_stands_higher() -> None:
    plant = run(quiet(), 1800.0, [Fault("overflow-blocked", severity=0.5)])
    still = run(quiet(), 0.0)
    ratio = plant.works.vessels["north"].head_m / still.works.vessels["north"].head_m
    assert ratio == pytest.approx(2.0 ** (2.0 / 3.0), rel=0.01)
    assert plant.ledger.lost.volume_m3 == 0.0


def test_a_leak_in_a_display_shows_in_the_sump_alone() -> None:
    spec = quiet(SPEC, top_off=None)
    plant = run(spec, 3600.0, [Fault("vessel-leaking", target="north")])
    lost = 1000.0 * plant.ledger.lost.volume_m3
    assert lost == pytest.approx(20.0, rel=0.03)  # Torricelli at nearly full depth
    assert sump_mm(plant) == pytest.approx(300.0 - lost, abs=0.3)
    assert not plant.floor_wet


def test_a_leak_in_the_sump_wets_its_floor() -> None:
    plant = run(quiet(), 1800.0, [Fault("vessel-leaking", target="sump")])
    assert plant.floor_wet


def test_a_floor_leak_needs_the_pump() -> None:
    assert run(quiet(), 60.0, [Fault("floor-leak")]).floor_wet
    assert not run(quiet(), 600.0, [Fault("floor-leak"), Fault("return-pump-stopped")]).floor_wet


def test_the_floor_dries_slowly() -> None:
    faults = [Fault("floor-leak", duration_s=60.0)]
    assert run(quiet(), 3600.0, faults).floor_wet
    assert not run(quiet(), 4 * 3600.0, faults).floor_wet


def test_a_loop_that_feeds_a_display_adds_to_its_overflow() -> None:
    loops = (replace(SPEC.loops[0], feeds="south"), *SPEC.loops[1:])
    spec = quiet(replace(SPEC, loops=loops))
    plant = run(spec, 3600.0)
    head = plant.works.vessels["south"].head_m
    assert head == pytest.approx(weir_head_m((1659.13 + 1000.0) / 3.6e6, 0.28), rel=1e-3)


def test_a_reservoir_without_top_off_is_left_alone() -> None:
    plant = run(quiet(SPEC, top_off=None), 60.0)
    assert plant.works.vessels["reservoir"].volume_m3 == 0.0
