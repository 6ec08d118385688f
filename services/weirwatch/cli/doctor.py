"""`weirwatch doctor`: what goes wrong in silence between nodes, broker and service."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from weirwatch.cli.options import ConfigOption, DataOption, JsonOption, config_path

if TYPE_CHECKING:
    from collections.abc import Sequence

    from weirwatch.cli.desk import Desk
    from weirwatch.pipeline.doctor import Finding

_USUAL = Path("/etc/mosquitto/mosquitto.conf")
ConfOption = Annotated[
    Path | None,
    typer.Option(
        "--broker-conf",
        metavar="FILE",
        help=f"Configuration of your own mosquitto.  [default: {_USUAL}, for one on this machine]",
        show_default=False,
    ),
]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(name="doctor")(doctor_command)


def doctor_command(
    broker_conf: ConfOption = None,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Look for what fails in silence: nodes, clocks, units, the history's check sums, the broker.

    Changes nothing. Exit code 1 when something is found.
    """
    from dataclasses import asdict

    from weirwatch.cli.desk import desk, print_json

    with desk(config_path(config), data) as open_desk:
        findings, unseen = _examined(open_desk, broker_conf)
    if as_json:
        print_json({"findings": [asdict(finding) for finding in findings], "not_seen": unseen})
    else:
        for finding in findings:
            typer.echo(f"{finding.code}: {finding.about}: {finding.sentence}.")
            typer.echo(f"  Cure: {finding.cure}.")
        for sentence in unseen:
            typer.echo(f"Not looked at: {sentence}.")
        if not findings:
            typer.echo("Nothing found.")
    if findings:
        raise typer.Exit(1)


def _examined(desk: "Desk", broker_conf: Path | None) -> tuple[list["Finding"], list[str]]:
    """Return the findings, and sentences on what could not be looked at."""
    from weirwatch.domain.errors import PermanentError, WeirwatchError
    from weirwatch.ingest.retained import retained_messages
    from weirwatch.pipeline import doctor

    health, not_running = desk.health()
    findings: list[Finding] = []
    unseen: list[str] = []
    try:
        findings += doctor.examine(desk.archive, desk.settings, desk.now(health))
        findings += doctor.examine_damage(_damaged_parts(desk.file), str(desk.file))
    except PermanentError as error:
        findings.append(doctor.damaged_file(str(desk.file), str(error)))
    except WeirwatchError as error:
        unseen.append(f"the record ({error})")
    address = _address(health["broker"]["address"]) if health is not None else None
    if desk.settings.broker.url == "auto" and address is None:
        unseen.append(f"retained messages ({not_running})")
    else:
        try:
            kept = retained_messages(desk.settings.broker, address)
            findings += doctor.examine_retained(kept, desk.settings)
        except WeirwatchError as error:
            unseen.append(f"retained messages ({error})")
    if desk.settings.broker.url != "auto" or broker_conf is not None:
        path = broker_conf or _USUAL
        try:
            findings += doctor.examine_broker_conf(_with_parts(path), str(path))
        except OSError as error:
            unseen.append(f"the broker's settings ({path}: {error.strerror}; see --broker-conf)")
    return findings, unseen


def _damaged_parts(file: Path) -> "Sequence[str]":
    """Compare every check sum of the history; some seconds for a year of many channels."""
    from contextlib import closing

    from weirwatch.store.sqlite_archive import SqliteArchive

    with closing(SqliteArchive(file)) as archive:
        archive.verify()
        return archive.damaged_parts()


def _with_parts(path: Path) -> str:
    """Return the file's text with that of its include_dir."""
    lines = []
    for line in path.read_text(encoding="utf-8").splitlines():
        lines.append(line)
        key, _, folder = line.strip().partition(" ")
        if key == "include_dir":
            parts = sorted(Path(folder.strip()).glob("*.conf"))
            lines += [part.read_text(encoding="utf-8") for part in parts]
    return "\n".join(lines)


def _address(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    return host, int(port)
