"""Ordinary life: what the keeper and the house do in a month, none of which may sound an alarm."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from random import Random

from weirsim.faults import Fault
from weirsim.model import Plant
from weirsim.vessels import Water
from weirsim.waterworks import SALT_KG_M3

_DAY_S = 86_400.0
_CHANGE_SHARE = 0.25  # of the sump's working contents, by the bucket
_CHANGE_STEPS = 24
_CHANGE_STEP_S = 15.0

Deed = Callable[[Plant], None]


@dataclass(frozen=True, slots=True)
class Month:
    """What happens, in seconds from the start.

    Attributes:
        faults: what looks like a fault and is none, because it is short and meant.
        deeds: (seconds, deed) in order of time: what hands do to the water.
        broker_away: (from, until) when the broker is restarted.
    """

    faults: tuple[Fault, ...]
    deeds: tuple[tuple[float, Deed], ...]
    broker_away: tuple[tuple[float, float], ...]


def ordinary_life(days: float, seed: int, nodes: tuple[str, ...], start_hour: float = 0.0) -> Month:
    """Return ordinary life for some days; the same seed gives the same life.

    Each day two feeding pauses of 10 minutes. Each week the skimmer's cup is emptied (its pump
    off for 10 minutes) and a quarter of the sump is changed, with the return off. Every ten days
    or so the filter's sponge is changed (the return throttled for 20 minutes). Each month the RCD
    is tested (the circuit off for 30 s) and the mains dip for 2 s. Radio drop-outs of up to
    90 s, most days. The broker is restarted for 20 to 60 s, once a week. Lights, saw-tooth and
    reservoir belong to the plant itself. All habits: common practice, no source.

    Args:
        days: above 0.
        seed: of the times.
        nodes: ids that may drop out.
        start_hour: local hour of the start.
    """
    chance = Random(f"ordinary/{seed}")
    faults: list[Fault] = []
    deeds: list[tuple[float, Deed]] = []
    away: list[tuple[float, float]] = []
    for day in range(int(days + 1)):
        midnight = day * _DAY_S - start_hour * 3600.0
        faults += _daily(midnight, chance, nodes)
        if day % 7 == 2:
            change_s = midnight + chance.uniform(14, 16) * 3600.0
            faults.append(Fault("return-pump-stopped", change_s, duration_s=600.0))
            deeds += _water_change(change_s + 60.0)
        if day % 7 == 4:
            cup_s = midnight + chance.uniform(19, 20) * 3600.0
            faults.append(Fault("skimmer-flow-lost", cup_s, duration_s=600.0))
            deeds.append((cup_s + 60.0, _empty_cup))
        if day % 7 == 6:
            down_s = midnight + chance.uniform(2, 4) * 3600.0
            away.append((down_s, down_s + chance.uniform(20.0, 60.0)))
        if day % 10 == 3:
            filter_s = midnight + chance.uniform(10, 11) * 3600.0
            faults.append(Fault("return-flow-reduced", filter_s, 0.5, 1200.0))
        if day % 30 == 5:
            test_s = midnight + chance.uniform(11, 12) * 3600.0
            faults.append(Fault("circuit-lost", test_s, duration_s=30.0))
            faults.append(Fault("mains-lost", test_s + 600.0, duration_s=2.0))
    end_s = days * _DAY_S
    return Month(
        tuple(fault for fault in faults if 0.0 <= fault.at_s < end_s),
        tuple(sorted((d for d in deeds if 0.0 <= d[0] < end_s), key=lambda d: d[0])),
        tuple(span for span in away if 0.0 <= span[0] < end_s),
    )


def _daily(midnight: float, chance: Random, nodes: tuple[str, ...]) -> Iterator[Fault]:
    for hour in (8.5, 18.5):
        at_s = midnight + (hour + chance.uniform(0.0, 1.0)) * 3600.0
        yield Fault("return-pump-stopped", at_s, duration_s=600.0)
    if nodes and chance.random() < 0.7:
        at_s = midnight + chance.uniform(0.0, 24.0) * 3600.0
        lasts_s = chance.uniform(5.0, 90.0)
        yield Fault("node-offline", at_s, duration_s=lasts_s, target=chance.choice(nodes))


def _empty_cup(plant: Plant) -> None:
    plant.cup.empty(plant.ledger.drained)


def _water_change(begins_s: float) -> Iterator[tuple[float, Deed]]:
    """Old water out within two minutes, then as much new water of the same kind in six."""
    taken = Water()
    kind: list[float] = []

    def out(plant: Plant) -> None:
        sump = plant.works.sump
        if not kind:
            kind[:] = [sump.salt_kg / sump.volume_m3, sump.heat_j / sump.volume_m3]
        part = (plant.spec.sump.working_l or 0.0) / 1000.0 * _CHANGE_SHARE / _CHANGE_STEPS
        sump.give(part, taken)

    def into(plant: Plant) -> None:
        part = (plant.spec.sump.working_l or 0.0) / 1000.0 * _CHANGE_SHARE / _CHANGE_STEPS
        new = Water(part, plant.spec.salinity * SALT_KG_M3 * part, kind[1] * part)
        plant.life.make_up(new)
        new.give(part, plant.works.sump)

    for step in range(_CHANGE_STEPS):
        yield begins_s + step * 5.0, out
    for step in range(_CHANGE_STEPS):
        yield begins_s + _CHANGE_STEPS * 5.0 + step * _CHANGE_STEP_S, into
