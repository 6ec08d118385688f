"""Water on its way: pump, manifold, weirs, drain-back, top-off, leaks, and the floor."""

from weirsim.circuit import L_H, Circuit
from weirsim.equipment import TopOff
from weirsim.ledger import Ledger
from weirsim.plant import VORTEX_M, PlantSpec
from weirsim.upset import Upset
from weirsim.vessels import Vessel, Water
from weirwatch.water.dosing import LIMEWATER_MMOL_L
from weirwatch.water.hydraulics import weir_head_m

# Salt in a cubic metre per unit of practical salinity: density of S 35 at 25 °C (EOS-80) times
# reference salinity (Millero et al. 2008). Constant, so that salinity is exactly a dilution.
SALT_KG_M3 = 1023.343 * 35.16504 / 35.0 / 1000.0
_FLOOR_DRIES_M3_S = 2.0 * L_H
_FRESH_OXYGEN = 8.7  # mg/L, fresh water of 22 °C in balance with air (from memory)
_REFILL_S = 18 * 3600.0  # the keeper looks at the reservoir after work


class Waterworks:
    """All the plant's water and where it moves.

    Args:
        spec: the plant; starts in its steady state with everything clean.
        heat_j_m3_k: volumetric heat capacity of its water.
        ledger: where what comes in and goes out is written.

    Attributes:
        vessels: by id, in the order of the spec.
        riser: contents of the pipe to the displays.
        floor: water on the sump room's floor.
        flow_share: of the circuit's solved flows; below 1 when the pump draws air.
    """

    def __init__(self, spec: PlantSpec, heat_j_m3_k: float, ledger: Ledger) -> None:
        self.spec = spec
        self.heat_j_m3_k = heat_j_m3_k
        self.ledger = ledger
        self.circuit = Circuit(spec)
        self.riser = Water()
        self.floor = Water()
        self.flow_share = 1.0
        self.top_off = TopOff(spec.top_off) if spec.top_off else None
        self.vessels = {vessel.id: Vessel(vessel, 0.0) for vessel in spec.vessels}
        self.sump = self.vessels[spec.sump.id]
        self._weirs = [v for v in self.vessels.values() if v.spec.role in ("display", "refuge")]
        self._displays = frozenset(vessel.id for vessel in spec.displays)
        self._reservoir = self.vessels[spec.top_off.reservoir] if spec.top_off else None
        self._work_m = (spec.sump.working_l or 0.0) / 1000.0 / spec.sump.area_m2
        self._intake_m3 = spec.pump.intake_m * spec.sump.area_m2
        self._vortex_m3 = VORTEX_M * spec.sump.area_m2
        branches = (*self.circuit.loops, *self.circuit.displays)
        self._lift_m = {branch.feeds: branch.lift_m for branch in branches}
        self._siphons: list[tuple[Vessel, float]] = []  # with the contents up to the outlet, m³
        self._inflow = dict.fromkeys(self.vessels, 0.0)
        self._seen_s = _REFILL_S
        self._fill()
        self.adopt(Upset())

    def adopt(self, upset: Upset) -> None:
        """Set valves, blockages and siphon breaks as the faults have them."""
        self.circuit.fouling = 1.0
        if 0.0 < upset.flow_share < 1.0:
            self.circuit.fouling = self.circuit.fouling_for(upset.flow_share)
        for branch in self.circuit.loops:
            branch.valve = upset.valves.get(branch.id, 1.0)
        for vessel in self._weirs:
            vessel.open_share = upset.overflows.get(vessel.spec.id, 1.0)
        self._siphons = [
            (vessel, vessel.crest_m3 - vessel.spec.outlet_below_crest_m * vessel.area_m2)
            for vessel in self._weirs
            if vessel.spec.id in self._lift_m  # what no pipe feeds none can draw from
            and (not vessel.spec.siphon_break or vessel.spec.id in upset.siphons)
        ]

    @property
    def system_m3(self) -> float:
        """All circulating water that is in a vessel."""
        return sum(v.volume_m3 for v in self.vessels.values() if v is not self._reservoir)

    def step(self, upset: Upset, pump_on: bool, room_degc: float, dt_s: float) -> None:
        """Move the water of one step."""
        for vessel_id in self._inflow:
            self._inflow[vessel_id] = 0.0
        if pump_on:
            self._pump(upset, dt_s)
        else:
            self._drain_back(dt_s)
        self._leak(upset, dt_s)
        self._overflow(dt_s)
        self._top_off(upset, room_degc, dt_s)
        excess_m3 = self.sump.volume_m3 - self.sump.rim_m3
        self.sump.give(excess_m3, self.floor)
        dried_m3 = min(self.floor.volume_m3, _FLOOR_DRIES_M3_S * dt_s)
        self.floor.volume_m3 -= dried_m3  # salt and warmth stay on the floor's account
        self.ledger.dried_m3 += dried_m3

    def tend(self, local_s: float) -> None:
        """Do what the keeper does by the clock: fill the reservoir up at 18:00 when it is low."""
        before_s, self._seen_s = self._seen_s, local_s
        reservoir = self._reservoir
        if reservoir is None or self.top_off is None or not before_s < _REFILL_S <= local_s:
            return
        least = self.top_off.spec.refill_below
        if least is not None and reservoir.volume_m3 < least * reservoir.full_m3:
            self.ledger.poured_m3 += reservoir.full_m3 - reservoir.volume_m3
            reservoir.volume_m3 = reservoir.full_m3

    def _pump(self, upset: Upset, dt_s: float) -> None:
        circuit, sump = self.circuit, self.sump
        circuit.solve(self._work_m - sump.level_m)
        wanted = circuit.total_m3_s * dt_s
        left = sump.volume_m3 - self._intake_m3
        share = min(1.0, left / self._vortex_m3, left / wanted) if left > 0.0 else 0.0
        self.flow_share = share
        rising = [branch.flow_m3_s * share * dt_s for branch in circuit.displays]
        total = sum(rising)
        sump.give(total, self.riser)
        arriving = max(0.0, self.riser.volume_m3 - circuit.riser_m3)  # it fills before it delivers
        for branch, part in zip(circuit.displays, rising, strict=True):
            moved = arriving * part / total if total > 0.0 else 0.0
            self.riser.give(moved, self.vessels[branch.feeds])
            self._inflow[branch.feeds] += moved / dt_s
        for branch in circuit.loops:
            self._feed(branch.feeds, branch.flow_m3_s * share, dt_s)
        sump.give(min(upset.floor_leak_m3_s * share * dt_s, sump.volume_m3), self.floor)

    def _feed(self, vessel_id: str, flow_m3_s: float, dt_s: float) -> None:
        vessel = self.vessels[vessel_id]
        if vessel is not self.sump:
            self.sump.give(flow_m3_s * dt_s, vessel)
            self._inflow[vessel_id] += flow_m3_s

    def _drain_back(self, dt_s: float) -> None:
        circuit, sump = self.circuit, self.sump
        circuit.stop()
        self.flow_share = 1.0
        fall_m = self._work_m - sump.level_m
        riser_held = False
        for vessel, outlet_m3 in self._siphons:
            over = vessel.volume_m3 - outlet_m3
            if over <= 1e-9:
                continue
            vessel_id = vessel.spec.id
            drop_m = (vessel.volume_m3 - vessel.crest_m3) / vessel.area_m2
            flow = circuit.back_flow_m3_s(vessel_id, self._lift_m[vessel_id] + fall_m + drop_m)
            moved = min(flow * dt_s, over)
            vessel.give(moved, sump)
            self._inflow[vessel_id] -= moved / dt_s
            riser_held |= vessel_id in self._displays
        if not riser_held and self.riser.volume_m3 > 0.0:
            flow = circuit.riser_drain_m3_s(self.spec.pump.static_head_m + fall_m)
            self.riser.give(flow * dt_s, sump)

    def _leak(self, upset: Upset, dt_s: float) -> None:
        for vessel_id, full_m3_s in upset.vessel_leaks_m3_s.items():
            vessel = self.vessels[vessel_id]
            flow = full_m3_s * (vessel.volume_m3 / vessel.rim_m3) ** 0.5  # Torricelli
            vessel.give(flow * dt_s, self.floor if vessel is self.sump else self.ledger.lost)
            self._inflow[vessel_id] -= flow

    def _overflow(self, dt_s: float) -> None:
        for vessel in self._weirs:
            spill = vessel.spill_m3(self._inflow[vessel.spec.id], dt_s)
            vessel.give(spill, self.sump)
            vessel.spilled_m3 += spill
            if vessel.volume_m3 > vessel.rim_m3:  # onto the floor of another room
                vessel.give(vessel.volume_m3 - vessel.rim_m3, self.ledger.lost)

    def _top_off(self, upset: Upset, room_degc: float, dt_s: float) -> None:
        if self.top_off is None or self._reservoir is None:
            return
        if upset.filler_m3_s > 0.0:
            self._supply(self._reservoir, upset.filler_m3_s * dt_s)
        level_mm = 1000.0 * self.sump.level_m
        flow = self.top_off.flow_m3_s(level_mm, upset.top_off, upset.powered)
        if flow > 0.0:
            moved = min(flow * dt_s, self._reservoir.volume_m3)
            warmth_j = moved * self.heat_j_m3_k * room_degc
            self._reservoir.volume_m3 -= moved
            self.sump.volume_m3 += moved
            self.sump.heat_j += warmth_j
            self.ledger.topped_off_m3 += moved
            self.ledger.fresh_j += warmth_j
            lime = upset.lime * LIMEWATER_MMOL_L * moved
            self.ledger.bring(self.sump, _FRESH_OXYGEN * moved, 2.0 * lime, 0.0, lime)

    def _supply(self, reservoir: Vessel, moved_m3: float) -> None:
        """Let supply water into the reservoir, and over its rim onto the floor."""
        self.ledger.poured_m3 += moved_m3
        reservoir.volume_m3 += moved_m3
        over_m3 = reservoir.volume_m3 - reservoir.rim_m3
        if over_m3 > 0.0:
            reservoir.volume_m3 -= over_m3
            self.floor.volume_m3 += over_m3

    def _fill(self) -> None:
        """Fill everything to its running level."""
        self.circuit.solve(0.0)
        inflow = dict.fromkeys(self.vessels, 0.0)
        for branch in (*self.circuit.displays, *self.circuit.loops):
            inflow[branch.feeds] += branch.flow_m3_s
        for vessel in self._weirs:
            head = weir_head_m(inflow[vessel.spec.id], vessel.spec.crest_length_m or 0.0)
            room_m = vessel.spec.height_m - (vessel.spec.crest_m or 0.0)
            if head >= room_m:
                raise ValueError(
                    f"vessel {vessel.spec.id}: {inflow[vessel.spec.id] / L_H:.0f} L/h stand "
                    f"{1000.0 * head:.0f} mm above its crest of {vessel.spec.crest_length_m:g} m, "
                    f"and its rim is only {1000.0 * room_m:.0f} mm above it: measure crest_m, "
                    "crest_length_m and height_m again"
                )
            self._set(vessel, vessel.crest_m3 + head * vessel.area_m2)
        self._set(self.sump, (self.spec.sump.working_l or 0.0) / 1000.0)
        self._set(self.riser, self.circuit.riser_m3)
        if self._reservoir is not None:
            self._reservoir.volume_m3 = self._reservoir.full_m3

    def _set(self, water: Water, volume_m3: float) -> None:
        start = self.spec.warm_degc if self.spec.start_degc is None else self.spec.start_degc
        water.volume_m3 = volume_m3
        water.salt_kg = self.spec.salinity * SALT_KG_M3 * volume_m3
        water.heat_j = self.heat_j_m3_k * start * volume_m3
