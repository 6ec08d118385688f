"""`weirwatch drill --scenario FILE.toml`: a timeline of failures, by the keeper's own file."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn

from weirwatch.cli.drill_plant import SimulatedPlant
from weirwatch.cli.drill_run import Rehearsals
from weirwatch.cli.scenario_plant import TimelinePlay, playable
from weirwatch.cli.scenario_recording import Recorded, recordable, recorded
from weirwatch.cli.scenario_view import Told, scenario_json, show_scenario
from weirwatch.config.catalogue import load_catalogue
from weirwatch.config.scenario_config import ScenarioSettings, load_scenario
from weirwatch.domain.instant import micros
from weirwatch.pipeline.plant_source import Moment
from weirwatch.pipeline.timeline import TimelineResult, judge_timeline, telling_rules
from weirwatch.settings import Settings

_HOUR = micros(3600.0)


def run_scenario(settings: Settings, path: Path, seed: int | None, *, as_json: bool) -> int:
    """Play a scenario, print what came of it, and return the exit code.

    Args:
        settings: the keeper's own, with a plant.
        path: the scenario's file.
        seed: in place of the file's; None: the file's own.
        as_json: print it for machines.

    Raises:
        ConfigError: every mistake of the file, or there is no plant.
    """
    plant = SimulatedPlant(settings)
    can_hold = recordable(settings, plant.stage.spec.system)
    known = playable(plant.stage, load_catalogue().failures, tuple(can_hold))
    scenario = load_scenario(path, known, settings.service.time_zone)
    if seed is not None:
        scenario = replace(scenario, seed=seed)
    tape, unfed = None, plant.unfed()
    if scenario.recording is None:
        plant.require_probes()
    else:
        tape = recorded(settings, plant.stage, scenario, scenario.recording)
        scenario, unfed = tape.scenario, tape.absent
    result = play_scenario(settings, plant, scenario, tape, quiet=as_json)
    told = Told(scenario, result, tape, {rule.id: rule for rule in settings.rules}, tuple(unfed))
    if as_json:
        scenario_json(told)
    else:
        show_scenario(told, settings.service.time_zone)
    return told.exit_code


def play_scenario(
    settings: Settings,
    plant: SimulatedPlant,
    scenario: ScenarioSettings,
    tape: Recorded | None = None,
    *,
    quiet: bool = True,
) -> TimelineResult:
    """Play a scenario to its end and return what it has shown.

    Args:
        settings: the keeper's own.
        plant: their plant.
        scenario: as it was read; that of the recording, if there is one.
        tape: what was recorded; None: nothing.
        quiet: without a bar.
    """
    stage = plant.stage if tape is None else tape.stage
    play = _Shown(stage, plant.root, scenario, {} if tape is None else tape.by_channel)
    play.quiet = quiet
    if tape is None:
        outcome = Rehearsals(settings).watch(play, frozenset())
    else:
        rehearsals = Rehearsals(settings, tape.absent)
        outcome = rehearsals.watch(play, frozenset(), doubted=tape.tracks.doubted)
    channels = {channel.id: channel for channel in settings.channels}
    telling = {
        fault.number: telling_rules(fault, settings.rules, channels, play.others[fault.number])
        for fault in play.faults
    }
    first_s = min((entry.at_s for entry in scenario.entries), default=scenario.lasts_s)
    if tape is not None:
        first_s = 0.0  # what sounds in a recording is what happened, and no false alarm
    first_entry = scenario.start + micros(first_s)
    return judge_timeline(outcome, play.faults, telling, play.harms(), first_entry)


class _Shown(TimelinePlay):
    """A play with a bar on standard error that says how far it has gone."""

    quiet = True

    def moments(self) -> Iterator[Moment]:
        """Yield one moment after another; once only."""
        bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TextColumn("{task.completed:.1f} of {task.total:.1f} h"),
            console=Console(stderr=True),
            disable=self.quiet,
            transient=True,
        )
        with bar:
            task = bar.add_task("Playing", total=(self.until - self.start) / _HOUR)
            for moment in super().moments():
                yield moment
                bar.update(task, completed=(moment.time - self.start) / _HOUR)
