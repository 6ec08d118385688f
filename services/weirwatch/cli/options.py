"""The options that commands share, and what they stand for."""

import os
from pathlib import Path
from typing import Annotated

import typer

CONFIG_VARIABLE = "WEIRWATCH_CONFIG"
DEFAULT_CONFIG = "weirwatch.toml"

ConfigOption = Annotated[
    Path | None,
    typer.Option(
        "--config",
        metavar="FILE",
        help=f"Configuration file.  [default: ${CONFIG_VARIABLE}, else {DEFAULT_CONFIG}]",
        show_default=False,
    ),
]
DataOption = Annotated[
    Path | None,
    typer.Option(
        "--data",
        metavar="DIR",
        help="Data folder, if not the one that the configuration names.",
        show_default=False,
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON, for programs.")]


def config_path(*given: Path | None) -> Path:
    """Return the first file that was given, else the environment's, else the default."""
    for path in given:
        if path is not None:
            return path
    return Path(os.environ.get(CONFIG_VARIABLE) or DEFAULT_CONFIG)


def places(
    context: typer.Context, config: Path | None, data: Path | None
) -> tuple[Path, Path | None]:
    """Return configuration and data folder as given to a command, else to its family before it."""
    before_config, before_data = context.obj or (None, None)
    return config_path(config, before_config), data or before_data
