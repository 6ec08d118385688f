"""How long do the animals have without mains? Lower bounds, from the plant and what is seen now."""

from dataclasses import dataclass
from math import inf

from weirwatch.water.heat import (
    evaporative_cooling_w,
    heat_capacity_j_k,
    hours_until,
    latent_heat_kj_kg,
    time_constant_h,
)
from weirwatch.water.oxygen import hours_until_critical, saturation_mg_L
from weirwatch.water.power import Battery, runtime_h

LONGEST_H = 168.0  # what lies beyond a week is told as a week
_ASSUMED_SATURATION = 0.8  # without an oxygen probe: a night's low, common practice, no source


@dataclass(frozen=True, slots=True)
class OutageBasis:
    """What does not change in an outage.

    Attributes:
        volume_l: of all the water, above 0.
        loss_w_per_k: heat loss to the room, evaporation apart; above 0.
        evaporation_l_per_day: taken as going on, which errs to the short side.
        uptake_mg_l_h: oxygen taken up by everything that lives, 0 to 100; 1 is the high end of a
            stocked system (order of magnitude, common practice, no source).
        oxygen_critical_mg_l: 3 is a working value (common practice, no source).
        temperature_low_degc: where it gets too cold.
        battery_wh: usable energy when full; 0: there is no battery or nobody said.
        battery_load_w: what hangs on it; 0 likewise.
    """

    volume_l: float
    loss_w_per_k: float
    evaporation_l_per_day: float = 0.0
    uptake_mg_l_h: float = 1.0
    oxygen_critical_mg_l: float = 3.0
    temperature_low_degc: float = 22.0
    battery_wh: float = 0.0
    battery_load_w: float = 0.0


@dataclass(frozen=True, slots=True)
class OutageNow:
    """What is seen now; None: not seen.

    Attributes:
        temperature_degc: of the water.
        room_degc: of the room.
        salinity: practical salinity.
        oxygen_mg_l: of the water; without it 80 % of saturation is taken.
        battery_part: charge, 0 to 1; without it the battery is taken as full.
    """

    temperature_degc: float
    room_degc: float
    salinity: float = 35.0
    oxygen_mg_l: float | None = None
    battery_part: float | None = None


@dataclass(frozen=True, slots=True)
class OutageClock:
    """Hours, each a lower bound of at most `LONGEST_H`; `battery_h` None: no battery is known.

    Attributes:
        oxygen_assumed: no oxygen probe told, 80 % of saturation was taken.
    """

    oxygen_h: float
    temperature_h: float
    battery_h: float | None
    oxygen_assumed: bool

    @property
    def first(self) -> tuple[str, float]:
        """What comes first, and after how many hours."""
        ends = [("oxygen", self.oxygen_h), ("temperature", self.temperature_h)]
        if self.battery_h is not None:
            ends.append(("battery", self.battery_h))
        return min(ends, key=lambda end: end[1])


def outage_clock(basis: OutageBasis, now: OutageNow) -> OutageClock:
    """Return the hours until oxygen is critical, until it is too cold, until the battery is empty.

    Lower bounds: no gas exchange through the surface, the high end of the uptake, evaporation going
    on as with pumps running.

    Raises:
        ValueError: a value outside the ranges of `weirwatch.water`.
    """
    saturation = saturation_mg_L(now.salinity, now.temperature_degc)
    assumed = now.oxygen_mg_l is None
    oxygen = now.oxygen_mg_l if now.oxygen_mg_l is not None else _ASSUMED_SATURATION * saturation
    oxygen_h = hours_until_critical(
        oxygen, basis.oxygen_critical_mg_l, saturation, basis.uptake_mg_l_h
    )
    return OutageClock(
        min(oxygen_h, LONGEST_H), _temperature_h(basis, now), _battery_h(basis, now), assumed
    )


def outage_sentence(basis: OutageBasis, clock: OutageClock) -> str:
    """Return the line of a notice."""
    parts = [
        f"oxygen critical ({basis.oxygen_critical_mg_l:g} mg/L) in {_hours(clock.oxygen_h)}",
        f"{basis.temperature_low_degc:g} °C in {_hours(clock.temperature_h)}",
    ]
    if clock.battery_h is not None:
        parts.append(f"battery empty in {_hours(clock.battery_h)}")
    first = {"oxygen": "Oxygen", "temperature": "The cold", "battery": "The battery"}
    assumed = ", oxygen assumed at 80 % of saturation" if clock.oxygen_assumed else ""
    return f"Not before (lower bounds{assumed}): {'; '.join(parts)}. {first[clock.first[0]]} first."


def _temperature_h(basis: OutageBasis, now: OutageNow) -> float:
    water, low = now.temperature_degc, basis.temperature_low_degc
    if water <= low:
        return 0.0
    capacity = heat_capacity_j_k(basis.volume_l / 1000.0, now.salinity, water)
    latent = latent_heat_kj_kg(now.salinity, water)
    cooling_w = evaporative_cooling_w(basis.evaporation_l_per_day, latent)
    below_room_k = max(-100.0, -cooling_w / basis.loss_w_per_k)
    constant_h = time_constant_h(capacity, basis.loss_w_per_k)
    return min(LONGEST_H, hours_until(low, water, now.room_degc, constant_h, below_room_k))


def _battery_h(basis: OutageBasis, now: OutageNow) -> float | None:
    if basis.battery_wh <= 0.0 or basis.battery_load_w <= 0.0:
        return None
    part = 1.0 if now.battery_part is None else now.battery_part
    if part <= 0.0:
        return 0.0
    # Watt-hours at one volt: the energy is known, neither voltage nor Peukert exponent is.
    hours = runtime_h(Battery(1.0, basis.battery_wh * min(1.0, part)), basis.battery_load_w)
    return min(LONGEST_H, hours if hours < inf else LONGEST_H)


def _hours(hours: float) -> str:
    if hours >= LONGEST_H:
        return "a week or more"
    return f"{hours:.1f} h" if hours < 10 else f"{hours:.0f} h"
