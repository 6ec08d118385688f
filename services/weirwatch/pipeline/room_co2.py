"""Which part of the day/night swing of pH is the room's carbon dioxide, and which the animals'.

The water follows the room's air with a lag of hours. The pH that it would have with nothing alive
in it is reckoned from the room's hourly values; what this and the measured pH have in common within
a day is the room's part. The parts of room and life add up to the whole swing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log
from statistics import median
from typing import Any

from weirwatch.domain.instant import Micros
from weirwatch.pipeline.water_days import DAY, ENOUGH_HOURS, HOUR, Hours
from weirwatch.water.carbonate import dkh_to_umol_kg, pco2_from_room_ppm, ph_from_alkalinity_pco2

Json = dict[str, Any]
LAG_H = 6.0  # of the water behind the room's air (common practice: hours; no source)
_LEVELS = 24
_LOWEST_PPM, _HIGHEST_PPM = 200.0, 10_000.0
_LEAST_DAYS = 3


@dataclass(frozen=True, slots=True)
class Water:
    """What the pH of still water follows from besides the air: dKH, practical salinity, °C."""

    alkalinity_dkh: float
    salinity: float
    temperature_degc: float


def room_part(ph: Hours, room_ppm: Hours, water: Water, offset: Micros) -> Json | None:
    """Return the room's part of the swing of pH, or None with fewer than three days of both.

    Args:
        ph: hourly means of a probe.
        room_ppm: hourly means of the room's carbon dioxide, ppm of dry air.
        water: of the newest hand test.
        offset: of the keeper's clock; days are counted by it.

    Raises:
        ValueError: the water is outside the ranges of `water.carbonate`.
    """
    table = _Table(water)
    still = {hour: table.ph(ppm) for hour, ppm in _lagged(room_ppm).items()}
    at_once = {hour: table.ph(ppm) for hour, ppm in room_ppm.items()}
    days: dict[int, list[Micros]] = {}
    for hour in sorted(ph.keys() & still.keys()):
        days.setdefault((hour + offset) // DAY, []).append(hour)
    whole = [hours for hours in days.values() if len(hours) >= ENOUGH_HOURS]
    if len(whole) < _LEAST_DAYS:
        return None
    shares, swings = [], []
    for hours in whole:
        measured, room = _centred(ph, hours), _centred(still, hours)
        energy = sum(value * value for value in measured)
        if energy > 0.0:
            shares.append(sum(a * b for a, b in zip(measured, room, strict=True)) / energy)
            swings.append(max(measured) - min(measured))
    if not shares:
        return None
    share, usual = median(shares), median(swings)
    return {
        "days": len(shares),
        "share": share,
        "part": share * usual,
        "at_most": median(_swing(at_once, hours) for hours in whole),
        "lag_h": LAG_H,
        "alkalinity_dkh": water.alkalinity_dkh,
    }


class _Table:
    """pH (NBS) of still water by the room's carbon dioxide.

    Reckoned at some levels; between them straight over the logarithm, as it all but is.
    """

    def __init__(self, water: Water) -> None:
        salt, t = water.salinity, water.temperature_degc
        alkalinity = dkh_to_umol_kg(water.alkalinity_dkh, salt, t)
        self._step = (_HIGHEST_PPM / _LOWEST_PPM) ** (1.0 / (_LEVELS - 1))
        self._ppm = [_LOWEST_PPM * self._step**n for n in range(_LEVELS)]
        self._ph = [
            ph_from_alkalinity_pco2(alkalinity, pco2_from_room_ppm(ppm, salt, t), salt, t, "nbs")
            for ppm in self._ppm
        ]

    def ph(self, ppm: float) -> float:
        """Return the pH; beyond the table that of its end."""
        place = log(min(max(ppm, _LOWEST_PPM), _HIGHEST_PPM) / _LOWEST_PPM) / log(self._step)
        at = min(int(place), _LEVELS - 2)
        return self._ph[at] + (place - at) * (self._ph[at + 1] - self._ph[at])


def _lagged(room: Hours) -> dict[Micros, float]:
    """Return what the water has followed; after a gap it starts anew."""
    follow = 1.0 - exp(-1.0 / LAG_H)
    found: dict[Micros, float] = {}
    before: tuple[Micros, float] | None = None
    for hour in sorted(room):
        if before is None or hour - before[0] > 3 * HOUR:
            value = room[hour]
        else:
            value = before[1] + follow * (room[hour] - before[1])
        found[hour] = value
        before = (hour, value)
    return found


def _centred(series: Hours, hours: Sequence[Micros]) -> list[float]:
    values = [series[hour] for hour in hours]
    mean = sum(values) / len(values)
    return [value - mean for value in values]


def _swing(series: Hours, hours: Sequence[Micros]) -> float:
    values = [series[hour] for hour in hours if hour in series]
    return max(values) - min(values)
