"""Several failures one after the other or at once, and what hands do meanwhile: one play of all."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from random import Random
from typing import NamedTuple

from weirsim.acts import ACTS, Deed, Doings
from weirsim.fault_book import struck
from weirsim.faults import FAULTS, Fault
from weirsim.instruments import NodeSpec, channels
from weirsim.plant import PlantSpec
from weirsim.recorded import Track
from weirsim.rehearsal import Play
from weirsim.scenarios import SCENARIOS

LEAD_S = 1800.0  # all well before the start, so that rules have seen some readings
_FIRST_ROW_S = 1.0  # before a recording, whose first row is at the start itself
_SHOWS_AS = {"siphon-break-blocked": "sump-high"}  # mechanism → the failure that it ends in


class Act(NamedTuple):
    """An act of `weirsim.acts.ACTS`, in seconds from the start."""

    id: str
    at_s: float


@dataclass(frozen=True, slots=True)
class Timeline:
    """What happens on a plant.

    Attributes:
        says: what it is, in a sentence.
        start_us: its beginning; the play begins `lead_s` before it.
        lasts_s: from the start, above 0.
        faults, acts: in any order, counted from the start; they may overlap.
        seed: of the probes' noise and of what they lose.
        room_degc: mean of the room; None: the plant's own.
        utc_offset_h: the plant's local time minus UTC; None: the plant's own.
        every_s: sampling interval of all nodes; None: their own.
        tracks: recordings of the nodes' recorded probes, by channel id, in the play's time.
    """

    says: str
    start_us: int
    lasts_s: float
    faults: tuple[Fault, ...] = ()
    acts: tuple[Act, ...] = ()
    seed: int = 1
    room_degc: float | None = None
    utc_offset_h: float | None = None
    every_s: float | None = None
    tracks: Mapping[str, Track] = field(default_factory=dict)

    @property
    def lead_s(self) -> float:
        """How long it is played before its start."""
        return _FIRST_ROW_S if self.tracks else LEAD_S


def timeline_play(timeline: Timeline, spec: PlantSpec, nodes: tuple[NodeSpec, ...]) -> Play:
    """Return the play of a timeline, its faults counted from the play's own beginning.

    Raises:
        KeyError: an act that there is none of.
        ValueError: a fault that cannot work on this plant.
    """
    doings = [ACTS[act.id].at(act.at_s + timeline.lead_s) for act in timeline.acts]
    faults = tuple(replace(fault, at_s=fault.at_s + timeline.lead_s) for fault in timeline.faults)
    struck(faults, spec, nodes)  # refuses what cannot work
    first_s = min((fault.at_s for fault in timeline.faults), default=timeline.lasts_s)
    meters = dict.fromkeys(name for fault in faults for name in meters_of(fault.id))
    return Play(
        says=timeline.says,
        spec=_spec(timeline, spec),
        nodes=nodes,
        start_us=timeline.start_us - round(timeline.lead_s * 1e6),
        begins_us=timeline.start_us + round(first_s * 1e6),
        until_us=timeline.start_us + round(timeline.lasts_s * 1e6),
        faults=(*faults, *(fault for done in doings for fault in done.faults)),
        meters=tuple(meters),
        seed=timeline.seed,
        every_s=timeline.every_s,
        deeds=_deeds(doings),
        broker_away=tuple(span for done in doings for span in done.broker_away),
        tracks=timeline.tracks,
    )


def meters_of(fault_id: str) -> tuple[str, ...]:
    """Return the harm to look for after a fault: that of the failure it is or ends in."""
    scenario = SCENARIOS.get(_SHOWS_AS.get(fault_id, fault_id))
    return () if scenario is None else scenario.meters


def parts_of(failure: str) -> tuple[str, ...]:
    """Return the faults that a drill of a failure plays; empty: it needs none, or is none."""
    scenario = SCENARIOS.get(failure)
    if scenario is None:
        return ()
    faults = scenario.faults(None, "", Random(0))
    return tuple(dict.fromkeys(fault.id for fault in faults))


def targets_of(spec: PlantSpec, nodes: Sequence[NodeSpec]) -> dict[str, tuple[str, ...]]:
    """Return what faults can strike in a plant, by the kinds in `FaultKind.strikes`."""
    kinds = sorted({kind.strikes for kind in FAULTS.values() if kind.strikes})
    known = {
        "chiller": [] if spec.chiller is None else [spec.chiller.id],
        "channel": list(channels(spec.system, tuple(nodes))),
        "heater": [heater.id for heater in spec.heaters],
        "loop": [loop.id for loop in spec.loops],
        "node": [node.id for node in nodes],
        "vessel": [vessel.id for vessel in spec.vessels if vessel.role != "reservoir"],
    }
    return {kind: tuple(known[kind]) for kind in kinds}


def _spec(timeline: Timeline, spec: PlantSpec) -> PlantSpec:
    day = spec.day
    if timeline.utc_offset_h is not None:
        day = replace(day, utc_offset_h=timeline.utc_offset_h)
    room = spec.room_degc if timeline.room_degc is None else timeline.room_degc
    return replace(spec.in_room(room), day=day)


def _deeds(doings: Sequence[Doings]) -> tuple[tuple[float, Deed], ...]:
    return tuple(sorted((deed for done in doings for deed in done.deeds), key=lambda d: d[0]))
