"""From the configuration file to settings: every mistake at once, each with its cure."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from weirwatch.config.advice import SILENT, advise, blind_channels, uncovered
from weirwatch.config.build import all_rules, builtins_of, plant_of, settings_of
from weirwatch.config.call_checks import check_calls
from weirwatch.config.catalogue import load_catalogue
from weirwatch.config.catalogue_rules import KEY, load_templates, with_catalogue
from weirwatch.config.catalogue_suggest import suggested
from weirwatch.config.checks import check_tables
from weirwatch.config.derived_checks import check_derived, plant_constants
from weirwatch.config.device_checks import check_devices
from weirwatch.config.document import Overrides, read_document
from weirwatch.config.draft import Draft, draft
from weirwatch.config.history_checks import check_history
from weirwatch.config.plant_checks import check_plant, doubt_plant
from weirwatch.config.problems import Problem
from weirwatch.config.recipient_checks import check_recipients, doubt_recipients
from weirwatch.config.retention import check_retention, doubt_retention
from weirwatch.config.rule_checks import Known, check_rules
from weirwatch.config.suppression import check_suppression
from weirwatch.config.upkeep_checks import check_upkeep
from weirwatch.config.work_checks import check_planned_work
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.failures import Catalogue
from weirwatch.settings import PlantSettings, Settings

__all__ = ["Overrides", "Report", "check", "load", "suggest"]


@dataclass(frozen=True, slots=True)
class Report:
    """What `check` has to say: one sentence each.

    Attributes:
        errors: with any of them the service does not start.
        warnings: allowed but doubtful; given only when there is no error.
    """

    errors: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def load(
    path: Path,
    overrides: Overrides | None = None,
    catalogue: Catalogue | None = None,
    *,
    text_of: Path | None = None,
) -> Settings:
    """Return the settings of a configuration file.

    Args:
        path: the TOML file; relative paths in it start at its folder.
        overrides: what a command's options say louder than the file.
        catalogue: the failures; None: those that ship with this version.
        text_of: a copy to read in place of the file, see `in_use`.

    Raises:
        ConfigError: with every mistake of the file.
    """
    bold = _bold_by_failure(catalogue)
    read, errors = _read(path, overrides, bold, text_of)
    if errors:
        raise ConfigError(errors)
    return settings_of(read, bold, path)


def check(
    path: Path, overrides: Overrides | None = None, catalogue: Catalogue | None = None
) -> Report:
    """Return every mistake of the file or, without any, every doubt; arguments as of `load`."""
    bold = _bold_by_failure(catalogue)
    try:
        read, errors = _read(path, overrides, bold)
    except ConfigError as error:
        return Report(errors=tuple(error.problems))
    if errors:
        return Report(errors=tuple(errors))
    rules = all_rules(read, bold)
    doubts = [
        *advise(read, rules, bold),
        *doubt_plant(read),
        *doubt_recipients(read),
        *doubt_retention(read, rules),
    ]
    return Report(warnings=tuple(_sentences(doubts, read, path)))


def suggest(path: Path, catalogue: Catalogue | None = None) -> tuple[str, ...]:
    """Return `[[rule]]` tables from the catalogue for failures that no rule of the file is for.

    Raises:
        ConfigError: with every mistake of the file.
    """
    bold = _bold_by_failure(catalogue)
    read, errors = _read(path, None, bold)
    if errors:
        raise ConfigError(errors)
    open_ones = uncovered(read, all_rules(read, bold), bold)
    if blind_channels(read) and SILENT not in open_ones:
        open_ones.append(SILENT)
    return tuple(found.toml() for found in suggested(read, open_ones, load_templates()))


def _read(
    path: Path,
    overrides: Overrides | None,
    bold: Mapping[str, bool],
    text_of: Path | None = None,
) -> tuple[Draft, list[str]]:
    plain = (overrides or Overrides()).on(read_document(text_of or path))
    folder = path.absolute().parent
    document, unwritten = with_catalogue(plain, load_templates(), _plant_alone(plain, folder))
    read = draft(document, folder)
    known = Known.of(read, bold)
    problems = [
        *unwritten,
        *read.problems,
        *check_tables(read),
        *check_history(read),
        *check_retention(read),
        *check_recipients(read, bold),
        *check_calls(read, bold),
        *check_plant(read, bold),
        *check_derived(read, plant_constants(plant_of(read))),
        *check_upkeep(read),
        *check_rules(known),
        *check_suppression(known, builtins_of(read)),
    ]
    if not problems:  # it names rules as they will run, so these must be whole
        rules = all_rules(read, bold)
        problems = [*check_planned_work(read, rules, bold), *check_devices(read, rules, bold)]
    return read, _sentences(problems, read, path)


def _plant_alone(document: Mapping[str, Any], folder: Path) -> PlantSettings | None:
    """Return the plant for the catalogue's rules; what is wrong with it is told with the rest."""
    if KEY not in {key for raw in _rules(document) for key in raw}:
        return None
    alone = draft({key: document[key] for key in ("system", "plant") if key in document}, folder)
    return None if alone.problems else plant_of(alone)


def _rules(document: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    rules = document.get("rule")
    yield from (raw for raw in rules if isinstance(raw, dict)) if isinstance(rules, list) else ()


def _sentences(problems: list[Problem], read: Draft, path: Path) -> list[str]:
    """Return each once, in the order of the file, so that all about one table stands together."""
    problems.sort(key=lambda problem: _position(problem, read.places))
    return list(dict.fromkeys(problem.sentence(str(path)) for problem in problems))


def _position(problem: Problem, places: Sequence[str]) -> int:
    found = [at for at, place in enumerate(places) if problem.where.startswith(place)]
    return max(found, key=lambda at: len(places[at]), default=len(places))


def _bold_by_failure(catalogue: Catalogue | None) -> Mapping[str, bool]:
    failures = (catalogue or load_catalogue()).failures
    return {failure.id: failure.bold for failure in failures.values()}
