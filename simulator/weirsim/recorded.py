"""A node whose channels, or some of them, say again what was recorded, with faults on top."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf
from random import Random

from weirsim.instruments import NodeSpec, ProbeSpec
from weirsim.model import Plant
from weirsim.nodes import Node
from weirsim.probes import Probe
from weirsim.upset import ProbeTrouble

RECORDED = "recorded"  # source of a probe that repeats a recording
_NEVER = 1 << 62


@dataclass(frozen=True, slots=True)
class Track:
    """One channel's recording.

    Attributes:
        times_us: rising, in plant time (microseconds since the Unix epoch).
        values: as many; in the channel's unit.
    """

    times_us: Sequence[int]
    values: Sequence[float]


class RecordedNode(Node):
    """A node that repeats tracks at their own times, beside probes of its own interval.

    Args:
        spec: with probes of the source `RECORDED` among others.
        plant: where the other probes measure, and what is wrong with probes and nodes.
        seed: of the noise and of what gets lost.
        tracks: by channel id; one for each recorded probe.

    Raises:
        KeyError: a recorded probe has no track.
        ValueError: a probe that cannot measure what it is told to.
    """

    def __init__(
        self, spec: NodeSpec, plant: Plant, seed: int, tracks: Mapping[str, Track]
    ) -> None:
        measured = tuple(probe for probe in spec.probes if probe.source != RECORDED)
        super().__init__(replace(spec, probes=measured), plant, seed)
        self.spec = spec
        self._tapes: list[_Tape] = []
        for probe in spec.probes:
            if probe.source == RECORDED:
                channel = spec.channel(plant.spec.system, probe)
                rng = Random(f"{seed}/{channel}/recorded")
                self._tapes.append(_Tape(channel, probe, spec.every_s, rng, tracks[channel]))
        self._grid_us = super().after(plant.time_us) if measured else _NEVER

    def after(self, time_us: int) -> int:
        """Return when it samples next after a time, which never goes back."""
        while self._grid_us <= time_us:
            self._grid_us = super().after(self._grid_us)
        return min(self._grid_us, *(tape.after(time_us) for tape in self._tapes))

    def _power_up(self) -> None:
        super()._power_up()
        for tape in self._tapes:
            tape.probe.power_up()

    def _measure(self) -> list[tuple[ProbeSpec, float]]:
        now, wrong = self._plant.time_us, self._plant.upset.probes
        readings = super()._measure() if self._grid_us == now else []
        for tape in self._tapes:
            if tape.after(now - 1) == now:
                value = tape.say(wrong.get(tape.channel))
                if value is not None:
                    readings.append((tape.probe.spec, value))
        return readings


class _Tape:
    """One track, and the probe that it goes through while something is wrong with it."""

    def __init__(
        self, channel: str, probe: ProbeSpec, every_s: float, rng: Random, track: Track
    ) -> None:
        self.channel = channel
        self._track = track
        self._next = 0
        plain = replace(probe, noise=0.0, lag_s=0.0, hold_s=0.0, drop_share=0.0, starts_at=-inf)
        self.probe = Probe(plain, self._value, every_s, rng)

    def after(self, time_us: int) -> int:
        """Return the time of the next reading after a time, which never goes back."""
        times = self._track.times_us
        while self._next < len(times) and times[self._next] <= time_us:
            self._next += 1
        return times[self._next] if self._next < len(times) else _NEVER

    def say(self, wrong: ProbeTrouble | None) -> float | None:
        """Return the next reading, as it was or as what is wrong makes it; None: it never comes."""
        return self.probe.repeat(self._value()) if wrong is None else self.probe.sample(wrong)

    def _value(self) -> float:
        return self._track.values[self._next]
