"""A node at work: which of its probes speak now, and the pack they make."""

from random import Random
from typing import NamedTuple

from weirsim.instruments import NodeSpec, ProbeSpec
from weirsim.model import Plant
from weirsim.probes import Probe
from weirsim.truth import reader

_LOOP_S, _RUNS_S = 65.0, 45.0  # a reboot loop: runs for 45 s, boots for 20 s; no source


class Pack(NamedTuple):
    """All readings that one node took at one time.

    Attributes:
        node: who took them.
        time_us: when by its own clock, microseconds since the Unix epoch.
        readings: probe and value, in the node's order; a switch is 0.0 or 1.0.
    """

    node: NodeSpec
    time_us: int
    readings: list[tuple[ProbeSpec, float]]


class Node:
    """One node of a plant.

    Args:
        spec: what it carries.
        plant: what it measures.
        seed: of the noise; the same seed gives the same readings.

    Raises:
        ValueError: a probe that cannot measure what it is told to, or no interval.
    """

    def __init__(self, spec: NodeSpec, plant: Plant, seed: int) -> None:
        self.spec = spec
        self._plant = plant
        self._every_us = round(spec.every_s * 1e6)
        if self._every_us <= 0:
            raise ValueError(f"node {spec.id}: every_s = {spec.every_s:g} must be above 0")
        system = plant.spec.system
        self._probes = [
            (
                spec.channel(system, probe),
                Probe(
                    probe,
                    reader(plant, probe.source),
                    spec.every_s,
                    Random(f"{seed}/{spec.channel(system, probe)}"),
                    (lambda: plant.room_degc) if probe.quantity == "temperature" else None,
                ),
            )
            for probe in spec.probes
        ]
        self._was_powered = True

    @property
    def powered(self) -> bool:
        """Whether it runs: on the mains, or on a battery that is not empty; not while it boots."""
        plant = self._plant
        if self.spec.id in plant.upset.rebooting and plant.elapsed_s % _LOOP_S >= _RUNS_S:
            return False
        if plant.upset.mains:
            return True
        return self.spec.power == "battery" and plant.battery.charge > 0.0

    @property
    def doubles(self) -> bool:
        """Whether it sends each pack twice."""
        return self.spec.id in self._plant.upset.doubling

    @property
    def offline(self) -> bool:
        """Whether it has lost its network while it runs."""
        return self.spec.id in self._plant.upset.offline

    @property
    def clock_off_us(self) -> int:
        """How far its clock is ahead of the plant's."""
        off_s = self._plant.upset.clock_off_s
        return round(off_s.get(self.spec.id, 0.0) * 1e6) if off_s else 0

    def sample(self) -> Pack | None:
        """Return a pack taken now; None without power or without any reading."""
        was_powered, self._was_powered = self._was_powered, self.powered
        if not self._was_powered:
            return None
        if not was_powered:
            self._power_up()
        readings = self._measure()
        time_us = self._plant.time_us + self.clock_off_us
        return Pack(self.spec, time_us, readings) if readings else None

    def after(self, time_us: int) -> int:
        """Return when it samples next, having sampled at a time."""
        return time_us + self._every_us

    def _power_up(self) -> None:
        for _, probe in self._probes:
            probe.power_up()

    def _measure(self) -> list[tuple[ProbeSpec, float]]:
        wrong = self._plant.upset.probes
        readings = []
        for channel, probe in self._probes:
            value = probe.sample(wrong.get(channel) if wrong else None)
            if value is not None:
                readings.append((probe.spec, value))
        return readings
