"""What can go wrong on purpose: the faults, by their ids in the failure catalogue."""

import difflib
from collections.abc import Callable
from dataclasses import dataclass

from weirsim.upset import Upset

_L_H = 1.0 / 3_600_000.0
_FLOOR_LEAK_L_H = 300.0  # a hose that has slipped off a barb
_VESSEL_LEAK_L_H = 20.0  # a seam that weeps


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that goes wrong.

    Attributes:
        id: of the failure, such as `return-pump-stopped`; see `FAULTS`.
        at_s: virtual seconds from the start, at least 0.
        severity: 0 to 1, what it means stands in `FAULTS`; None: the fault's own default.
        duration_s: until it is repaired; None: for ever.
        target: vessel, loop, heater, node or channel it strikes; empty: the largest display, the
            first loop, all heaters, the last node on the mains, the first channel.
    """

    id: str
    at_s: float = 0.0
    severity: float | None = None
    duration_s: float | None = None
    target: str = ""

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
        strikes: what its target is: vessel, loop, heater, node, channel; empty: it has none.
        severity: the default.
    """

    says: str
    apply: Apply
    strikes: str = ""
    severity: float = 1.0


def _put(name: str, value: Callable[[float], object]) -> Apply:
    return lambda upset, _, severity: setattr(upset, name, value(severity))


def _add(name: str) -> Apply:
    return lambda upset, target, _: getattr(upset, name).add(target)


def _key(name: str, value: Callable[[float], float]) -> Apply:
    return lambda upset, target, severity: getattr(upset, name).__setitem__(target, value(severity))


def _reduce_flow(upset: Upset, _: str, severity: float) -> None:
    upset.flow_share = min(upset.flow_share, 1.0 - severity)


FAULTS: dict[str, FaultKind] = {
    "mains-lost": FaultKind("no mains power", _put("mains", lambda _: False)),
    "mains-restored": FaultKind(
        "ends a standing mains-lost; severity is the share of the return flow that does not come "
        "back (0: everything restarts)",
        _reduce_flow,
        severity=0.0,
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
    ),
    "side-loop-flow-lost": FaultKind(
        "a side loop is clogged or its valve shut; severity is how far",
        _key("valves", lambda severity: 1.0 - severity),
        "loop",
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
    ),
    "floor-leak": FaultKind(
        f"the return pipe leaks onto the floor; severity 1 is {_FLOOR_LEAK_L_H:g} L/h",
        _put("floor_leak_m3_s", lambda severity: severity * _FLOOR_LEAK_L_H * _L_H),
    ),
    "vessel-leaking": FaultKind(
        f"a display leaks where no leak probe lies; severity 1 is {_VESSEL_LEAK_L_H:g} L/h",
        _key("vessel_leaks_m3_s", lambda severity: severity * _VESSEL_LEAK_L_H * _L_H),
        "vessel",
    ),
    "heater-stuck-on": FaultKind("all heaters heat for ever", _add("heaters_on"), "heater"),
    "heater-failed-off": FaultKind("all heaters stay cold", _add("heaters_off"), "heater"),
    "top-off-stuck-on": FaultKind("the top-off pump runs on", _put("top_off", lambda _: True)),
    "top-off-stuck-off": FaultKind("the top-off pump never runs", _put("top_off", lambda _: False)),
    "light-stuck": FaultKind(
        "the lights stay on; with severity below 0.5 they stay off",
        _put("lights", lambda severity: severity >= 0.5),
    ),
    "room-too-hot": FaultKind(
        "the room is warmer, by 12 K at severity 1",
        _put("room_rise_k", lambda severity: 12.0 * severity),
    ),
    "probe-silent": FaultKind("a probe says nothing", _add("silent"), "channel"),
    "probe-frozen": FaultKind("a probe repeats its last value", _add("frozen"), "channel"),
    "probe-drift": FaultKind(
        "a probe reads too high, by 5 % of its range at severity 1",
        _key("drift", lambda severity: 0.05 * severity),
        "channel",
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
