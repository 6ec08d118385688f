"""The command `weirwatch`: every family of commands, and how errors reach a person."""

import os
import sys
from typing import Annotated

import typer

from weirwatch.cli import (
    alarms,
    backup,
    check,
    demo,
    doctor,
    drill,
    farwatch,
    history,
    log,
    node,
    notice,
    proof,
    replay,
    report,
    series,
    serve,
    status,
    token,
    work,
)
from weirwatch.cli.family import Family
from weirwatch.domain.errors import (
    ConfigError,
    UnknownChannel,
    UnknownFailure,
    UnknownRule,
    UnknownWork,
    WeirwatchError,
)

_FAMILIES = (demo, serve, check, drill, replay, status, alarms, work, log, report, series, token)
_WRONG_USE = (ConfigError, UnknownRule, UnknownChannel, UnknownFailure, UnknownWork)
EXIT_NO = 1  # the answer is no, or it could not be done now
EXIT_WRONG_USE = 2  # wrong use or wrong configuration


def build_app() -> typer.Typer:
    """Return the application with every command."""
    app = typer.Typer(
        cls=Family,
        name="weirwatch",
        help="Telemetry and alarms for the keeper of a large living salt-water system.",
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    app.callback()(_options)
    for family in (*_FAMILIES, proof, backup, history, notice, node, farwatch, doctor):
        family.register(app)
    return app


def main() -> None:
    """Run the command; a person gets sentences on standard error, never a traceback."""
    try:
        build_app()()
    except _WRONG_USE as error:
        _fail(getattr(error, "problems", [str(error)]), EXIT_WRONG_USE)
    except WeirwatchError as error:
        _fail([str(error)], EXIT_NO)
    except OSError as error:
        named = f"{error.filename}: " if error.filename else ""
        _fail([f"{named}{error.strerror or error}"], EXIT_NO)
    except Exception as error:  # the top: whatever it is, a person reads a sentence
        if os.environ.get("WEIRWATCH_TRACEBACK") == "1":
            raise
        name = type(error).__name__
        _fail(
            [
                f"something went wrong that should not ({name}: {error}). Nothing was changed by "
                "this command as far as it is known; set WEIRWATCH_TRACEBACK=1 to see where."
            ],
            EXIT_NO,
        )


def _fail(sentences: list[str], code: int) -> None:
    for sentence in sentences:
        print(sentence, file=sys.stderr)  # noqa: T201 - this is how a command speaks
    raise SystemExit(code)


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"weirwatch {version('weirwatch')}")
        raise typer.Exit


def _options(
    _: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None:
    pass
