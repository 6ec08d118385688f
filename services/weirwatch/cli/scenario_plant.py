"""A scenario file on the simulator: what can be played, the play, and harm by fault."""

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from weirsim.acts import ACTS
from weirsim.fault_book import struck
from weirsim.faults import FAULTS, Fault
from weirsim.plant import PlantSpec
from weirsim.recorded import Track
from weirsim.rehearsal import Rehearsal
from weirsim.scenarios import SCENARIOS
from weirsim.stage import Stage
from weirsim.timeline import Act, Timeline, meters_of, parts_of, targets_of, timeline_play
from weirwatch.cli.drill_plant import SimulatedPlay
from weirwatch.config.scenario_checks import FaultTrait, Playable
from weirwatch.config.scenario_config import EntrySettings, ScenarioSettings
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import micros
from weirwatch.pipeline.drill_summary import span
from weirwatch.pipeline.plant_source import HarmBegins
from weirwatch.pipeline.timeline import TimelineFault, telling_failures, usual_expectation

_OWN_WORDS = {"mains-restored": "the mains come back"}


def playable(stage: Stage, failures: Collection[str], recordable: Sequence[str]) -> Playable:
    """Return what a scenario may say about a plant.

    Args:
        stage: the plant.
        failures: ids of the catalogue.
        recordable: channels that a recording can hold.
    """
    return Playable(
        faults={
            name: FaultTrait(
                kind.strikes, kind.graded or kind.creeps, kind.creeps, stage.lacks(name)
            )
            for name, kind in FAULTS.items()
        },
        composed={failure: _instead(failure) for failure in SCENARIOS if failure not in FAULTS},
        acts=tuple(ACTS),
        targets=targets_of(stage.spec, stage.nodes),
        system=stage.spec.system,
        failures=failures,
        recordable=recordable,
    )


def _instead(failure: str) -> str:
    parts = [f'"{part}"' for part in parts_of(failure)]
    if not parts:
        return f"It needs nothing to go wrong: play it with weirwatch drill {failure}"
    times = "one entry" if len(parts) == 1 else "an entry each"
    return f"Write {times} with fault = {' and '.join(parts)}"


class TimelinePlay(SimulatedPlay):
    """The play of a scenario.

    Args:
        stage: the plant on which it is played.
        root: first level of the topics.
        scenario: checked against what that plant can play.
        tracks: recordings of the stage's recorded probes, by channel id.

    Attributes:
        faults: as they are judged.
        others: fault's number → what else of the kind that it strikes the plant has.

    Raises:
        ConfigError: the simulator cannot play it.
    """

    def __init__(
        self, stage: Stage, root: str, scenario: ScenarioSettings, tracks: Mapping[str, Track]
    ) -> None:
        wrong = [(n, entry) for n, entry in enumerate(scenario.entries, 1) if entry.fault]
        faults = tuple(_fault(entry) for _, entry in wrong)
        timeline = replace(_timeline(scenario, stage.spec, faults), tracks=tracks)
        try:
            targets = struck(faults, stage.spec, stage.nodes)
            play = timeline_play(timeline, stage.spec, stage.nodes)
            rehearsal = Rehearsal(play, root)
            super().__init__(rehearsal)
        except ValueError as trouble:
            raise ConfigError(f"{scenario.source}: {trouble}") from trouble
        self._watch = rehearsal.watch
        self.faults = tuple(
            _judged(scenario, number, entry, tuple(name for name in names if name))
            for (number, entry), names in zip(wrong, targets, strict=True)
        )
        self.others = {fault.number: _others(stage.spec, fault) for fault in self.faults}

    def harms(self) -> Mapping[int, HarmBegins | None]:
        """Return the first harm after each fault, by its number, as far as it has gone."""
        return {fault.number: self._harm_of(fault) for fault in self.faults}

    def _harm_of(self, fault: TimelineFault) -> HarmBegins | None:
        meters = meters_of(fault.fault)
        found = self._watch.within(fault.begins, fault.counts_until, meters)
        return None if found is None else HarmBegins(found.at_us, found.says, found.source)


def _timeline(scenario: ScenarioSettings, spec: PlantSpec, faults: tuple[Fault, ...]) -> Timeline:
    room = scenario.room_degc
    return Timeline(
        says=scenario.title,
        start_us=scenario.start,
        lasts_s=scenario.lasts_s,
        faults=faults,
        acts=tuple(Act(entry.act, entry.at_s) for entry in scenario.entries if entry.act),
        seed=scenario.seed,
        room_degc=spec.room_degc + scenario.room_shift_k if room is None else room,
        utc_offset_h=scenario.utc_offset_h,
        every_s=scenario.every_s,
    )


def _fault(entry: EntrySettings) -> Fault:
    return Fault(
        entry.fault,
        entry.at_s,
        entry.severity,
        entry.repaired_after_s,
        entry.target,
        entry.onset_s,
    )


def _judged(
    scenario: ScenarioSettings, number: int, entry: EntrySettings, targets: tuple[str, ...]
) -> TimelineFault:
    begins, lasts_s = scenario.start + micros(entry.at_s), entry.repaired_after_s
    told_by = frozenset(entry.told_by) or telling_failures(entry.fault)
    return TimelineFault(
        number=number,
        fault=entry.fault,
        says=_says(entry, targets),
        targets=targets,
        strikes=FAULTS[entry.fault].strikes,
        begins=begins,
        repaired=None if lasts_s is None else begins + micros(lasts_s),
        told_by=told_by,
        expect=entry.expect or usual_expectation(entry.fault),
    )


def _says(entry: EntrySettings, targets: tuple[str, ...]) -> str:
    """Return what happens, in words: the table's own, without what it says of severity."""
    says = _OWN_WORDS.get(entry.fault) or re.split("; |: |, by ", FAULTS[entry.fault].says)[0]
    details = [", ".join(targets)] if entry.target or len(targets) == 1 else []
    if entry.severity is not None:
        details.append(f"severity {entry.severity:g}")
    if entry.onset_s:
        details.append(f"coming over {span(entry.onset_s)}")
    if entry.repaired_after_s is not None:
        details.append(f"mended after {span(entry.repaired_after_s)}")
    return says + (f" ({', '.join(details)})" if details else "")


def _others(spec: PlantSpec, fault: TimelineFault) -> tuple[str, ...]:
    """Return what else of its kind the plant has; of vessels, those of the same role."""
    if fault.strikes == "vessel":
        roles = {spec.vessel(name).role for name in fault.targets}
        known = [vessel.id for vessel in spec.vessels if vessel.role in roles]
    else:
        known = [loop.id for loop in spec.loops] if fault.strikes == "loop" else []
    return tuple(name for name in known if name not in fault.targets)
