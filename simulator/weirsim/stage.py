"""Sets a failure's scenario on a plant: the nominal run, and as many random ones as wanted."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from random import Random

from weirsim.instruments import NodeSpec, channels
from weirsim.ordinary import ordinary_life
from weirsim.plant import PlantSpec
from weirsim.rehearsal import Play
from weirsim.scenarios import SCENARIOS, Scenario
from weirsim.stocking import Stocking

START_US = 1_767_225_600_000_000  # 2026-01-01T00:00:00Z
_SETTLE_S = 1800.0
_SLOW_SETTLE_S = 7200.0
_SLOW_EVERY_S = 60.0
_DAY_S = 86_400.0
_UPTAKE_MG_L_H = (0.3, 0.9)  # for the usual stocking; stocked reefs at night: 0.2 to 1.0
_MEASURES = {
    "cup-full": "the skimmer's cup",
    "circulation-power": "the circulation pumps",
    "ph": "pH",
    "reactor-ph": "the pH of a reactor's chamber",
    "reactor-effluent": "a reactor's effluent",
    "doser": "a doser",
    "strip-temperature": "the temperature of a socket strip",
    "room-co2": "the room's carbon dioxide",
    "flow:skimmer": "the skimmer's flow",
    "lights": "the lights",
}
_NOMINAL_HOUR = 20.0  # late in the evening: the lights go off and the night lies ahead


@dataclass(frozen=True, slots=True)
class Stage:
    """A plant and its nodes, on which failures are played.

    Attributes:
        guarded: channels whose silence matters, the first one in the nominal run.
        twins: channels that are compared with a twin, likewise.
    """

    spec: PlantSpec
    nodes: tuple[NodeSpec, ...]
    guarded: tuple[str, ...] = ()
    twins: tuple[str, ...] = ()

    def can_play(self) -> tuple[str, ...]:
        """Return the failures that this plant can show."""
        return tuple(failure for failure in SCENARIOS if not self._missing(failure))

    def cannot_play(self) -> dict[str, str]:
        """Return failure → why, for those that it cannot."""
        found = {failure: self._missing(failure) for failure in SCENARIOS}
        return {failure: why for failure, why in found.items() if why}

    def failure(self, failure: str, run: int, seed: int) -> Play:
        """Return a failure's play.

        Run 0 is nominal: it begins in the evening, with the default severity and target. All
        others draw time of day, season (the room), severity, target and stocking; the same seed
        and run give the same play.

        Raises:
            KeyError: there is no such scenario.
            ValueError: the plant cannot show it.
        """
        scenario = SCENARIOS[failure]
        missing = self._missing(failure)
        if missing:
            raise ValueError(f"{failure} cannot be played: {missing}")
        chance = Random(f"{seed}/{failure}/{run}")
        settle_s = _SLOW_SETTLE_S if scenario.slow else _SETTLE_S
        start_us = START_US + round(_NOMINAL_HOUR * 3.6e9)
        room, severity = scenario.nominal_degc, None
        target = self._targets(scenario)[0] if scenario.strikes else ""
        if scenario.severity is not None:
            severity = scenario.severity[0]
        if run:
            start_us = START_US + round(chance.uniform(0.0, 365 * _DAY_S)) * 1_000_000
            room = round(chance.uniform(*scenario.room_degc), 1)
            if scenario.severity is not None:
                severity = round(chance.uniform(*scenario.severity[1:]), 2)
            if scenario.strikes:
                target = chance.choice(self._targets(scenario))
        faults = tuple(
            replace(fault, at_s=fault.at_s + settle_s)
            for fault in scenario.faults(severity, target, chance)
        )
        begins_us = start_us + round(settle_s * 1e6)
        seed, spec = chance.randrange(1 << 30), self._spec(scenario, room)
        if run:
            usual = spec.stocking.uptake_mg_l_h / Stocking().uptake_mg_l_h
            uptake = round(chance.uniform(*_UPTAKE_MG_L_H) * usual, 2)
            spec = replace(spec, stocking=replace(spec.stocking, uptake_mg_l_h=uptake))
        return Play(
            says=_sentence(scenario, severity, target, room),
            spec=spec,
            nodes=self.nodes,
            start_us=start_us,
            begins_us=begins_us,
            until_us=begins_us + round(scenario.hours * 3.6e9),
            faults=faults,
            meters=scenario.meters,
            seed=seed,
            every_s=_SLOW_EVERY_S if scenario.slow else None,
            reservoir_share=scenario.reservoir_share,
        )

    def ordinary(self, days: float, run: int, seed: int, every_s: float | None = None) -> Play:
        """Return ordinary life: nothing fails. Run 0 begins on 1 January, others at any time.

        Args:
            days: above 0.
            run: 0 is nominal.
            seed: the same gives the same life.
            every_s: sampling interval of all nodes; None: their own.
        """
        chance = Random(f"{seed}/normal/{run}")
        start_us, room = START_US, self.spec.room_degc
        if run:
            start_us += chance.randrange(365) * round(_DAY_S * 1e6)
            room = round(chance.uniform(19.0, 25.0), 1)
        drop_outs = tuple(node.id for node in self.nodes)
        life = ordinary_life(
            days, chance.randrange(1 << 30), drop_outs, self.spec.day.utc_offset_h % 24.0
        )
        return Play(
            says=f"{days:g} days of ordinary life, room at {room:g} °C",
            spec=self.spec.in_room(room),
            nodes=self.nodes,
            start_us=start_us,
            begins_us=start_us + round(days * _DAY_S * 1e6) + 1,
            until_us=start_us + round(days * _DAY_S * 1e6),
            faults=life.faults,
            seed=chance.randrange(1 << 30),
            every_s=every_s,
            deeds=life.deeds,
            broker_away=life.broker_away,
        )

    def lacks(self, fault: str) -> str:
        """Return why a fault would not be seen on this plant; empty: it would."""
        scenario = SCENARIOS.get(fault)
        return "" if scenario is None else self._lacking(scenario.needs)

    def _spec(self, scenario: Scenario, room: float | None) -> PlantSpec:
        spec = self.spec
        if room is not None:
            spec = spec.in_room(room)
        if not scenario.refill and spec.top_off is not None:
            spec = replace(spec, top_off=replace(spec.top_off, refill_below=None))
        return spec

    def _targets(self, scenario: Scenario) -> Sequence[str]:
        return {
            "display": [vessel.id for vessel in self.spec.displays],
            "loop": [loop.id for loop in self.spec.loops],
            "node": [node.id for node in self.nodes],
            "guarded": self.guarded,
            "flow": self._sources("flow:return"),
            "twin": self.twins,
        }[scenario.strikes]

    def _sources(self, source: str) -> list[str]:
        probes = channels(self.spec.system, self.nodes)
        return [channel for channel, probe in probes.items() if probe.source == source]

    def _missing(self, failure: str) -> str:
        scenario = SCENARIOS[failure]
        if scenario.strikes and not self._targets(scenario):
            return {
                "flow": "no flow meter in the return",
                "twin": "no two channels are compared with each other",
                "guarded": "no channel that a rule watches",
            }.get(scenario.strikes, f"the plant has no {scenario.strikes}")
        return self._lacking(scenario.needs)

    def _lacking(self, needs: str) -> str:
        return next((why for need in needs.split() if (why := self._lacks(need))), "")

    def _lacks(self, need: str) -> str:
        has = {
            "loop": bool(self.spec.loops),
            "heater": bool(self.spec.heaters),
            "chiller": self.spec.chiller is not None,
            "top-off": self.spec.top_off is not None,
            "battery": any(node.power == "battery" for node in self.nodes),
        }
        if need in has:
            return "" if has[need] else f"the plant has no {need}"
        sources = {probe.source for node in self.nodes for probe in node.probes}
        if any(need in (source, source.partition(":")[0]) for source in sources):
            return ""
        return f"no channel measures {_MEASURES.get(need, need)}, so nothing says it is there"


def _sentence(scenario: Scenario, severity: float | None, target: str, room: float | None) -> str:
    drawn = [target] if target else []
    if severity is not None:
        drawn.append(f"severity {severity:g}")
    if room is not None:
        drawn.append(f"room at {room:g} °C")
    return scenario.says + (f" ({', '.join(drawn)})" if drawn else "")
