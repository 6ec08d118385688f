"""Ordinary life: what the keeper and the house do in a month, none of which may sound an alarm."""

from collections.abc import Iterator
from random import Random

from weirsim.acts import ACTS, Deed, Doings, look_at_gas
from weirsim.faults import Fault

_DAY_S = 86_400.0


def ordinary_life(
    days: float, seed: int, nodes: tuple[str, ...], start_hour: float = 0.0
) -> Doings:
    """Return ordinary life for some days; the same seed gives the same life.

    Each day two feeding pauses of 10 minutes. Each week the skimmer's cup is emptied (its pump
    off for 10 minutes), a quarter of the sump is changed, with the return off, and the reactor's
    gas bottle is looked at, and changed when less than a quarter is left. Every ten days
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
    deeds: list[tuple[float, Deed]] = [
        (day * _DAY_S + (13.0 - start_hour) * 3600.0, look_at_gas) for day in range(1, int(days), 7)
    ]
    away: list[tuple[float, float]] = []
    for day in range(int(days + 1)):
        midnight = day * _DAY_S - start_hour * 3600.0
        faults += _daily(midnight, chance, nodes)
        done: list[Doings] = []
        if day % 7 == 2:
            done.append(ACTS["water-change"].at(midnight + chance.uniform(14, 16) * 3600.0))
        if day % 7 == 4:
            done.append(ACTS["cup-emptied"].at(midnight + chance.uniform(19, 20) * 3600.0))
        if day % 7 == 6:
            down_s = midnight + chance.uniform(2, 4) * 3600.0
            away.append((down_s, down_s + chance.uniform(20.0, 60.0)))
        if day % 10 == 3:
            done.append(ACTS["filter-changed"].at(midnight + chance.uniform(10, 11) * 3600.0))
        if day % 30 == 5:
            test_s = midnight + chance.uniform(11, 12) * 3600.0
            done += [ACTS["rcd-test"].at(test_s), ACTS["mains-dip"].at(test_s + 600.0)]
        for doings in done:
            faults += doings.faults
            deeds += doings.deeds
    end_s = days * _DAY_S
    return Doings(
        tuple(fault for fault in faults if 0.0 <= fault.at_s < end_s),
        tuple(sorted((d for d in deeds if 0.0 <= d[0] < end_s), key=lambda d: d[0])),
        tuple(span for span in away if 0.0 <= span[0] < end_s),
    )


def _daily(midnight: float, chance: Random, nodes: tuple[str, ...]) -> Iterator[Fault]:
    for hour in (8.5, 18.5):
        at_s = midnight + (hour + chance.uniform(0.0, 1.0)) * 3600.0
        yield from ACTS["feeding"].at(at_s).faults
    if nodes and chance.random() < 0.7:
        at_s = midnight + chance.uniform(0.0, 24.0) * 3600.0
        lasts_s = chance.uniform(5.0, 90.0)
        yield Fault("node-offline", at_s, duration_s=lasts_s, target=chance.choice(nodes))
