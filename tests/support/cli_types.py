"""Types of the fixtures in tests/cli."""

import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from typer.testing import Result


@dataclass(frozen=True)
class Place:
    """A configuration file in a folder short enough for a socket."""

    folder: Path

    @property
    def config(self) -> Path:
        return self.folder / "weirwatch.toml"

    @property
    def data(self) -> Path:
        return self.folder / "data"


Call = Callable[..., Result]
Run = Callable[..., "subprocess.CompletedProcess[str]"]
