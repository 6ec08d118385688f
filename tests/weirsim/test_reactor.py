"""The calcium reactor against an independent solver and the balance of `water.reactor`."""

import pytest
from scipy.integrate import solve_ivp
from support.plants import run

from weirsim.air import Air
from weirsim.faults import Fault
from weirsim.gear import AirSpec, ReactorSpec
from weirsim.harbour_hall import NODES, SPEC
from weirsim.ledger import Ledger
from weirsim.model import Plant
from weirsim.reactor import Reactor
from weirsim.upset import Upset
from weirsim.vessels import Water
from weirwatch.water.dosing import calcium_with_alkalinity_mg_L
from weirwatch.water.equilibrium import equilibrium
from weirwatch.water.reactor import alkalinity_dkh_day
from weirwatch.water.salinity import density_kg_m3

S, DEGC = 35.0, 25.0
RHO = density_kg_m3(S, DEGC)


def lake() -> Water:
    """Return so much water of 8 dKH that a reactor does not change it."""
    water = Water(1e9, 36.0e9, 1e15)
    water.alkalinity_mol, water.carbon_mol, water.calcium_mol = 2.853e9, 2.5e9, 10.5e9
    return water


def chamber() -> tuple[Reactor, Water, Ledger]:
    ledger, source = Ledger(), lake()
    return Reactor(ReactorSpec(), source, S, DEGC, ledger, Air(AirSpec())), source, ledger


def test_at_rest_nothing_in_the_chamber_changes() -> None:
    reactor, source, _ = chamber()
    before = (reactor.water.alkalinity_mol, reactor.water.carbon_mol)
    for _ in range(240):
        reactor.step(Upset(), 1.0, source, S, DEGC, 30.0)
    after = (reactor.water.alkalinity_mol, reactor.water.carbon_mol)
    assert after == pytest.approx(before, rel=4e-3)
    assert 6.5 < reactor.ph_nbs < 6.9  # as the trade sets it
    effluent_dkh = 2.8039 * reactor.water.alkalinity_mol / reactor.water.volume_m3
    assert 20.0 < effluent_dkh < 35.0


@pytest.mark.parametrize("gas_mol_h", [0.02, 0.2])
def test_the_chamber_after_a_change_of_gas_is_that_of_scipy(gas_mol_h: float) -> None:
    """LSODA on the same balances, with `water.equilibrium` and its pH by halving."""
    reactor, source, _ = chamber()
    spec, constants = reactor.spec, equilibrium(S, DEGC)
    volume = spec.chamber_l / 1000.0
    flow_h = spec.effluent_ml_min * 60e-6 / volume
    w = reactor.water
    begin = [x / volume for x in (w.alkalinity_mol, w.carbon_mol, w.calcium_mol)]

    def slope(_h: float, y: list[float]) -> list[float]:
        alkalinity, carbon, calcium = y
        ph = constants.ph_from_dic(alkalinity / RHO, carbon / RHO)
        ion = constants.carbonate_ion(ph, carbon / RHO)
        omega = calcium / RHO * ion / constants.k_aragonite
        gone = spec.dissolving_mol_h * max(0.0, 1.0 - omega) / volume
        gas = (spec.gas_mmol_h / 1000.0 + gas_mol_h) / volume
        return [
            flow_h * (2.853 - alkalinity) + 2.0 * gone,
            flow_h * (2.5 - carbon) + gone + gas,
            flow_h * (10.5 - calcium) + gone,
        ]

    solved = solve_ivp(slope, (0.0, 1.0), begin, method="LSODA", rtol=1e-9)
    upset = Upset(gas_mol_h=gas_mol_h)
    for _ in range(360):
        reactor.step(upset, 1.0, source, S, DEGC, 10.0)
    found = [x / volume for x in (w.alkalinity_mol, w.carbon_mol, w.calcium_mol)]
    assert found == pytest.approx(list(solved.y[:, -1]), rel=3e-3)


def test_what_it_adds_is_the_balance_of_the_water_functions() -> None:
    reactor, source, ledger = chamber()
    system_dkh = 2.8039 * source.alkalinity_mol / source.volume_m3
    for _ in range(2880):
        reactor.step(Upset(), 1.0, source, S, DEGC, 30.0)
    effluent_dkh = 2.8039 * reactor.water.alkalinity_mol / reactor.water.volume_m3
    expected = alkalinity_dkh_day(95.0, effluent_dkh, system_dkh, 2900.0)
    added_dkh = 2.8039 * 2.0 * ledger.dissolved_mol / 2.9
    assert added_dkh == pytest.approx(expected, rel=5e-3)
    added_mg_l = ledger.dissolved_mol * 40.078 / 2.9
    assert added_mg_l == pytest.approx(calcium_with_alkalinity_mg_L(added_dkh), rel=1e-3)


def test_gas_that_finds_no_room_bubbles_out_into_the_air() -> None:
    reactor, source, ledger = chamber()
    for _ in range(360):
        reactor.step(Upset(gas_mol_h=2.0), 1.0, source, S, DEGC, 30.0)
    constants = equilibrium(S, DEGC)
    carbon = reactor.water.carbon_mol / reactor.water.volume_m3 / RHO
    alkalinity = reactor.water.alkalinity_mol / reactor.water.volume_m3 / RHO
    pressure = constants.pco2(constants.ph_from_dic(alkalinity, carbon), carbon)
    assert pressure == pytest.approx(1.0, abs=0.05)
    assert ledger.vented_mol > 3.0


def test_an_empty_bottle_gives_nothing() -> None:
    reactor, source, ledger = chamber()
    reactor.bottle_mol = 0.01
    for _ in range(1200):
        reactor.step(Upset(), 1.0, source, S, DEGC, 60.0)
    assert ledger.gas_mol == pytest.approx(0.01)
    assert reactor.ph_nbs > 7.3


def test_a_stopped_return_leaves_gas_flowing_into_standing_water() -> None:
    plant = run(SPEC, 3600.0, [Fault("return-pump-stopped")], step_s=30.0)
    assert plant.reactor is not None
    assert plant.reactor.effluent_ml_min == 0.0
    assert plant.reactor.ph_nbs < Plant(SPEC, 0).reactor.ph_nbs - 0.02  # type: ignore[union-attr]


def test_without_power_the_gas_valve_closes_unless_the_regulator_creeps() -> None:
    cut = run(SPEC, 3600.0, [Fault("mains-lost")], step_s=30.0)
    assert cut.ledger.gas_mol == 0.0
    creeps = run(SPEC, 3600.0, [Fault("mains-lost"), Fault("reactor-co2-runaway")], step_s=30.0)
    assert creeps.ledger.gas_mol == pytest.approx(2.0, rel=0.01)


def test_a_runaway_acidifies_the_chamber_then_the_system_and_the_room() -> None:
    plant = Plant(SPEC, 0, [Fault("reactor-co2-runaway", 600.0)], NODES)
    assert plant.reactor is not None
    usual = run(SPEC, 12 * 3600.0, step_s=30.0)
    while plant.elapsed_s < 3600.0:
        plant.step(30.0)
    assert plant.reactor.ph_nbs < 6.2
    while plant.elapsed_s < 12 * 3600.0:
        plant.step(30.0)
    sump = plant.life.habitats["sump"].ph_nbs
    assert sump < usual.life.habitats["sump"].ph_nbs - 0.2
    assert plant.air.co2_ppm > 1000.0
