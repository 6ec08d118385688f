"""A node at work: which of its probes speak now, and the pack they make."""

from random import Random
from typing import NamedTuple

from weirsim.instruments import NodeSpec, ProbeSpec
from weirsim.model import Plant
from weirsim.probes import Probe
from weirsim.truth import reader


class Pack(NamedTuple):
    """All readings that one node took at one time.

    Attributes:
        node: who took them.
        time_us: when, microseconds since the Unix epoch.
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
        ValueError: a probe that cannot measure what it is told to.
    """

    def __init__(self, spec: NodeSpec, plant: Plant, seed: int) -> None:
        self.spec = spec
        self._plant = plant
        system = plant.spec.system
        self._probes = [
            (
                spec.channel(system, probe),
                Probe(
                    probe,
                    reader(plant, probe.source),
                    spec.every_s,
                    Random(f"{seed}/{spec.channel(system, probe)}"),
                ),
            )
            for probe in spec.probes
        ]
        self._was_powered = True

    @property
    def powered(self) -> bool:
        """Whether it runs: on the mains, or on a battery that is not empty."""
        if self._plant.upset.mains:
            return True
        return self.spec.power == "battery" and self._plant.battery.charge > 0.0

    @property
    def offline(self) -> bool:
        """Whether it has lost its network while it runs."""
        return self.spec.id in self._plant.upset.offline

    def sample(self) -> Pack | None:
        """Return a pack taken now; None without power or without any reading."""
        was_powered, self._was_powered = self._was_powered, self.powered
        if not self._was_powered:
            return None
        if not was_powered:
            for _, probe in self._probes:
                probe.power_up()
        upset = self._plant.upset
        readings = []
        for channel, probe in self._probes:
            value = probe.sample(channel in upset.frozen, upset.drift.get(channel, 0.0))
            if value is not None and channel not in upset.silent:
                readings.append((probe.spec, value))
        return Pack(self.spec, self._plant.time_us, readings) if readings else None
