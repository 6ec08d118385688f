"""`weirwatch proof`: guided tests of the sensors themselves, with result and date on record."""

from typing import Annotated

import typer

from weirwatch.cli.family import Family
from weirwatch.cli.options import ConfigOption, DataOption, JsonOption, places
from weirwatch.cli.work import CommentOption, WhoOption

ChannelArgument = Annotated[
    str, typer.Argument(metavar="CHANNEL", help="As in harbour-hall/power-node/floor-dry.")
]


def register(app: typer.Typer) -> None:
    """Add the family."""
    family = typer.Typer(cls=Family, help="Prove the sensors themselves.", rich_markup_mode=None)
    family.callback(invoke_without_command=True)(_family)
    family.command(name="list")(list_command)
    family.command(name="start")(start_command)
    family.command(name="record")(record_command)
    app.add_typer(family, name="proof")


def _family(
    context: typer.Context,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Prove the sensors themselves: wet the leak contact, lift the float, warm the probe."""
    context.obj = (config, data)
    if context.invoked_subcommand is None:
        list_command(context, config, data, as_json)


def list_command(
    context: typer.Context,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """List the sensors that can be proved, their last proof, and what is due."""
    from weirwatch.cli.desk import desk, print_json
    from weirwatch.cli.proof_run import all_proofs, print_proofs

    with desk(*places(context, config, data)) as open_desk:
        proofs = all_proofs(open_desk)
        if as_json:
            print_json({"items": proofs, "next": None})
        else:
            print_proofs(proofs, open_desk.settings.service.time_zone)


def start_command(
    context: typer.Context,
    channel: ChannelArgument,
    yes: Annotated[
        bool, typer.Option("--yes", help="Do not ask; the steps have been read and prepared.")
    ] = False,
    who: WhoOption = None,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Prove one sensor, step by step, while the service watches what its channel shows.

    The alarms of that channel are kept quiet meanwhile, but bold failures never: they ring as in
    earnest, which proves them as well. Waits until the channel shows again what it did before.
    Exit code 1 when the reaction or the return was not seen in time.
    """
    from weirwatch.cli.alarms import login
    from weirwatch.cli.desk import desk, print_json
    from weirwatch.cli.proof_run import ProofRun

    with desk(*places(context, config, data)) as open_desk:
        run = ProofRun(open_desk, channel, who or login(), say=not as_json)
        run.show_steps()
        if not yes:
            typer.confirm("Is everything prepared, and is it safe to begin?", abort=True)
        entry, back = run.run()
        if as_json:
            print_json(entry)
    raise typer.Exit(0 if entry["subject"] == "passed" and back else 1)


def record_command(
    context: typer.Context,
    channel: ChannelArgument,
    result: Annotated[str, typer.Argument(metavar="passed|failed", help="What came of it.")],
    comment: CommentOption = "",
    who: WhoOption = None,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put a proof on record that was made without the guide."""
    from weirwatch.cli.alarms import login
    from weirwatch.cli.desk import desk, print_json
    from weirwatch.cli.proof_run import record

    with desk(*places(context, config, data)) as open_desk:
        entry = record(open_desk, channel, result, comment, who or login())
        if as_json:
            print_json(entry)
        else:
            typer.echo(f"{channel}: {entry['subject']}, entry {entry['number']} of the log")
