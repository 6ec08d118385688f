from dataclasses import replace
from math import pi

import pytest
from scipy.optimize import fsolve
from support.plants import ONE_DISPLAY

from weirsim.circuit import L_H, Circuit
from weirsim.harbour_hall import SPEC
from weirsim.plant import LoopSpec
from weirwatch.water.hydraulics import operating_point_m3_s, pipe_head_loss_m, pump_head_m


def flows(circuit: Circuit) -> dict[str, float]:
    branches = (*circuit.displays, *circuit.loops)
    return {branch.id: branch.flow_m3_s / L_H for branch in branches}


def test_everything_clean_gives_the_design_flows() -> None:
    circuit = Circuit(SPEC)
    circuit.solve(0.0)
    assert circuit.total_m3_s / L_H == pytest.approx(6000.0, rel=1e-6)
    got = flows(circuit)
    assert got["uv"] == pytest.approx(1000.0, rel=1e-6)
    assert got["refuge"] == pytest.approx(700.0, rel=1e-6)
    assert got["reactor"] == pytest.approx(60.0, rel=1e-6)
    # what the loops leave, by volume: 4240 L/h over 1400 L and 900 L
    assert got["north"] == pytest.approx(4240 * 1400 / 2300, rel=1e-6)
    assert got["south"] == pytest.approx(4240 * 900 / 2300, rel=1e-6)


def test_heads_balance_off_the_design_point() -> None:
    circuit = Circuit(SPEC)
    circuit.loops[0].valve = 0.2
    fall_m = 0.04
    circuit.solve(fall_m)
    head = pump_head_m(circuit.total_m3_s, SPEC.pump.shutoff_head_m, circuit.k)
    shared = sum(branch.flow_m3_s for branch in circuit.displays)
    riser = pipe_head_loss_m(shared, SPEC.pump.pipe_d_m, SPEC.pump.pipe_m, SPEC.pump.minor_k)
    outlet = circuit.displays[0]
    needed = SPEC.pump.static_head_m + fall_m + riser
    needed += (outlet.flow_m3_s / outlet.conductance) ** 2
    assert head == pytest.approx(needed, abs=1e-3)
    refuge = circuit.loops[1]
    lift = 0.5 * SPEC.pump.static_head_m + fall_m
    assert head == pytest.approx(lift + (refuge.flow_m3_s / refuge.conductance) ** 2, abs=1e-6)
    assert circuit.total_m3_s == pytest.approx(sum(flows(circuit).values()) * L_H, rel=1e-12)


def test_the_manifold_agrees_with_an_independent_solver() -> None:
    """scipy solves the same network from pump curve and pipe formula, with its own iteration."""
    circuit = Circuit(SPEC)
    circuit.loops[0].valve = 0.0
    circuit.fouling = 1.5
    circuit.solve(-0.02)
    pump, loops = SPEC.pump, circuit.loops[1:]
    open_to = sum(branch.conductance for branch in circuit.displays)

    def residuals(guess: list[float]) -> list[float]:
        trunk, refuge, reactor = (value * 1e-3 for value in guess)
        head = pump.shutoff_head_m - 1.5 * circuit.k * (trunk + refuge + reactor) ** 2
        loss = pipe_head_loss_m(trunk, pump.pipe_d_m, pump.pipe_m, pump.minor_k)
        return [
            head - (pump.static_head_m - 0.02) - loss - (trunk / open_to) ** 2,
            head - (loops[0].lift_m - 0.02) - (refuge / loops[0].conductance) ** 2,
            head - (reactor / loops[1].conductance) ** 2,
        ]

    trunk, refuge, reactor = fsolve(residuals, [1.0, 0.2, 0.02]) * 1e-3
    got = flows(circuit)
    assert got["north"] + got["south"] == pytest.approx(trunk / L_H, rel=1e-3)
    assert got["refuge"] == pytest.approx(refuge / L_H, rel=1e-3)
    assert got["reactor"] == pytest.approx(reactor / L_H, rel=1e-3)


@pytest.mark.parametrize("fall_m", [-0.1, 0.0, 0.2, 1.0])
def test_one_display_alone_sits_at_the_operating_point_of_pump_and_pipe(fall_m: float) -> None:
    circuit = Circuit(ONE_DISPLAY)
    pump = ONE_DISPLAY.pump
    area = 0.25 * pi * pump.pipe_d_m**2
    speed = pump.flow_l_h * L_H / area
    outlet_k = pump.outlet_loss_m * 2.0 * 9.80665 / speed**2
    expected = operating_point_m3_s(
        pump.shutoff_head_m,
        circuit.k,
        pump.static_head_m + fall_m,
        pump.pipe_d_m,
        pump.pipe_m,
        pump.minor_k + outlet_k,
    )
    circuit.solve(fall_m)
    assert circuit.total_m3_s == pytest.approx(expected, rel=1e-3)


def test_closing_one_valve_moves_all_other_flows_up_and_the_total_down() -> None:
    circuit = Circuit(SPEC)
    circuit.solve(0.0)
    before, total = flows(circuit), circuit.total_m3_s
    circuit.loops[0].valve = 0.0
    circuit.solve(0.0)
    after = flows(circuit)
    assert after["uv"] == 0.0
    for other in ("north", "south", "refuge", "reactor"):
        assert after[other] > 1.005 * before[other]
    assert circuit.total_m3_s < total


def test_a_valve_half_shut_takes_less_than_as_set_and_more_than_shut() -> None:
    circuit = Circuit(SPEC)
    seen = []
    for valve in (1.0, 0.5, 0.0):
        circuit.loops[1].valve = valve
        circuit.solve(0.0)
        seen.append((flows(circuit)["refuge"], flows(circuit)["north"]))
    assert [refuge for refuge, _ in seen] == sorted((r for r, _ in seen), reverse=True)
    assert [north for _, north in seen] == sorted(north for _, north in seen)


@pytest.mark.parametrize("share", [0.9, 0.6, 0.3])
def test_fouling_gives_the_flow_it_is_asked_for(share: float) -> None:
    circuit = Circuit(SPEC)
    circuit.fouling = circuit.fouling_for(share)
    circuit.solve(0.0)
    assert circuit.total_m3_s / L_H == pytest.approx(6000.0 * share, rel=2e-3)


def test_a_pump_too_clogged_to_lift_still_feeds_what_lies_low() -> None:
    circuit = Circuit(SPEC)
    circuit.fouling = circuit.fouling_for(0.1)
    circuit.solve(0.0)
    assert flows(circuit)["north"] == 0.0
    assert flows(circuit)["uv"] > 100.0


def test_a_lower_sump_means_more_lift_and_less_flow() -> None:
    circuit = Circuit(SPEC)
    circuit.solve(0.0)
    full = circuit.total_m3_s
    circuit.solve(0.2)
    assert circuit.total_m3_s < full


def test_the_way_back_through_a_stopped_pump_follows_the_square_root_of_the_fall() -> None:
    circuit = Circuit(SPEC)
    low, high = circuit.back_flow_m3_s("north", 0.5), circuit.back_flow_m3_s("north", 2.0)
    assert high == pytest.approx(2.0 * low)
    assert circuit.back_flow_m3_s("north", -0.1) == 0.0
    assert circuit.riser_drain_m3_s(1.9) > circuit.back_flow_m3_s("north", 1.9)
    assert circuit.back_flow_m3_s("sump-that-nobody-feeds", 1.0) == 0.0


def test_a_pump_without_head_for_its_design_point_is_refused() -> None:
    weak = replace(SPEC, pump=replace(SPEC.pump, shutoff_head_m=2.0))
    with pytest.raises(ValueError, match=r"shutoff_head_m 2 must exceed the 2\.\d\d m"):
        Circuit(weak)


def test_a_loop_above_what_the_pump_reaches_is_refused() -> None:
    high = replace(SPEC, loops=(LoopSpec("attic", "sump", 100.0, outlet_head_m=5.0),))
    with pytest.raises(ValueError, match="loop attic: outlet_head_m 5 is above"):
        Circuit(high)


def test_a_stopped_pump_moves_nothing() -> None:
    circuit = Circuit(SPEC)
    circuit.solve(0.0)
    circuit.stop()
    assert circuit.total_m3_s == 0.0
    assert set(flows(circuit).values()) == {0.0}
    circuit.solve(0.0)
    assert circuit.total_m3_s > 0.0


def test_the_riser_holds_what_its_pipe_holds() -> None:
    # 8 m of 40.9 mm pipe: pi/4 d² L
    assert Circuit(SPEC).riser_m3 == pytest.approx(pi / 4 * 0.0409**2 * 8.0)
