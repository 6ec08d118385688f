"""An invented log of 120 days in which the reactor takes over from two-part dosing."""

import random

from weirwatch.domain.keeper_log import LogEntry
from weirwatch.pipeline.water_budget import DAY
from weirwatch.water.dosing import calcium_with_alkalinity_mg_L
from weirwatch.water.reactor import alkalinity_dkh_day, effluent_needed_ml_min

VOLUME = 2860.0
START = 20_000.0
UPTAKE = 1.4  # dKH a day; the animals take calcium along with it
EFFLUENT = 28.0


def entry(day: float, kind: str, number: int = 0, **fields: object) -> LogEntry:
    time = round((START + day) * DAY)
    return LogEntry(time, time, kind, "hall", number=number, **fields)  # type: ignore[arg-type]


def invented(
    noise: float = 0.1, hidden: tuple[float, float] | None = None, logged: float = 0.0
) -> list[LogEntry]:
    """120 days, hour by hour: two-part falls from all to none, the reactor rises in nine steps.

    `hidden`: (day, dKH) of a dose nobody wrote down; `logged`: dKH too much on day 80, written.
    """
    draw = random.Random(7)
    entries: list[LogEntry] = []
    alkalinity, calcium, flow = 8.0, 425.0, 0.0
    for hour in range(120 * 24):
        day = hour / 24.0
        if day >= 30 and day % 10 == 0 and day <= 110:
            wanted = UPTAKE * min(1.0, (day - 20) / 90)
            flow = effluent_needed_ml_min(wanted, EFFLUENT, 8.0, VOLUME)
            entries.append(
                entry(day, "reactor", value=flow, unit="mL/min", detail={"effluent_dkh": EFFLUENT})
            )
        reactor = alkalinity_dkh_day(flow, EFFLUENT, alkalinity, VOLUME) if flow else 0.0
        alkalinity += (reactor - UPTAKE) / 24.0
        calcium += calcium_with_alkalinity_mg_L(1.0) * (reactor - UPTAKE) / 24.0
        if hour % 24 == 7:  # what the reactor leaves is dosed each morning
            dose = max(0.0, UPTAKE - reactor) + (logged if int(day) == 80 else 0.0)
            rises = {"alkalinity": dose, "calcium": calcium_with_alkalinity_mg_L(dose)}
            alkalinity += dose
            calcium += rises["calcium"]
            entries.append(entry(day, "dose", subject="alkalinity", detail={"rises": rises}))
        if hidden is not None and hour == round(hidden[0] * 24):
            alkalinity += hidden[1]
        if hour % 48 == 20:
            entries.append(
                entry(
                    day,
                    "test",
                    number=hour,
                    subject="alkalinity",
                    value=alkalinity + draw.gauss(0, noise),
                )
            )
            entries.append(
                entry(
                    day + 0.01,
                    "test",
                    subject="calcium",
                    value=calcium + draw.gauss(0, 50 * noise),
                )
            )
    return entries
