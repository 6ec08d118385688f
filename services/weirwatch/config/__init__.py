"""From the configuration file to settings: every mistake at once, each with its cure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from weirwatch.config.advice import advise
from weirwatch.config.build import all_rules, builtins_of, settings_of
from weirwatch.config.catalogue import load_catalogue
from weirwatch.config.checks import check_tables
from weirwatch.config.document import Overrides, read_document
from weirwatch.config.draft import Draft, draft
from weirwatch.config.plant_checks import check_plant
from weirwatch.config.problems import Problem
from weirwatch.config.rule_checks import Known, check_rules
from weirwatch.config.suppression import check_suppression
from weirwatch.domain.errors import ConfigError
from weirwatch.settings import Settings

__all__ = ["Overrides", "Report", "check", "load"]


@dataclass(frozen=True, slots=True)
class Report:
    """What `check` has to say: one sentence each.

    Attributes:
        errors: with any of them the service does not start.
        warnings: allowed but doubtful; given only when there is no error.
    """

    errors: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def load(path: Path, overrides: Overrides | None = None) -> Settings:
    """Return the settings of a configuration file.

    Args:
        path: the TOML file; relative paths in it start at its folder.
        overrides: what a command's options say louder than the file.

    Raises:
        ConfigError: with every mistake of the file.
    """
    read, errors = _read(path, overrides)
    if errors:
        raise ConfigError(errors)
    return settings_of(read, _bold_by_failure(), path)


def check(path: Path, overrides: Overrides | None = None) -> Report:
    """Return every mistake of the file or, without any, every doubt."""
    try:
        read, errors = _read(path, overrides)
    except ConfigError as error:
        return Report(errors=tuple(error.problems))
    if errors:
        return Report(errors=tuple(errors))
    bold = _bold_by_failure()
    doubts = advise(read, all_rules(read, bold), bold)
    return Report(warnings=tuple(doubt.sentence(str(path)) for doubt in doubts))


def _read(path: Path, overrides: Overrides | None) -> tuple[Draft, list[str]]:
    document = (overrides or Overrides()).on(read_document(path))
    read = draft(document, path.absolute().parent)
    known = Known.of(read, _bold_by_failure())
    problems = [
        *read.problems,
        *check_tables(read),
        *check_plant(read),
        *check_rules(known),
        *check_suppression(known, builtins_of(read)),
    ]
    problems.sort(key=lambda problem: _position(problem, read.places))
    return read, list(dict.fromkeys(problem.sentence(str(path)) for problem in problems))


def _position(problem: Problem, places: Sequence[str]) -> int:
    """Return the place in the file, so that all about one table stands together."""
    found = [at for at, place in enumerate(places) if problem.where.startswith(place)]
    return max(found, key=lambda at: len(places[at]), default=len(places))


def _bold_by_failure() -> Mapping[str, bool]:
    failures = load_catalogue().failures
    return {failure.id: failure.bold for failure in failures.values()}
