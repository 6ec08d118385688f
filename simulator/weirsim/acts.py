"""What hands and house do on purpose: each act as short faults that are meant, and as deeds."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from weirsim.faults import Fault
from weirsim.model import Plant
from weirsim.vessels import Water
from weirsim.waterworks import SALT_KG_M3

_CHANGE_SHARE = 0.25  # of the sump's working contents, by the bucket
_CHANGE_STEPS = 24
_CHANGE_STEP_S = 15.0
_HANDS_S = 600.0  # that a pump stands by hand
_GAS_SHARE = 0.25  # of a bottle: with less left the keeper puts a full one in its place

Deed = Callable[[Plant], None]


@dataclass(frozen=True, slots=True)
class Doings:
    """What happens, in seconds from the start.

    Attributes:
        faults: what looks like a fault and is none, because it is short and meant.
        deeds: (seconds, deed) in order of time: what hands do to the water.
        broker_away: (from, until) when the broker is restarted.
    """

    faults: tuple[Fault, ...] = ()
    deeds: tuple[tuple[float, Deed], ...] = ()
    broker_away: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class ActKind:
    """One act: what it is, how long it takes, and what it does from a time on."""

    says: str
    lasts_s: float
    at: Callable[[float], Doings]


def _feeding(at_s: float) -> Doings:
    return Doings((Fault("return-pump-stopped", at_s, duration_s=_HANDS_S),))


def _water_change(at_s: float) -> Doings:
    stopped = Fault("return-pump-stopped", at_s, duration_s=_HANDS_S)
    return Doings((stopped,), tuple(_buckets(at_s + 60.0)))


def _cup_emptied(at_s: float) -> Doings:
    stopped = Fault("skimmer-flow-lost", at_s, duration_s=_HANDS_S)
    return Doings((stopped,), ((at_s + 60.0, _empty_cup),))


def _filter_changed(at_s: float) -> Doings:
    return Doings((Fault("return-flow-reduced", at_s, 0.5, 1200.0),))


def _rcd_test(at_s: float) -> Doings:
    return Doings((Fault("circuit-lost", at_s, duration_s=30.0),))


def _mains_dip(at_s: float) -> Doings:
    return Doings((Fault("mains-lost", at_s, duration_s=2.0),))


def _broker_restart(at_s: float) -> Doings:
    return Doings(broker_away=((at_s, at_s + 40.0),))


ACTS: dict[str, ActKind] = {
    "feeding": ActKind("the return pump stands by hand for 10 minutes", _HANDS_S, _feeding),
    "water-change": ActKind(
        "a quarter of the sump's water is changed, with the return pump off", _HANDS_S,
        _water_change,
    ),
    "cup-emptied": ActKind("the skimmer's cup is emptied, its pump off", _HANDS_S, _cup_emptied),
    "filter-changed": ActKind(
        "the filter's sponge is changed: half the return flow for 20 minutes", 1200.0,
        _filter_changed,
    ),
    "rcd-test": ActKind("the RCD is tested: the circuit is off for 30 s", 30.0, _rcd_test),
    "mains-dip": ActKind("the mains dip for 2 s", 2.0, _mains_dip),
    "broker-restart": ActKind("the broker is away for 40 s", 40.0, _broker_restart),
}  # fmt: skip


def look_at_gas(plant: Plant) -> None:
    """Put a full bottle at the reactor when less than a quarter of the old one is left."""
    reactor = plant.reactor
    if reactor is not None and reactor.bottle_mol < _GAS_SHARE * reactor.full_bottle_mol:
        reactor.bottle_mol = reactor.full_bottle_mol


def _empty_cup(plant: Plant) -> None:
    plant.cup.empty(plant.ledger.drained)


def _buckets(begins_s: float) -> Iterator[tuple[float, Deed]]:
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
