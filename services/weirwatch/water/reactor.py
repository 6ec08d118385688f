"""The calcium reactor: what it adds, what it should add, and the safe next step.

A balance of alkalinity in dKH, volumes in litres: the reactor's effluent at flow Q brings
Q (A_effluent − A_system) into the volume V. Calcium follows by stoichiometry (`dosing`).
"""

from dataclasses import dataclass
from typing import Literal

from weirwatch.water.dosing import calcium_with_alkalinity_mg_L
from weirwatch.water.ranges import above_zero, in_range, not_negative

_L_DAY_PER_ML_MIN = 1.44
_EFFLUENT_MOST_DKH = 168.0

Limit = Literal["target", "largest rise", "largest step", "chamber pH", "not needed"]


@dataclass(frozen=True, slots=True)
class NextStep:
    """A safe new setting of the reactor.

    Attributes:
        setting: in the unit of the present one (ml/min of effluent, or any unit of gas).
        rise_dkh_day: what the system's alkalinity should then do per day; negative: fall.
        limit: what stopped it from going further.
    """

    setting: float
    rise_dkh_day: float
    limit: Limit


@dataclass(frozen=True, slots=True)
class Demand:
    """The system and what else feeds it, for the next step.

    Attributes:
        system_dkh: alkalinity now, 0 to 30.
        volume_l: of the system, above 0.
        consumption_dkh_day: measured uptake, at least 0.
        other_dkh_day: from doses and lime-water that go on, at least 0.
        target_dkh: where the alkalinity should be, 1 to 15.
        days: in which it may get there, 1 to 60.
        max_rise_dkh_day: most it may rise in a day, above 0 to 1 (common practice, no source).
    """

    system_dkh: float
    volume_l: float
    consumption_dkh_day: float
    other_dkh_day: float
    target_dkh: float
    days: float = 7.0
    max_rise_dkh_day: float = 0.5


def alkalinity_dkh_day(
    effluent_ml_min: float, effluent_dkh: float, system_dkh: float, volume_l: float
) -> float:
    """Return the alkalinity a reactor adds to the system per day, in dKH.

    Args:
        effluent_ml_min: at least 0.
        effluent_dkh: of the effluent, 0 to 168; below the system's the result is negative.
        system_dkh: of the system, 0 to 30.
        volume_l: of the system, above 0.

    Source: mass balance, Q (A_effluent − A_system) / V.

    Raises:
        ValueError: outside those ranges.
    """
    not_negative("effluent_ml_min", effluent_ml_min, "ml/min")
    _check_waters(effluent_dkh, system_dkh, volume_l)
    return effluent_ml_min * _L_DAY_PER_ML_MIN * (effluent_dkh - system_dkh) / volume_l


def calcium_mg_L_day(
    effluent_ml_min: float, effluent_dkh: float, system_dkh: float, volume_l: float
) -> float:
    """Return the calcium a reactor adds to the system per day, in mg/l.

    Args:
        effluent_ml_min: at least 0.
        effluent_dkh: of the effluent, from the system's to 168.
        system_dkh: of the system, 0 to 30.
        volume_l: of the system, above 0.

    Source: `alkalinity_dkh_day`, 7.147 mg/l per dKH.

    Raises:
        ValueError: outside those ranges.
    """
    _check_waters(effluent_dkh, system_dkh, volume_l)
    in_range("effluent_dkh", effluent_dkh, system_dkh, _EFFLUENT_MOST_DKH, "dKH")
    added = alkalinity_dkh_day(effluent_ml_min, effluent_dkh, system_dkh, volume_l)
    return calcium_with_alkalinity_mg_L(added)


def effluent_needed_ml_min(
    demand_dkh_day: float, effluent_dkh: float, system_dkh: float, volume_l: float
) -> float:
    """Return the effluent flow that meets a demand, in ml/min.

    Args:
        demand_dkh_day: at least 0.
        effluent_dkh: above the system's, to 168.
        system_dkh: 0 to 30.
        volume_l: above 0.

    Source: inverse of `alkalinity_dkh_day`.

    Raises:
        ValueError: outside those ranges, or an effluent no richer than the system.
    """
    not_negative("demand_dkh_day", demand_dkh_day, "dKH/day")
    _check_waters(effluent_dkh, system_dkh, volume_l)
    above_zero("effluent_dkh − system_dkh", effluent_dkh - system_dkh, "dKH")
    return demand_dkh_day * volume_l / (effluent_dkh - system_dkh) / _L_DAY_PER_ML_MIN


def effluent_needed_dkh(
    demand_dkh_day: float, effluent_ml_min: float, system_dkh: float, volume_l: float
) -> float:
    """Return the effluent alkalinity that meets a demand at this flow, in dKH.

    Args:
        demand_dkh_day: at least 0.
        effluent_ml_min: above 0.
        system_dkh: 0 to 30.
        volume_l: above 0.

    Above about 60 dKH no reactor delivers it (from memory).

    Source: inverse of `alkalinity_dkh_day`.

    Raises:
        ValueError: outside those ranges, or the result beyond 168 dKH.
    """
    not_negative("demand_dkh_day", demand_dkh_day, "dKH/day")
    above_zero("effluent_ml_min", effluent_ml_min, "ml/min")
    in_range("system_dkh", system_dkh, 0.0, 30.0, "dKH")
    above_zero("volume_l", volume_l, "l")
    needed = system_dkh + demand_dkh_day * volume_l / (effluent_ml_min * _L_DAY_PER_ML_MIN)
    return in_range("effluent alkalinity needed", needed, 0.0, _EFFLUENT_MOST_DKH, "dKH")


def consumption_from_balance_dkh_day(supply_dkh_day: float, trend_dkh_day: float) -> float:
    """Return the uptake when supply and trend of the alkalinity are known: supply − trend.

    Args:
        supply_dkh_day: reactor, doses and lime-water together, at least 0.
        trend_dkh_day: change of the system's alkalinity per day, −10 to 10.

    Source: mass balance.

    Raises:
        ValueError: outside those ranges.
    """
    in_range("trend_dkh_day", trend_dkh_day, -10.0, 10.0, "dKH/day")
    return not_negative("supply_dkh_day", supply_dkh_day, "dKH/day") - trend_dkh_day


def reactor_share(reactor_dkh_day: float, consumption_dkh_day: float) -> float:
    """Return how much of the demand the reactor carries, as a fraction; above 1: more than all.

    Args:
        reactor_dkh_day: what it adds, at least 0.
        consumption_dkh_day: what is taken up, above 0.

    Source: ratio of two rates of the same balance.

    Raises:
        ValueError: outside those ranges.
    """
    not_negative("reactor_dkh_day", reactor_dkh_day, "dKH/day")
    return reactor_dkh_day / above_zero("consumption_dkh_day", consumption_dkh_day, "dKH/day")


def next_effluent_ml_min(
    now_ml_min: float, effluent_dkh: float, demand: Demand, max_step: float = 0.2
) -> NextStep:
    """Return the next effluent flow on the way to the target, at the same effluent alkalinity.

    Never more than the largest rise per day, never up by more than one step at a time; down at
    once, because too much is worse than too little. Wait some days and measure before the next.

    Args:
        now_ml_min: present flow, at least 0.
        effluent_dkh: measured, above the system's, to 168.
        demand: the system and its uptake.
        max_step: largest increase as a fraction of the present flow, above 0 to 1; from a standing
            start, of the flow needed.

    Source: mass balance; step and rise are common practice, no source.

    Raises:
        ValueError: outside those ranges, or an effluent no richer than the system.
    """
    not_negative("now_ml_min", now_ml_min, "ml/min")
    _check_step(max_step)
    supply, limit = _wanted_supply(demand)
    wanted = effluent_needed_ml_min(supply, effluent_dkh, demand.system_dkh, demand.volume_l)
    highest = now_ml_min * (1.0 + max_step) if now_ml_min > 0.0 else wanted * max_step
    if wanted > highest:
        wanted, limit = highest, "largest step"
    added = alkalinity_dkh_day(wanted, effluent_dkh, demand.system_dkh, demand.volume_l)
    return NextStep(wanted, _rise(added, demand), limit)


def next_gas(
    now: float,
    effluent_ml_min: float,
    effluent_dkh: float,
    chamber_ph: float,
    demand: Demand,
    max_step: float = 0.1,
    lowest_chamber_ph: float = 6.5,
) -> NextStep:
    """Return the next gas setting on the way to the target, at the same effluent flow.

    Takes what the gas adds to the effluent as proportional to the gas, which holds while the media
    dissolve all of it. Never up when the chamber is at its lowest pH already.

    Args:
        now: present gas setting in any unit, above 0.
        effluent_ml_min: above 0.
        effluent_dkh: measured, above the system's, to 168.
        chamber_ph: NBS scale, 5 to 9.
        demand: the system and its uptake.
        max_step: largest increase as a fraction of the present setting, above 0 to 1.
        lowest_chamber_ph: 6 to 7.5; 6.5 is common practice, no source.

    Source: mass balance, CO2 + H2O + CaCO3 → Ca²⁺ + 2 HCO3⁻.

    Raises:
        ValueError: outside those ranges, or an effluent no richer than the system.
    """
    above_zero("now", now)
    above_zero("effluent_ml_min", effluent_ml_min, "ml/min")
    in_range("chamber_ph", chamber_ph, 5.0, 9.0)
    in_range("lowest_chamber_ph", lowest_chamber_ph, 6.0, 7.5)
    _check_step(max_step)
    supply, limit = _wanted_supply(demand)
    present = alkalinity_dkh_day(effluent_ml_min, effluent_dkh, demand.system_dkh, demand.volume_l)
    factor = supply / above_zero("alkalinity the reactor adds", present, "dKH/day")
    if factor > 1.0 and chamber_ph <= lowest_chamber_ph:
        factor, limit = 1.0, "chamber pH"
    elif factor > 1.0 + max_step:
        factor, limit = 1.0 + max_step, "largest step"
    return NextStep(now * factor, _rise(present * factor, demand), limit)


def _wanted_supply(demand: Demand) -> tuple[float, Limit]:
    """Alkalinity the reactor should add per day, and what keeps it from being more."""
    in_range("system_dkh", demand.system_dkh, 0.0, 30.0, "dKH")
    above_zero("volume_l", demand.volume_l, "l")
    not_negative("consumption_dkh_day", demand.consumption_dkh_day, "dKH/day")
    not_negative("other_dkh_day", demand.other_dkh_day, "dKH/day")
    in_range("target_dkh", demand.target_dkh, 1.0, 15.0, "dKH")
    in_range("days", demand.days, 1.0, 60.0, "days")
    above_zero("max_rise_dkh_day", demand.max_rise_dkh_day, "dKH/day")
    in_range("max_rise_dkh_day", demand.max_rise_dkh_day, 0.0, 1.0, "dKH/day")
    rise = (demand.target_dkh - demand.system_dkh) / demand.days
    limit: Limit = "target"
    if rise > demand.max_rise_dkh_day:
        rise, limit = demand.max_rise_dkh_day, "largest rise"
    supply = demand.consumption_dkh_day - demand.other_dkh_day + rise
    return (supply, limit) if supply > 0.0 else (0.0, "not needed")


def _rise(added_dkh_day: float, demand: Demand) -> float:
    return added_dkh_day + demand.other_dkh_day - demand.consumption_dkh_day


def _check_waters(effluent_dkh: float, system_dkh: float, volume_l: float) -> None:
    in_range("effluent_dkh", effluent_dkh, 0.0, _EFFLUENT_MOST_DKH, "dKH")
    in_range("system_dkh", system_dkh, 0.0, 30.0, "dKH")
    above_zero("volume_l", volume_l, "l")


def _check_step(max_step: float) -> None:
    above_zero("max_step", max_step)
    in_range("max_step", max_step, 0.0, 1.0)
