"""How each failure of the catalogue is played: its faults, its room, and what harm to look for."""

from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from weirsim.faults import Fault

_HOUR = 3600.0
_ROOM = (19.0, 25.0)
_COLD = (14.0, 19.0)
_HOT = (24.0, 28.0)
_WATER = ("floor-wet", "display-over-rim", "pump-dry")
_BREATH = ("oxygen", "loop-oxygen")
_HEAT = ("temperature-band", "temperature-rate")
_SALT = ("salinity-band", "salinity-rate")
_ACID = ("ph-band", "oxygen", "room-air")

Faults = Callable[[float | None, str, Random], tuple[Fault, ...]]  # severity, target, chance


@dataclass(frozen=True, slots=True)
class Scenario:
    """One failure as it is played.

    Attributes:
        says: what happens, in a sentence.
        faults: makes the faults, counted from the moment the failure begins.
        meters: harm to look for, by the names of `weirsim.harm.METERS`.
        hours: how long it is played at most.
        severity: the nominal one, and the ends of the random ones; None: it has none.
        room_degc: ends of the room's mean temperature in random runs.
        nominal_degc: the room in the nominal run; None: as the plant is described.
        strikes: `loop`, `vessel`, `heater`, `node`, `guarded`, `flow` or `twin`: what a random run
            chooses its target from; empty: the fault's own default.
        slow: takes hours to days: sampled every 60 s.
        reservoir_share: how full the reservoir is at the start; None: full.
        refill: whether the keeper fills the reservoir.
        needs: what the plant must have, separated by spaces: `loop`, `heater`, `chiller`,
            `top-off`, `battery`, or a probe of that source or of a source of that kind (see
            `weirsim.truth`); empty: nothing.
    """

    says: str
    faults: Faults
    meters: tuple[str, ...]
    hours: float
    severity: tuple[float, float, float] | None = None
    room_degc: tuple[float, float] = _ROOM
    nominal_degc: float | None = None
    strikes: str = ""
    slow: bool = False
    reservoir_share: float | None = None
    refill: bool = True
    needs: str = ""


def _one(fault_id: str) -> Faults:
    return lambda severity, target, _: (Fault(fault_id, severity=severity, target=target),)


def _siphon(_severity: float | None, target: str, _: Random) -> tuple[Fault, ...]:
    return (Fault("siphon-break-blocked", target=target), Fault("return-pump-stopped"))


def _drained(severity: float | None, target: str, _: Random) -> tuple[Fault, ...]:
    leak = Fault("vessel-leaking", severity=severity, target=target)
    return (leak, Fault("top-off-stuck-off"))


def _restart(severity: float | None, _target: str, chance: Random) -> tuple[Fault, ...]:
    back_s = chance.uniform(600.0, 3600.0)
    return (Fault("mains-lost"), Fault("mains-restored", back_s, severity=severity))


def _dips(_severity: float | None, _target: str, chance: Random) -> tuple[Fault, ...]:
    times = [120.0 * n + chance.uniform(0.0, 60.0) for n in range(6)]
    return tuple(Fault("mains-lost", at_s, duration_s=chance.uniform(10, 40)) for at_s in times)


def _no_heat(severity: float | None, _target: str, _chance: Random) -> tuple[Fault, ...]:
    return (Fault("heater-failed-off", severity=severity),)


def _heat_wave(severity: float | None, _target: str, _chance: Random) -> tuple[Fault, ...]:
    return (Fault("chiller-failed"), Fault("room-too-hot", severity=severity))


SCENARIOS: dict[str, Scenario] = {
    "return-pump-stopped": Scenario(
        "the return pump stands", _one("return-pump-stopped"), (*_BREATH, *_WATER), 8.0
    ),
    "return-flow-reduced": Scenario(
        "strainer or impeller clogs and a share of the return flow is lost",
        _one("return-flow-reduced"), (*_BREATH, *_WATER), 2.0, (0.4, 0.3, 0.7),
    ),
    "sump-high": Scenario(
        "a display's siphon break is blocked when the return pump stops", _siphon,
        ("floor-wet",), 2.0,
    ),
    "sump-low": Scenario(
        "a display leaks where no probe lies and nothing tops up", _drained, ("pump-dry",),
        36.0, (1.0, 0.5, 1.0), slow=True,
    ),
    "overflow-blocked": Scenario(
        "a display's overflow is blocked", _one("overflow-blocked"), _WATER, 2.0,
        (1.0, 0.95, 1.0), strikes="display",
    ),
    "floor-leak": Scenario(
        "the return pipe leaks onto the floor", _one("floor-leak"), ("floor-spreads",), 2.0,
        (1.0, 0.2, 1.0),
    ),
    "vessel-leaking": Scenario(
        "a display leaks where no probe lies", _one("vessel-leaking"),
        ("room-wet", "pump-dry", *_SALT), 36.0, (1.0, 0.7, 1.0), strikes="display", slow=True,
    ),
    "top-off-stuck-on": Scenario(
        "the top-off pump runs on", _one("top-off-stuck-on"), ("floor-wet", *_SALT), 6.0,
        needs="top-off",
    ),
    "top-off-stuck-off": Scenario(
        "the top-off pump never runs", _one("top-off-stuck-off"), ("pump-dry", *_SALT), 24.0 * 18,
        slow=True, needs="top-off",
    ),
    "reservoir-empty": Scenario(
        "nobody fills the reservoir, which is a quarter full at the start", lambda *_: (),
        ("reservoir-dry",), 24.0 * 5, slow=True, reservoir_share=0.25, refill=False,
        needs="top-off",
    ),
    "salinity-drift": Scenario(
        "a small leak takes salt water, the top-off replaces it by fresh water",
        _one("vessel-leaking"), _SALT, 24.0 * 8, (0.1, 0.08, 0.12), slow=True, needs="top-off",
    ),
    "skimmer-flow-lost": Scenario(
        "the skimmer's pump stands", _one("skimmer-flow-lost"), ("oxygen",), 1.5,
        needs="flow:skimmer",
    ),
    "side-loop-flow-lost": Scenario(
        "a side loop is clogged or its valve shut", _one("side-loop-flow-lost"),
        ("loop-oxygen", "floor-wet"), 4.0, (1.0, 0.9, 1.0), strikes="loop", needs="loop",
    ),
    "temperature-extreme": Scenario(
        "no heater heats while the house is cold", _no_heat, _HEAT, 24.0 * 5,
        room_degc=(12.0, 15.0), nominal_degc=14.0, slow=True, needs="heater",
    ),
    "heater-stuck-on": Scenario(
        "all heaters heat for ever", _one("heater-stuck-on"), _HEAT, 24.0 * 3,
        room_degc=(20.0, 26.0), slow=True, needs="heater",
    ),
    "heater-failed-off": Scenario(
        "all heaters stay cold", _one("heater-failed-off"), _HEAT, 24.0 * 3, room_degc=(16.0, 21.0),
        slow=True, needs="heater",
    ),
    "chiller-failed": Scenario(
        "the chiller does not cool in a heat wave", _heat_wave, _HEAT, 24.0 * 3,
        (0.7, 0.5, 0.8), room_degc=_HOT, nominal_degc=27.0, slow=True, needs="chiller",
    ),
    "light-stuck": Scenario(
        "the lights stay on", _one("light-stuck"), _HEAT, 30.0, slow=True, needs="lights"
    ),
    "mains-lost": Scenario(
        "no mains power", _one("mains-lost"), (*_BREATH, *_WATER), 8.0
    ),
    "mains-restored": Scenario(
        "the mains come back after a cut, and the return pump does not, or only in part",
        _restart, (*_BREATH, *_WATER), 8.0, (1.0, 0.4, 1.0),
    ),
    "mains-unstable": Scenario(
        "the mains go and come six times within a quarter of an hour", _dips,
        (*_BREATH, *_WATER), 2.0,
    ),
    "circuit-lost": Scenario(
        "pumps, heaters and top-off without power although the mains are present",
        _one("circuit-lost"), (*_BREATH, *_WATER), 8.0,
    ),
    "battery-low": Scenario(
        "a power cut outlasts the battery of the power node", _one("mains-lost"),
        ("battery-empty",), 16.0, slow=True, needs="battery",
    ),
    "room-too-hot": Scenario(
        "a summer's day: the room warms up", _one("room-too-hot"), _HEAT, 12.0,
        (1.0, 0.7, 1.0), room_degc=_HOT, slow=True,
    ),
    "probe-silent": Scenario(
        "a probe says nothing", _one("probe-silent"), (), 0.5, strikes="guarded"
    ),
    "probe-frozen": Scenario(
        "the return flow's meter repeats its last value", _one("probe-frozen"), (), 0.75,
        strikes="flow",
    ),
    "probe-drift": Scenario(
        "a probe reads too high", _one("probe-drift"), (), 0.75, (1.0, 0.8, 1.0), strikes="twin"
    ),
    "node-offline": Scenario(
        "a node loses its network", _one("node-offline"), (), 0.5, strikes="node"
    ),
    "supply-water-stuck-open": Scenario(
        "the supply that fills the reservoir stays open", _one("supply-water-stuck-open"),
        ("floor-spreads",), 1.0, (1.0, 0.3, 1.0), needs="top-off",
    ),
    "skimmer-overflow": Scenario(
        "the skimmer foams wildly into its cup and over it", _one("skimmer-overflow"),
        ("floor-wet",), 3.0, (1.0, 0.4, 1.0), needs="cup-full",
    ),
    "circulation-lost": Scenario(
        "circulation pumps in the displays stand", _one("circulation-lost"), ("oxygen",), 2.0,
        (1.0, 0.6, 1.0), needs="circulation-power",
    ),
    "oxygen-low": Scenario(
        "bacteria bloom and take the oxygen", _one("oxygen-low"), ("oxygen",), 8.0,
        (1.0, 0.8, 1.0), needs="oxygen",
    ),
    "ph-high": Scenario(
        "the top-off, filled with lime-water, runs on", _one("ph-high"), ("ph-band",), 6.0,
        (1.0, 0.7, 1.0), needs="top-off ph",
    ),
    "ph-low-room-co2": Scenario(
        "many people in the room and shut windows", _one("ph-low-room-co2"), ("ph-band",), 36.0,
        (1.0, 0.7, 1.0), slow=True, needs="ph",
    ),
    "reactor-co2-runaway": Scenario(
        "the gas of the calcium reactor runs on", _one("reactor-co2-runaway"), _ACID, 12.0,
        (1.0, 0.3, 1.0), slow=True, needs="reactor-ph",
    ),
    "reactor-effluent-off": Scenario(
        "the effluent of the calcium reactor clogs", _one("reactor-effluent-off"),
        ("alkalinity-rate", "ph-band"), 48.0, (1.0, 0.7, 1.0), slow=True, needs="reactor-effluent",
    ),
    "alkalinity-overdose": Scenario(
        "a container of carbonate siphons itself empty", _one("alkalinity-overdose"),
        ("alkalinity-rate", "ph-band"), 8.0, (1.0, 0.8, 1.0), slow=True, needs="alkalinity",
    ),
    "doser-stuck-on": Scenario(
        "the doser's pump runs on", _one("doser-stuck-on"), ("alkalinity-rate", "ph-band"), 4.0,
        needs="doser",
    ),
    "ammonia-high": Scenario(
        "something dead decays in a display", _one("ammonia-high"), ("ammonia", "oxygen"), 18.0,
        (1.0, 0.8, 1.0), slow=True, needs="ammonia",
    ),
    "electrical-overheat": Scenario(
        "a contact of the socket strip is worn and heats up", _one("electrical-overheat"),
        ("strip-hot",), 2.0, (1.0, 0.7, 1.0), needs="strip-temperature",
    ),
    "room-co2-high": Scenario(
        "a gas bottle leaks into the room", _one("room-co2-high"), ("room-air",), 6.0,
        (1.0, 0.7, 1.0), needs="room-co2",
    ),
}  # fmt: skip
