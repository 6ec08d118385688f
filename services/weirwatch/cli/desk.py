"""What a reading command works with: settings, the file, and the service if it runs."""

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import typer

from weirwatch.clock import SystemClock
from weirwatch.config import Overrides, load
from weirwatch.config.catalogue import load_catalogue
from weirwatch.config.problems import did_you_mean
from weirwatch.control.client import ControlClient
from weirwatch.domain.errors import TransientError, UnknownRule
from weirwatch.domain.failures import Catalogue
from weirwatch.domain.instant import Micros, from_rfc3339
from weirwatch.ports import Archive, Core
from weirwatch.settings import Settings
from weirwatch.store.far.making import archive_of
from weirwatch.store.schema import FILE_NAME

SOCKET_NAME = "control.sock"


@dataclass(frozen=True, slots=True)
class Desk:
    """Everything that a reading command may ask.

    Attributes:
        archive: the file, read-only.
        core: the running service; each call says so when there is none.
    """

    settings: Settings
    catalogue: Catalogue
    archive: Archive
    core: Core

    @property
    def file(self) -> Path:
        """The SQLite file."""
        return self.settings.service.data_dir / FILE_NAME

    def health(self) -> tuple[Mapping[str, Any] | None, str]:
        """Return the health document, or None and the sentence that says why not."""
        try:
            return self.core.health(), ""
        except TransientError as error:
            return None, str(error)

    def now(self, health: Mapping[str, Any] | None = None) -> Micros:
        """Return the service's time if it runs (the demo's may be scaled), else the machine's."""
        found = health if health is not None else self.health()[0]
        if found is not None:
            return from_rfc3339(str(found["time"]))
        return SystemClock().now().utc


@contextmanager
def desk(config: Path, data: Path | None) -> Iterator[Desk]:
    """Open everything for one command.

    Raises:
        ConfigError: the configuration has mistakes.
    """
    catalogue = load_catalogue()
    settings = load(config, Overrides(data_dir=data), catalogue)
    folder = settings.service.data_dir
    archive = archive_of(settings)
    try:
        yield Desk(settings, catalogue, archive, ControlClient(folder / SOCKET_NAME))
    finally:
        archive.close()


@contextmanager
def known_rule(open_desk: Desk, rule: str) -> Iterator[None]:
    """Add to the refusal of an unknown rule which one may be meant.

    Raises:
        UnknownRule: no rule has that id.
    """
    try:
        yield
    except UnknownRule as error:
        ids = [known.id for known in open_desk.settings.rules]
        cure = did_you_mean(rule, ids, "weirwatch alarms --all lists them.")
        raise UnknownRule(f"{error}. {cure}") from error


def print_json(document: object) -> None:
    """Print one JSON document on one line."""
    typer.echo(json.dumps(document, ensure_ascii=False))
