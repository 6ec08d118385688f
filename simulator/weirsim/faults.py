"""What can go wrong on purpose: the faults, by their ids in the failure catalogue."""

import difflib
from collections.abc import Callable
from dataclasses import dataclass

from weirsim.upset import ProbeTrouble, Upset

_L_H = 1.0 / 3_600_000.0
_FLOOR_LEAK_L_H = 300.0  # a hose that has slipped off a barb
_VESSEL_LEAK_L_H = 20.0  # a seam that weeps
_FILLER_L_H = 240.0  # a half-inch supply valve
_BLOOM_MG_L_H = 3.0
_DECAY_G_H = 0.6  # an animal of a kilogram or so that nobody has found
_RUNAWAY_MOL_H = 2.0  # 48 L of gas an hour: a regulator that creeps open
_OVERDOSE_DKH, _OVERDOSE_S = 4.0, 6 * 3600.0  # a dosing container that siphons itself empty
_CLOCK_S = 300.0


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that goes wrong.

    Attributes:
        id: of the failure, such as `return-pump-stopped`; see `FAULTS`.
        at_s: virtual seconds from the start, at least 0.
        severity: 0 to 1, what it means stands in `FAULTS`; None: the fault's own default.
        duration_s: until it is repaired; None: for ever, or as long as such a thing lasts.
        onset_s: it creeps up to its severity over this time, from nothing; 0: at once.
        target: vessel, loop, heater, node or channel it strikes; empty: the largest display, the
            first loop, all heaters, the last node on the mains, the first channel.
    """

    id: str
    at_s: float = 0.0
    severity: float | None = None
    duration_s: float | None = None
    target: str = ""
    onset_s: float = 0.0

    @classmethod
    def parse(cls, text: str) -> "Fault":
        """Return the fault that `ID`, `ID@SECONDS`, `ID:TARGET` or `ID:TARGET@SECONDS` means.

        Raises:
            ValueError: an unknown id (the known ones and the nearest are named), or bad seconds.
        """
        head, at, seconds = text.partition("@")
        fault_id, _, target = head.partition(":")
        fault_kind(fault_id)
        try:
            at_s = float(seconds) if at else 0.0
        except ValueError:
            raise ValueError(f"fault {text!r}: {seconds!r} is not a number of seconds") from None
        return cls(fault_id, at_s, target=target)


Apply = Callable[[Upset, str, float], None]  # writes one target's fault, with its severity


@dataclass(frozen=True, slots=True)
class FaultKind:
    """One entry of the table of faults.

    Attributes:
        says: what happens, with the meaning of severity.
        apply: writes it into an Upset.
        strikes: what its target is: vessel, loop, heater, chiller, node, channel; empty: it has
            none.
        severity: the default.
        creeps: whether it can come slowly: its severity is a matter of degree.
        lasts_s: how long it lasts by nature; None: until it is repaired.
        graded: whether its severity means anything; all that creeps is graded.
    """

    says: str
    apply: Apply
    strikes: str = ""
    severity: float = 1.0
    creeps: bool = False
    lasts_s: float | None = None
    graded: bool = False


def _put(name: str, value: Callable[[float], object]) -> Apply:
    return lambda upset, _, severity: setattr(upset, name, value(severity))


def _add(name: str) -> Apply:
    return lambda upset, target, _: getattr(upset, name).add(target)


def _key(name: str, value: Callable[[float], float]) -> Apply:
    return lambda upset, target, severity: getattr(upset, name).__setitem__(target, value(severity))


def _probe(name: str, value: Callable[[float], object]) -> Apply:
    def apply(upset: Upset, target: str, severity: float) -> None:
        setattr(upset.probes.setdefault(target, ProbeTrouble()), name, value(severity))

    return apply


def _run_lime(upset: Upset, _: str, severity: float) -> None:
    upset.top_off, upset.lime = True, severity


def _yes(_: float) -> bool:
    return True


def _reduce_flow(upset: Upset, _: str, severity: float) -> None:
    upset.flow_share = min(upset.flow_share, 1.0 - severity)


FAULTS: dict[str, FaultKind] = {
    "mains-lost": FaultKind("no mains power", _put("mains", lambda _: False)),
    "mains-restored": FaultKind(
        "ends a standing mains-lost; severity is the share of the return flow that does not come "
        "back (0: everything restarts)",
        _reduce_flow,
        severity=0.0,
        graded=True,
    ),
    "circuit-lost": FaultKind(
        "return pump, heaters, skimmer and top-off without power while mains are present",
        _put("circuit", lambda _: False),
    ),
    "return-pump-stopped": FaultKind(
        "the return pump stands", _put("pump_stopped", lambda _: True)
    ),
    "return-flow-reduced": FaultKind(
        "strainer or impeller clogged; severity is the share of the flow that is lost",
        _reduce_flow,
        severity=0.4,
        creeps=True,
    ),
    "side-loop-flow-lost": FaultKind(
        "a side loop is clogged or its valve shut; severity is how far",
        _key("valves", lambda severity: 1.0 - severity),
        "loop",
        creeps=True,
    ),
    "skimmer-flow-lost": FaultKind(
        "the skimmer's pump stands", _put("skimmer_stopped", lambda _: True)
    ),
    "siphon-break-blocked": FaultKind(
        "a display's siphon break is blocked: shows when the return pump stops",
        _add("siphons"),
        "vessel",
    ),
    "overflow-blocked": FaultKind(
        "a display's overflow is blocked; severity is the blocked share of its crest",
        _key("overflows", lambda severity: 1.0 - severity),
        "vessel",
        creeps=True,
    ),
    "floor-leak": FaultKind(
        f"the return pipe leaks onto the floor; severity 1 is {_FLOOR_LEAK_L_H:g} L/h",
        _put("floor_leak_m3_s", lambda severity: severity * _FLOOR_LEAK_L_H * _L_H),
        creeps=True,
    ),
    "vessel-leaking": FaultKind(
        f"a display leaks where no leak probe lies; severity 1 is {_VESSEL_LEAK_L_H:g} L/h",
        _key("vessel_leaks_m3_s", lambda severity: severity * _VESSEL_LEAK_L_H * _L_H),
        "vessel",
        creeps=True,
    ),
    "heater-stuck-on": FaultKind("all heaters heat for ever", _add("heaters_on"), "heater"),
    "heater-failed-off": FaultKind("all heaters stay cold", _add("heaters_off"), "heater"),
    "chiller-failed": FaultKind(
        "the chiller does not cool", _put("chiller_failed", _yes), "chiller"
    ),
    "top-off-stuck-on": FaultKind("the top-off pump runs on", _put("top_off", lambda _: True)),
    "top-off-stuck-off": FaultKind("the top-off pump never runs", _put("top_off", lambda _: False)),
    "light-stuck": FaultKind(
        "the lights stay on; with severity below 0.5 they stay off",
        _put("lights", lambda severity: severity >= 0.5),
        graded=True,
    ),
    "room-too-hot": FaultKind(
        "the room is warmer, by 12 K at severity 1",
        _put("room_rise_k", lambda severity: 12.0 * severity),
        creeps=True,
    ),
    "supply-water-stuck-open": FaultKind(
        f"the supply that fills the reservoir stays open; severity 1 is {_FILLER_L_H:g} L/h",
        _put("filler_m3_s", lambda severity: severity * _FILLER_L_H * _L_H),
        creeps=True,
    ),
    "skimmer-overflow": FaultKind(
        "the skimmer foams wildly; severity 1 is 12 L/h into its cup and over it",
        _put("wild_foam", lambda severity: severity),
        creeps=True,
    ),
    "circulation-lost": FaultKind(
        "circulation pumps stand; severity is their share",
        _put("circulation_share", lambda severity: 1.0 - severity),
        creeps=True,
    ),
    "oxygen-low": FaultKind(
        f"bacteria bloom and breathe; severity 1 takes {_BLOOM_MG_L_H:g} mg/L of oxygen an hour",
        _put("bloom_mg_l_h", lambda severity: severity * _BLOOM_MG_L_H),
        creeps=True,
    ),
    "ph-high": FaultKind(
        "the top-off, filled with lime-water, runs on; severity is the lime's saturation",
        _run_lime,
        graded=True,
    ),
    "ph-low-room-co2": FaultKind(
        "many people in the room and shut windows; severity 1 ends at 3420 ppm",
        _put("crowd", lambda severity: severity),
        creeps=True,
    ),
    "reactor-co2-runaway": FaultKind(
        f"the reactor's gas runs on; severity 1 is {_RUNAWAY_MOL_H:g} mol/h",
        _put("gas_mol_h", lambda severity: severity * _RUNAWAY_MOL_H),
        creeps=True,
    ),
    "reactor-effluent-off": FaultKind(
        "the reactor's effluent clogs; severity is how far",
        _put("effluent_share", lambda severity: 1.0 - severity),
        creeps=True,
    ),
    "alkalinity-overdose": FaultKind(
        f"a container of carbonate siphons empty in six hours: {_OVERDOSE_DKH:g} dKH at severity 1",
        _put("poured_dkh_h", lambda s: s * _OVERDOSE_DKH * 3600.0 / _OVERDOSE_S),
        lasts_s=_OVERDOSE_S,
        graded=True,
    ),
    "doser-stuck-on": FaultKind("the doser's pump runs on", _put("doser", _yes)),
    "ammonia-high": FaultKind(
        f"something dead decays; severity 1 sets {_DECAY_G_H:g} g of nitrogen free an hour",
        _put("decay_g_h", lambda severity: severity * _DECAY_G_H),
        creeps=True,
    ),
    "electrical-overheat": FaultKind(
        "a worn contact in the socket strip; severity 1 heats it by 72 K",
        _put("worn_contact", lambda severity: severity),
        creeps=True,
    ),
    "room-co2-high": FaultKind(
        "a gas bottle leaks; severity 1 is 300 L/h",
        _put("gas_leak", lambda severity: severity),
        creeps=True,
    ),
    "probe-silent": FaultKind("a probe says nothing", _probe("silent", _yes), "channel"),
    "probe-frozen": FaultKind("a probe repeats its last value", _probe("frozen", _yes), "channel"),
    "probe-drift": FaultKind(
        "a probe reads too high, by 5 % of its range at severity 1",
        _probe("drift", lambda severity: 0.05 * severity),
        "channel",
        creeps=True,
    ),
    "probe-fouled": FaultKind(
        "growth slows a probe; severity 1 adds a time constant of half an hour",
        _probe("fouled", lambda severity: severity),
        "channel",
        creeps=True,
    ),
    "probe-bubble": FaultKind(
        "an air bubble throws single readings off; severity is their share",
        _probe("bubble", lambda severity: severity),
        "channel",
        severity=0.3,
        graded=True,
    ),
    "probe-dropping": FaultKind(
        "readings of a probe never come; severity is their share",
        _probe("dropped", lambda severity: severity),
        "channel",
        severity=0.5,
        creeps=True,
    ),
    "probe-in-cup": FaultKind(
        "a probe stands in its calibration cup", _probe("in_cup", _yes), "channel"
    ),
    "node-clock-wrong": FaultKind(
        f"a node's clock is ahead, by {_CLOCK_S:g} s at severity 1",
        _key("clock_off_s", lambda severity: severity * _CLOCK_S),
        "node",
        creeps=True,
    ),
    "node-doubling": FaultKind("a node sends each pack twice", _add("doubling"), "node"),
    "node-rebooting": FaultKind(
        "a node starts again and again: it runs for 45 s and boots for 20 s",
        _add("rebooting"),
        "node",
    ),
    "node-offline": FaultKind(
        "a node loses its network but runs on, and sends what it kept when it is back",
        _add("offline"),
        "node",
    ),
}


def fault_kind(fault_id: str) -> FaultKind:
    """Return a fault's entry in the table.

    Raises:
        ValueError: unknown id; names the nearest and all known ones.
    """
    kind = FAULTS.get(fault_id)
    if kind is None:
        near = difflib.get_close_matches(fault_id, FAULTS, n=1)
        hint = f" Did you mean {near[0]!r}?" if near else ""
        raise ValueError(f"unknown fault {fault_id!r}.{hint} Known: {', '.join(sorted(FAULTS))}")
    return kind
