"""Which faults are active when: a plant's faults, checked against it and laid out in time."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from weirsim.faults import Fault, FaultKind, fault_kind
from weirsim.instruments import NodeSpec, channels
from weirsim.plant import PlantSpec
from weirsim.upset import Upset

_STAIRS = 100


@dataclass(frozen=True, slots=True)
class _Entry:
    fault: Fault
    kind: FaultKind
    severity: float
    targets: tuple[str, ...]
    from_s: float
    until_s: float

    def severity_at(self, elapsed_s: float) -> float:
        """Return how bad it is; a creeping fault climbs in small stairs of equal height."""
        onset_s = self.fault.onset_s
        if elapsed_s >= self.from_s + onset_s:
            return self.severity
        stair = int((elapsed_s - self.from_s) / onset_s * _STAIRS + 1e-9)
        return self.severity * stair / _STAIRS

    def next_change_s(self, elapsed_s: float) -> float:
        """Return when it begins, climbs a stair or ends after a time; infinite if never."""
        onset_s = self.fault.onset_s
        if self.from_s <= elapsed_s < self.from_s + onset_s:
            stair = int((elapsed_s - self.from_s) / onset_s * _STAIRS + 1e-9) + 1
            return min(self.from_s + onset_s * stair / _STAIRS, self.until_s)
        return min((t for t in (self.from_s, self.until_s) if t > elapsed_s), default=inf)


def struck(
    faults: Sequence[Fault], spec: PlantSpec, nodes: Sequence[NodeSpec] = ()
) -> tuple[tuple[str, ...], ...]:
    """Return what each of the faults strikes; one empty name for a fault without a target.

    Raises:
        ValueError: as `FaultBook`.
    """
    places = _Places(spec, tuple(nodes))
    return tuple(_entry(fault, places, ()).targets for fault in faults)


class FaultBook:
    """The faults of one run.

    Args:
        faults: in any order; times count from the start of the run.
        spec: the plant they strike.
        nodes: its nodes; needed for faults of probes and nodes.

    Raises:
        ValueError: unknown id or target, severity outside 0 to 1, negative time.
    """

    def __init__(
        self, faults: Sequence[Fault], spec: PlantSpec, nodes: Sequence[NodeSpec] = ()
    ) -> None:
        places = _Places(spec, tuple(nodes))
        back = [fault.at_s for fault in faults if fault.id == "mains-restored"]
        self._entries = [_entry(fault, places, back) for fault in faults]

    def upset_at(self, elapsed_s: float) -> Upset:
        """Return everything that is wrong at a time."""
        upset = Upset()
        for entry in self._entries:
            if entry.from_s <= elapsed_s < entry.until_s:
                for target in entry.targets:
                    entry.kind.apply(upset, target, entry.severity_at(elapsed_s))
        return upset

    def next_change_s(self, elapsed_s: float) -> float:
        """Return when the next fault begins, creeps on or ends; infinite if none does."""
        times = [entry.next_change_s(elapsed_s) for entry in self._entries]
        return min((time for time in times if time > elapsed_s), default=inf)

    def active(self, elapsed_s: float) -> tuple[str, ...]:
        """Return the ids of the faults that stand at a time."""
        return tuple(
            entry.fault.id for entry in self._entries if entry.from_s <= elapsed_s < entry.until_s
        )


class _Places:
    """What faults can strike in one plant, by kind of target, the default first."""

    def __init__(self, spec: PlantSpec, nodes: tuple[NodeSpec, ...]) -> None:
        displays = sorted(spec.displays, key=lambda vessel: -vessel.volume_l)
        others = [v for v in spec.vessels if v.role in ("refuge", "sump")]
        on_mains = [node.id for node in reversed(nodes) if node.power == "mains"]
        self._system = spec.system
        self._ids = {
            "vessel": [vessel.id for vessel in (*displays, *others)],
            "loop": [loop.id for loop in spec.loops],
            "heater": [heater.id for heater in spec.heaters],
            "chiller": [] if spec.chiller is None else [spec.chiller.id],
            "node": [*on_mains, *[node.id for node in nodes if node.id not in on_mains]],
            "channel": list(channels(spec.system, nodes)),
        }

    def targets(self, fault: Fault, strikes: str) -> tuple[str, ...]:
        if not strikes:
            if fault.target:
                raise ValueError(f"fault {fault.id}: takes no target, drop {fault.target!r}")
            return ("",)
        known = self._ids[strikes]
        if not known:
            raise ValueError(f"fault {fault.id}: the plant has no {strikes} it could strike")
        if not fault.target:
            return tuple(known) if strikes == "heater" else (known[0],)
        for name in (fault.target, f"{self._system}/{fault.target}"):
            if name in known:
                return (name,)
        raise ValueError(
            f"fault {fault.id}: no {strikes} {fault.target!r}; there is {', '.join(known)}"
        )


def _entry(fault: Fault, places: _Places, mains_back_s: Sequence[float]) -> _Entry:
    kind = fault_kind(fault.id)
    severity = kind.severity if fault.severity is None else fault.severity
    if not 0.0 <= severity <= 1.0:
        raise ValueError(f"fault {fault.id}: severity {severity:g} is outside 0 to 1")
    if not 0.0 <= fault.at_s < inf:
        raise ValueError(f"fault {fault.id}: starts at {fault.at_s:g} s; give 0 or more")
    if fault.duration_s is not None and not 0.0 < fault.duration_s < inf:
        raise ValueError(f"fault {fault.id}: lasts {fault.duration_s:g} s; give more than 0")
    if fault.onset_s and not (kind.creeps and 0.0 < fault.onset_s < inf):
        raise ValueError(
            f"fault {fault.id}: onset_s = {fault.onset_s:g} s: "
            + ("give 0 or more" if kind.creeps else "it begins at once, leave onset_s out")
        )
    duration_s = kind.lasts_s if fault.duration_s is None else fault.duration_s
    until_s = inf if duration_s is None else fault.at_s + duration_s
    if fault.id == "mains-lost":
        until_s = min([until_s, *[back for back in mains_back_s if back > fault.at_s]])
    targets = places.targets(fault, kind.strikes)
    return _Entry(fault, kind, severity, targets, fault.at_s, until_s)
