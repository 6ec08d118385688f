"""`weirwatch backup` and `weirwatch restore`: a copy of the whole record, and back."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from weirwatch.cli.options import ConfigOption, DataOption, JsonOption, config_path

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from weirwatch.store.backup import Progress, Report

_SQLITE = b"SQLite format 3\0"  # how every such file begins (sqlite.org/fileformat.html)

ReplaceOption = Annotated[
    bool, typer.Option("--replace", help="Take the place of a copy that is there.")
]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command(name="backup")(backup_command)
    app.command(name="restore")(restore_command)


def backup_command(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="Where to; in a folder: named by the time.")
    ],
    replace: ReplaceOption = False,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Copy the whole record while the service runs, and check the copy.

    The copy holds history, alarms, events, notices, tokens and the keeper's log, as they were at
    one moment; not the configuration. Exit code 1 when part of it was damaged already.
    """
    from weirwatch.cli.desk import print_json
    from weirwatch.clock import SystemClock
    from weirwatch.config import Overrides, load
    from weirwatch.domain.errors import ConfigError
    from weirwatch.domain.instant import file_stamp
    from weirwatch.store.backup import back_up
    from weirwatch.store.schema import FILE_NAME

    service = load(config_path(config), Overrides(data_dir=data)).service
    path = service.data_dir / FILE_NAME
    target = file
    if target.is_dir():
        target = target / f"weirwatch-{file_stamp(SystemClock().now().utc)}.sqlite3"
    elif not target.suffix and not target.exists():  # a disk that is not mounted, more likely
        raise ConfigError(
            f"{target}: there is no such folder: make or mount it, or name a file, as"
            f" {target}.sqlite3"
        )
    report = back_up(path, target, replace=replace, progress=_progress())
    if as_json:
        print_json(_document(report) | {"file": str(target)})
    else:
        typer.echo(f"{target}: {_sentence(report, service.time_zone)}")
        typer.echo("Keep the configuration file with it: it is not in the copy.")
    _tell_damage(report)


def restore_command(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Made by weirwatch backup.")],
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put a copy in the place of the record, which is kept beside it. The service must not run.

    What came after the copy was made is then not in the record; it stays in the file kept.
    """
    from weirwatch.cli.desk import print_json
    from weirwatch.clock import SystemClock
    from weirwatch.config import Overrides, load
    from weirwatch.domain.instant import file_stamp
    from weirwatch.store.lock import WriterLock
    from weirwatch.store.restore import restore

    service = load(config_path(config), Overrides(data_dir=data)).service
    folder = service.data_dir
    _judge(file)
    now = SystemClock().now().utc
    with WriterLock(folder):
        done = restore(file, folder, now, file_stamp(now), _progress())
    if as_json:
        kept = None if done.kept is None else str(done.kept)
        print_json(_document(done.report) | {"file": str(file), "kept": kept})
    else:
        typer.echo(f"{folder}: {_sentence(done.report, service.time_zone)}")
        if done.kept is not None:
            typer.echo(f"The record before it is kept: {done.kept}")
        typer.echo("Start the service: it says from when to when it was down.")
    _tell_damage(done.report)


def _judge(file: Path) -> None:
    """Refuse at once what can be no copy.

    Raises:
        ConfigError: there is no such file, it cannot be read, or it is of another kind.
    """
    from weirwatch.domain.errors import ConfigError

    try:
        with file.open("rb") as stream:
            head = stream.read(len(_SQLITE))
    except OSError as error:
        raise ConfigError(f"{file} cannot be read: {error.strerror}") from error
    if head != _SQLITE:
        raise ConfigError(f"{file} is no copy made by weirwatch backup: name the one that is")


def _document(report: "Report") -> dict[str, Any]:
    from weirwatch.domain.instant import to_rfc3339

    return {
        "bytes": report.size,
        "until": None if report.alive_at is None else to_rfc3339(report.alive_at),
        "rows": dict(report.rows),
        "parts_checked": report.parts,
        "damaged": list(report.damaged),
    }


def _sentence(report: "Report", zone: "ZoneInfo") -> str:
    from weirwatch.domain.wording import counted
    from weirwatch.pipeline.local_time import local_time

    alive = report.alive_at
    until = "nothing yet" if alive is None else f"until {local_time(alive, zone)}"
    events, parts = counted(report.rows["event"], "event"), counted(report.parts, "part")
    return (
        f"{report.size / 1e6:.1f} MB, {until}; {events} and {parts} of the history,"
        " read again and found as they were written"
    )


def _tell_damage(report: "Report") -> None:
    """Say what was damaged before; such a part is left out of every answer, no other is."""
    for part in report.damaged:
        typer.echo(f"Damaged in the original already: {part}", err=True)
    if report.damaged:
        raise typer.Exit(1)


def _progress() -> "Progress | None":
    """Return what shows progress on a terminal; None where nobody sees it."""
    import sys

    if not sys.stderr.isatty():
        return None

    def show(done: int, total: int) -> None:
        end = "\r" if done < total else "\n"
        sys.stderr.write(f"  {100 * done // max(1, total)} %{end}")

    return show
