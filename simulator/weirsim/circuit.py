"""Where the return pump's water goes: one manifold, the riser to the displays and the side loops.

Quasi-steady: pipes settle in seconds, vessels in minutes, so at every moment the head at the
manifold is the one at which the pump gives exactly what all branches take. Branches know each other
only through that head, which is why closing one valve moves the flow of all others.
"""

from dataclasses import dataclass
from math import pi, sqrt

from weirsim.plant import LoopSpec, PlantSpec
from weirwatch.water.hydraulics import pipe_head_loss_m, pump_k

L_H = 1.0 / 3_600_000.0  # litres per hour in m³/s
_SAME_LIFT_M = 1e-4  # the flows answer 0.003 % to so small a change of level: not solved anew
_SAME_FLOW_M3_S = 1e-11


@dataclass(slots=True)
class Branch:
    """A pipe from the manifold: takes conductance × √(head − lift) × valve.

    Attributes:
        id: loop or vessel id.
        feeds: vessel that receives the water.
        lift_m: outlet above the sump's working surface.
        conductance: m³/s per √m, valve as set.
        valve: 0 shut to 1 as set.
        flow_m3_s: as last solved.
    """

    id: str
    feeds: str
    lift_m: float
    conductance: float
    valve: float = 1.0
    flow_m3_s: float = 0.0


class Circuit:
    """Pump, riser and branches, solved for the flows at a given sump level.

    Args:
        spec: the plant.
        total_m3_s, flows_m3_s of the branches: results of `solve`.
    """

    def __init__(self, spec: PlantSpec) -> None:
        pump = spec.pump
        self._pump = pump
        self.total_m3_s = 0.0
        self.fouling = (
            1.0  # factor on the pump's k: 1 = clean, higher = strainer or impeller clogged
        )
        self.shutoff_m = pump.shutoff_head_m
        shares = _display_shares(spec)
        self._riser_design_m3_s = sum(shares.values())
        self._riser_flow_m3_s = self._riser_design_m3_s
        riser_m = self._riser_loss_m(self._riser_design_m3_s)
        design_head = pump.static_head_m + riser_m + pump.outlet_loss_m
        if design_head >= pump.shutoff_head_m:
            raise ValueError(
                f"pump {pump.id}: shutoff_head_m {pump.shutoff_head_m:g} must exceed the "
                f"{design_head:.2f} m it needs at {pump.flow_l_h:g} L/h"
            )
        self.k = pump_k(pump.flow_l_h * L_H, design_head, pump.shutoff_head_m)
        self.design_head_m = design_head
        root_loss = sqrt(pump.outlet_loss_m)
        self.displays = [
            Branch(vessel_id, vessel_id, pump.static_head_m, flow / root_loss)
            for vessel_id, flow in shares.items()
        ]
        self.loops = [_loop_branch(spec, loop, design_head) for loop in spec.loops]
        self._branches = {branch.id: branch for branch in (*self.displays, *self.loops)}
        self.riser_m3 = pump.pipe_m * 0.25 * pi * pump.pipe_d_m**2
        self._riser_k = riser_m / self._riser_design_m3_s**2
        self._solved: tuple[float, ...] = ()

    def branch(self, branch_id: str) -> Branch:
        """Return a side loop or a display's branch by its id; of two of one id the loop.

        Raises:
            ValueError: there is no such branch.
        """
        try:
            return self._branches[branch_id]
        except KeyError:
            raise ValueError(f"the plant has no branch {branch_id!r}") from None

    def solve(self, sump_fall_m: float) -> None:
        """Set the flows for a pump that runs.

        Args:
            sump_fall_m: sump surface below its working level; negative when above.
        """
        state = (self.fouling, self.shutoff_m, *[branch.valve for branch in self.loops])
        if self._solved[1:] == state and abs(self._solved[0] - sump_fall_m) < _SAME_LIFT_M:
            return
        for _ in range(20):
            head = self._find_head(sump_fall_m)
            flow = self._trunk_m3_s(head, sump_fall_m)
            moved = abs(flow - self._riser_flow_m3_s)
            if moved <= 1e-3 * self._riser_design_m3_s:
                break
            self._riser_flow_m3_s = flow
            if flow > 0.01 * self._riser_design_m3_s:  # creeping flow: keep the last friction
                self._riser_k = self._riser_loss_m(flow) / flow**2
        self._set_flows(head, sump_fall_m)
        self._solved = (sump_fall_m, *state)

    def stop(self) -> None:
        """Set all flows to zero: the pump does not run."""
        self.total_m3_s = 0.0
        for branch in (*self.displays, *self.loops):
            branch.flow_m3_s = 0.0
        self._solved = ()

    def fouling_for(self, share: float) -> float:
        """Return the fouling factor at which the pump gives a share of its clean flow.

        Args:
            share: above 0 to 1, of the flow at the sump's working level with all valves as set.
        """
        target = share * self._pump.flow_l_h * L_H
        low, high = 0.0, self.shutoff_m
        for _ in range(60):
            head = 0.5 * (low + high)
            if self._taken_m3_s(head, 0.0) < target:
                low = head
            else:
                high = head
        return max(1.0, (self.shutoff_m - high) / (self.k * target**2))

    def back_flow_m3_s(self, vessel_id: str, fall_m: float) -> float:
        """Return what a siphon draws from a vessel back through the stopped pump.

        The pump that stands is taken as the resistance k it has when it runs.

        Args:
            vessel_id: display, or vessel fed by a loop.
            fall_m: vessel surface above the sump's.
        """
        resistance = self.k * self.fouling
        for branch in self.displays:
            if branch.id == vessel_id:
                resistance += self._riser_k
        for branch in (*self.displays, *self.loops):
            if branch.feeds == vessel_id and branch.valve > 0.0:
                resistance += 1.0 / (branch.conductance * branch.valve) ** 2
                return sqrt(max(0.0, fall_m) / resistance)
        return 0.0

    def riser_drain_m3_s(self, fall_m: float) -> float:
        """Return how fast the riser empties through the stopped pump once air is let in."""
        return sqrt(max(0.0, fall_m) / (self.k * self.fouling + self._riser_k))

    def _riser_loss_m(self, flow_m3_s: float) -> float:
        pump = self._pump
        return pipe_head_loss_m(flow_m3_s, pump.pipe_d_m, pump.pipe_m, pump.minor_k)

    def _trunk_m3_s(self, head_m: float, sump_fall_m: float) -> float:
        drive = head_m - self._pump.static_head_m - sump_fall_m
        if drive <= 0.0:
            return 0.0
        open_to = sum(branch.conductance for branch in self.displays)
        return sqrt(drive / (self._riser_k + 1.0 / open_to**2))

    def _taken_m3_s(self, head_m: float, sump_fall_m: float) -> float:
        total = self._trunk_m3_s(head_m, sump_fall_m)
        for branch in self.loops:
            drive = head_m - branch.lift_m - sump_fall_m * (branch.lift_m > 0.0)
            if drive > 0.0:
                total += branch.valve * branch.conductance * sqrt(drive)
        return total

    def _find_head(self, sump_fall_m: float) -> float:
        k = self.k * self.fouling
        low, high = 0.0, self.shutoff_m
        low_error, high_error = -sqrt(high / k), self._taken_m3_s(high, sump_fall_m)
        if high_error <= 0.0:
            return high
        head, side = high, 0
        for _ in range(60):  # regula falsi, the end that stays twice halved (Illinois)
            head = (low * high_error - high * low_error) / (high_error - low_error)
            error = self._taken_m3_s(head, sump_fall_m) - sqrt(max(0.0, self.shutoff_m - head) / k)
            if abs(error) < _SAME_FLOW_M3_S:
                break
            if error > 0.0:
                high, high_error = head, error
                low_error *= 0.5 if side > 0 else 1.0
                side = 1
            else:
                low, low_error = head, error
                high_error *= 0.5 if side < 0 else 1.0
                side = -1
        return head

    def _set_flows(self, head_m: float, sump_fall_m: float) -> None:
        trunk = self._trunk_m3_s(head_m, sump_fall_m)
        open_to = sum(branch.conductance for branch in self.displays)
        total = trunk
        for branch in self.displays:
            branch.flow_m3_s = trunk * branch.conductance / open_to
        for branch in self.loops:
            drive = max(0.0, head_m - branch.lift_m - sump_fall_m * (branch.lift_m > 0.0))
            branch.flow_m3_s = branch.valve * branch.conductance * sqrt(drive)
            total += branch.flow_m3_s
        self.total_m3_s = total


def _display_shares(spec: PlantSpec) -> dict[str, float]:
    """Return each display's design flow in m³/s: what the loops leave, shared by volume."""
    left = spec.pump.flow_l_h - sum(loop.flow_l_h for loop in spec.loops)
    volume = sum(vessel.volume_l for vessel in spec.displays)
    return {vessel.id: left * L_H * vessel.volume_l / volume for vessel in spec.displays}


def _loop_branch(spec: PlantSpec, loop: LoopSpec, design_head_m: float) -> Branch:
    lift = loop.outlet_head_m
    if lift is None:
        share = {"sump": 0.0, "display": 1.0}.get(spec.vessel(loop.feeds).role, 0.5)
        lift = share * spec.pump.static_head_m
    if lift >= design_head_m:
        raise ValueError(
            f"loop {loop.id}: outlet_head_m {lift:g} is above the {design_head_m:.2f} m "
            "the pump gives at its design point"
        )
    return Branch(loop.id, loop.feeds, lift, loop.flow_l_h * L_H / sqrt(design_head_m - lift))
