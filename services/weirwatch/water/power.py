"""Power in an outage: how long a battery carries what hangs on it.

Everything here estimates the load's side of a battery that the keeper already has. How it is wired
and fused is for local electrical codes and a licensed electrician.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from weirwatch.water.ranges import above_zero, in_range


@dataclass(frozen=True, slots=True)
class Battery:
    """A battery and what lies between it and its loads.

    Attributes:
        voltage_v: nominal, above 0 to 1000.
        capacity_ah: rated, above 0.
        rated_hours: discharge time of the rating, 1 to 100; 20 for lead, 5 or 1 for lithium.
        peukert: 1 to 1.5; 1.1 to 1.3 lead, 1.02 to 1.05 lithium iron phosphate (from memory).
        usable: fraction that may be drawn, above 0 to 1; 0.5 lead (common practice, no source).
        efficiency: of the inverter, above 0 to 1; 0.85 is common practice, no source.
    """

    voltage_v: float
    capacity_ah: float
    rated_hours: float = 20.0
    peukert: float = 1.0
    usable: float = 1.0
    efficiency: float = 1.0


@dataclass(frozen=True, slots=True)
class Load:
    """Something that needs power in an outage; the list's order is its rank."""

    name: str
    power_w: float


@dataclass(frozen=True, slots=True)
class Runtime:
    """How long one load runs.

    Attributes:
        name: of the load.
        alone_h: with nothing else on the battery.
        with_earlier_h: together with all loads before it in the list.
    """

    name: str
    alone_h: float
    with_earlier_h: float


def peukert_runtime_h(
    capacity_ah: float, current_a: float, peukert: float = 1.0, rated_hours: float = 20.0
) -> float:
    """Return the hours to empty at a constant current: H (C / (I H))^k.

    Args:
        capacity_ah: rated, above 0.
        current_a: at least 0; infinite hours at 0.
        peukert: exponent k, 1 (ideal) to 1.5.
        rated_hours: H, 1 to 100.

    Source: Peukert 1897.

    Raises:
        ValueError: outside those ranges.
    """
    above_zero("capacity_ah", capacity_ah, "Ah")
    in_range("current_a", current_a, 0.0, 1e6, "A")
    in_range("peukert", peukert, 1.0, 1.5)
    in_range("rated_hours", rated_hours, 1.0, 100.0, "h")
    if current_a == 0.0:
        return inf
    return float(rated_hours * (capacity_ah / (current_a * rated_hours)) ** peukert)


def runtime_h(battery: Battery, power_w: float) -> float:
    """Return the hours a battery carries a constant load.

    With a Peukert exponent above 1 a load below the rating would come out above the rated capacity:
    the rating is the ceiling, so that the estimate errs to the short side.

    Args:
        battery: see `Battery`.
        power_w: at the load, at least 0; infinite hours at 0.

    Source: energy balance, usable × efficiency × V × Ah / P, and `peukert_runtime_h`.

    Raises:
        ValueError: outside those ranges.
    """
    _check_battery(battery)
    in_range("power_w", power_w, 0.0, 1e6, "W")
    current_a = power_w / (battery.voltage_v * battery.efficiency)
    hours = peukert_runtime_h(battery.capacity_ah, current_a, battery.peukert, battery.rated_hours)
    if current_a > 0.0:
        hours = min(hours, battery.capacity_ah / current_a)
    return hours * battery.usable


def derated_capacity_ah(capacity_ah: float, t_degC: float = 25.0, aged: float = 0.0) -> float:
    """Return what is left of a rated capacity in the cold and after years.

    Args:
        capacity_ah: rated at 25 °C, above 0.
        t_degC: of the battery, 0 to 45; 20 % less at 0 °C, a straight line to 25 °C, no gain above.
        aged: fraction lost to age, 0 to 0.8; 0.2 is the usual end of life.

    Source: common practice, no source.

    Raises:
        ValueError: outside those ranges.
    """
    above_zero("capacity_ah", capacity_ah, "Ah")
    in_range("t_degC", t_degC, 0.0, 45.0, "°C")
    in_range("aged", aged, 0.0, 0.8)
    cold = 1.0 - 0.2 * max(0.0, 25.0 - t_degC) / 25.0
    return capacity_ah * cold * (1.0 - aged)


def what_can_run(battery: Battery, loads: Sequence[Load]) -> list[Runtime]:
    """Return for each load how long it runs alone, and with all loads before it in the list.

    Put what the animals need first: circulation and air, then heat.

    Args:
        battery: see `Battery`.
        loads: most important first.

    Source: `runtime_h`.

    Raises:
        ValueError: outside the ranges of `runtime_h`.
    """
    runtimes = []
    together_w = 0.0
    for load in loads:
        alone_h = runtime_h(battery, load.power_w)
        together_w += load.power_w
        runtimes.append(Runtime(load.name, alone_h, runtime_h(battery, together_w)))
    return runtimes


def _check_battery(battery: Battery) -> None:
    above_zero("voltage_v", battery.voltage_v, "V")
    in_range("voltage_v", battery.voltage_v, 0.0, 1000.0, "V")
    above_zero("usable", battery.usable)
    in_range("usable", battery.usable, 0.0, 1.0)
    above_zero("efficiency", battery.efficiency)
    in_range("efficiency", battery.efficiency, 0.0, 1.0)
