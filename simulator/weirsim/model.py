"""The plant in motion: its parts put together, what one step does, and what can be seen of it."""

from collections.abc import Sequence

from weirsim.air import Air, Strip
from weirsim.circuit import L_H
from weirsim.climate import Climate
from weirsim.dosing import Dosing
from weirsim.equipment import Battery, lights_on, local_seconds
from weirsim.fault_book import FaultBook
from weirsim.faults import Fault
from weirsim.instruments import NodeSpec
from weirsim.ledger import Ledger
from weirsim.life import Life
from weirsim.plant import PlantSpec
from weirsim.reactor import Reactor
from weirsim.skimmer import Cup
from weirsim.upset import Upset
from weirsim.vessels import Water
from weirsim.warmth import Warmth
from weirsim.waterworks import SALT_KG_M3, Waterworks
from weirwatch.water.heat import heat_capacity_j_k

DEFAULT_STEP_S = 2.5  # half a sampling interval; the errors stand in docs/simulator.md
LONGEST_STEP_S = 60.0
CHEMISTRY_STEP_S = 30.0  # of life, gases and reactor; the errors stand in docs/simulator.md
_FLOOR_SEEN_M3 = 0.5e-3  # the leak probe lies where the floor is lowest
_FLOAT_BELOW_RIM_M = 0.03


class Plant:
    """One plant, stepped through time.

    Args:
        spec: the description; the plant starts in its steady state with everything clean.
        start_us: time of the start, microseconds since the Unix epoch.
        faults: what goes wrong, counted from the start.
        nodes: who measures; faults of probes and nodes are checked against them.

    Attributes:
        time_us: where the plant is now.
        works: its water; `warmth`: its heat; `ledger`: the books of both.
        life, air, strip, dosing, cup: what lives in it, the room's air, its socket strip, what is
            dosed, the skimmer's cup.
        reactor: the calcium reactor; None: it has none.
        upset: what is wrong now.
        lights, pump_on: whether they run.
        room_degc: the room's temperature.

    Raises:
        ValueError: a description or a fault that cannot work.
    """

    def __init__(
        self,
        spec: PlantSpec,
        start_us: int,
        faults: Sequence[Fault] = (),
        nodes: Sequence[NodeSpec] = (),
    ) -> None:
        self.spec = spec
        self.start_us = self.time_us = start_us
        self.ledger = Ledger()
        self.upset = Upset()
        self.heat_j_m3_k = heat_capacity_j_k(1.0, spec.salinity, spec.warm_degc)
        self.works = Waterworks(spec, self.heat_j_m3_k, self.ledger)
        self._climate = Climate(spec)
        self.warmth = Warmth(spec, self.works, self._climate, self.ledger)
        self.battery = Battery(spec.power)
        self._build_chemistry()
        self._book = FaultBook(faults, spec, nodes)
        self._next_fault_us: float = start_us
        self.pump_on = True
        self._look_at_clock()

    def _build_chemistry(self) -> None:
        spec, works, ledger = self.spec, self.works, self.ledger
        self.air = Air(spec.air)
        self.strip = Strip(spec.strip)
        self.cup = Cup(spec.skimmate)
        local_s = local_seconds(spec.day, self.start_us)
        self.life = Life(spec, works, self.air, ledger, local_s)
        self.reactor: Reactor | None = None
        for loop in spec.loops:
            if loop.id == spec.reactor.loop:
                self._reactor_loop, self._fed = loop, works.vessels[loop.feeds]
                salinity, degc = self.salinity(self._fed), self.degc(self._fed)
                self.reactor = Reactor(spec.reactor, self._fed, salinity, degc, ledger, self.air)
        target_dkh = spec.mixture.alkalinity_dkh
        self.dosing = Dosing(spec.doser, target_dkh, self.reactor is None, ledger)
        self._unlived_s = 0.0

    def step(self, dt_s: float = DEFAULT_STEP_S) -> None:
        """Let time go on.

        Args:
            dt_s: above 0 to 60. The result does not depend on it, but for switches and faults,
                which act at the beginning of a step.

        Raises:
            ValueError: outside that range.
        """
        if not 0.0 < dt_s <= LONGEST_STEP_S:
            raise ValueError(f"dt_s = {dt_s:g} s is outside 0 to {LONGEST_STEP_S:g} s")
        if self.time_us >= self._next_fault_us:
            self._adopt_faults()
        self._look_at_clock()
        upset = self.upset
        self.battery.step(upset.mains, dt_s)
        self.pump_on = upset.powered and not upset.pump_stopped and upset.flow_share > 0.0
        self.works.step(upset, self.pump_on, self.room_degc, dt_s)
        self.warmth.step(upset, self.pump_on, self.lights, self.room_degc, dt_s)
        self._unlived_s += dt_s
        if self._unlived_s >= CHEMISTRY_STEP_S - 1e-6:
            self._live(self._unlived_s)
            self._unlived_s = 0.0
        self.time_us += round(dt_s * 1e6)

    @property
    def elapsed_s(self) -> float:
        """Virtual seconds since the start."""
        return (self.time_us - self.start_us) / 1e6

    @property
    def active_faults(self) -> tuple[str, ...]:
        """Ids of the faults that stand now."""
        return self._book.active(self.elapsed_s)

    @property
    def skimmer_on(self) -> bool:
        """Whether the skimmer's pump runs."""
        return self.upset.powered and not self.upset.skimmer_stopped

    @property
    def circulation_w(self) -> float:
        """Electric power of the circulation pumps now."""
        share = self.upset.circulation_share if self.upset.mains else 0.0
        return self.spec.power.circulation_w * share

    @property
    def floor_wet(self) -> bool:
        """Whether the leak probe on the sump room's floor lies in water."""
        return self.works.floor.volume_m3 > _FLOOR_SEEN_M3

    @property
    def high_float_lifted(self) -> bool:
        """Whether the sump has lifted its high float."""
        sump = self.works.sump
        limit_m = sump.rim_m3 / sump.area_m2 - _FLOAT_BELOW_RIM_M
        if self.spec.high_float_mm is not None:
            limit_m = self.spec.high_float_mm / 1000.0
        return sump.level_m > limit_m

    def degc(self, water: Water) -> float:
        """Return a water's temperature; the room's when there is no water."""
        if water.volume_m3 <= 0.0:
            return self.room_degc
        return water.heat_j / (self.heat_j_m3_k * water.volume_m3)

    def salinity(self, water: Water) -> float:
        """Return a water's practical salinity; 0 when there is no water."""
        return water.salt_kg / (SALT_KG_M3 * water.volume_m3) if water.volume_m3 > 0.0 else 0.0

    def flow_l_h(self, branch_id: str) -> float:
        """Return what a flow meter sees in a branch; `return` is the pump, `skimmer` its own.

        Raises:
            ValueError: there is no such branch.
        """
        if branch_id == "skimmer":
            return self.spec.power.skimmer_l_h if self.skimmer_on else 0.0
        circuit, share = self.works.circuit, self.works.flow_share
        if branch_id == "return":
            return circuit.total_m3_s * share / L_H
        return circuit.branch(branch_id).flow_m3_s * share / L_H

    def _live(self, dt_s: float) -> None:
        upset, works = self.upset, self.works
        self.dosing.step(upset, works.sump, works.system_m3, self._local_s, dt_s)
        self.air.step(upset, dt_s)
        self.strip.step(upset, dt_s)
        self.cup.step(upset, self.skimmer_on, works.sump, works.floor, dt_s)
        self.life.step(upset, self.lights, self.skimmer_on, dt_s)
        if self.reactor is not None:
            fed = self._fed
            share = self.flow_l_h(self._reactor_loop.id) / self._reactor_loop.flow_l_h
            self.reactor.step(upset, share, fed, self.salinity(fed), self.degc(fed), dt_s)

    def _adopt_faults(self) -> None:
        elapsed_s = self.elapsed_s
        self.upset = self._book.upset_at(elapsed_s)
        self.works.adopt(self.upset)
        self._next_fault_us = self.start_us + self._book.next_change_s(elapsed_s) * 1e6

    def _look_at_clock(self) -> None:
        day = self.spec.day
        self._local_s = local_s = local_seconds(day, self.time_us)
        self.room_degc = self._climate.room_degc(local_s, self.upset.room_rise_k)
        self.lights = self.upset.mains and lights_on(day, local_s)
        if self.upset.lights is not None:
            self.lights = self.upset.mains and self.upset.lights
        self.works.tend(local_s)
