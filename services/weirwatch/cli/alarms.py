"""`weirwatch alarms`: see them, and tell the service what you do about them."""

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from weirwatch.cli.explain import explain_command
from weirwatch.cli.family import Family
from weirwatch.cli.options import ConfigOption, DataOption, JsonOption, places

RuleArgument = Annotated[str, typer.Argument(metavar="RULE", help="Id of the alarm's rule.")]
WhoOption = Annotated[
    str | None, typer.Option("--who", help="Your name on record.  [default: the login name]")
]
CommentOption = Annotated[str, typer.Option("--comment", help="Why; goes on record.")]
ShelveMinutes = Annotated[
    float | None,
    typer.Option("--minutes", help="For how long; without it until the alarm returns."),
]
OutMinutes = Annotated[
    float | None, typer.Option("--minutes", help="For how long; without it until you say so.")
]
CheckInMinutes = Annotated[
    float | None,
    typer.Option("--check-in-minutes", help="You are on your way and report within so long."),
]
StateOption = Annotated[
    list[str] | None,
    typer.Option("--state", metavar="STATE", help="Only in this state; may be repeated."),
]
AllOption = Annotated[bool, typer.Option("--all", help="Also alarms that are normal.")]


def register(app: typer.Typer) -> None:
    """Add the family."""
    family = typer.Typer(
        cls=Family,
        help="Show the alarms, and act on them.",
        rich_markup_mode=None,
    )
    family.callback(invoke_without_command=True)(_family)
    family.command(name="list")(list_command)
    family.command(name="show")(show_command)
    family.command(name="explain")(explain_command)
    for name, command in _COMMANDS.items():
        family.command(name=name)(command)
    app.add_typer(family, name="alarms")


def _family(
    context: typer.Context,
    config: ConfigOption = None,
    data: DataOption = None,
    state: StateOption = None,
    show_all: AllOption = False,
    as_json: JsonOption = False,
) -> None:
    """Show the alarms, and act on them."""
    context.obj = (config, data)
    if context.invoked_subcommand is None:
        list_command(context, config, data, state, show_all, as_json)


def list_command(
    context: typer.Context,
    config: ConfigOption = None,
    data: DataOption = None,
    state: StateOption = None,
    show_all: AllOption = False,
    as_json: JsonOption = False,
) -> None:
    """List the alarms, the most urgent first. JSON lists every one."""
    from weirwatch.cli.alarm_view import print_list, states_of
    from weirwatch.cli.desk import desk, print_json
    from weirwatch.pipeline.queries import alarms_json

    wanted = states_of(state or [])
    with desk(*places(context, config, data)) as open_desk:
        page = alarms_json(open_desk.archive, open_desk.settings, open_desk.catalogue, wanted)
        if as_json:
            print_json(page)
        else:
            print_list(page["items"], open_desk, whole=show_all or bool(wanted))


def show_command(
    context: typer.Context,
    rule: RuleArgument,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show one alarm with its safety card."""
    from weirwatch.cli.alarm_view import print_alarm
    from weirwatch.cli.desk import desk, known_rule, print_json
    from weirwatch.pipeline.queries import alarm_of

    with desk(*places(context, config, data)) as open_desk:
        with known_rule(open_desk, rule):
            alarm = alarm_of(open_desk.archive, open_desk.settings, open_desk.catalogue, rule)
        if as_json:
            print_json(alarm)
        else:
            print_alarm(alarm, open_desk)


def acknowledge_command(
    context: typer.Context,
    rule: RuleArgument,
    comment: CommentOption = "",
    check_in_minutes: CheckInMinutes = None,
    who: WhoOption = None,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say that you have taken notice of an alarm."""
    place = places(context, config, data)
    _tell(place, "acknowledge", rule, who, comment, as_json, check_in_minutes=check_in_minutes)


def check_in_command(
    context: typer.Context,
    rule: RuleArgument,
    comment: CommentOption = "",
    check_in_minutes: CheckInMinutes = None,
    who: WhoOption = None,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Report that you attend to an acknowledged alarm, and when you will report again.

    It renews the acknowledgement; without minutes nobody waits to hear of it again.
    """
    place = places(context, config, data)
    _tell(place, "check-in", rule, who, comment, as_json, check_in_minutes=check_in_minutes)


def shelve_command(
    context: typer.Context,
    rule: RuleArgument,
    minutes: ShelveMinutes = None,
    comment: CommentOption = "",
    who: WhoOption = None,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Keep an alarm quiet for a while; it comes back by itself."""
    place = places(context, config, data)
    _tell(place, "shelve", rule, who, comment, as_json, minutes=minutes)


def remove_command(
    context: typer.Context,
    rule: RuleArgument,
    comment: CommentOption = "",
    minutes: OutMinutes = None,
    who: WhoOption = None,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take an alarm out of service, as while its probe is calibrated; say why with --comment."""
    place = places(context, config, data)
    _tell(place, "remove-from-service", rule, who, comment, as_json, minutes=minutes)


def unshelve_command(
    context: typer.Context,
    rule: RuleArgument,
    comment: CommentOption = "",
    who: WhoOption = None,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """End a shelving early."""
    _tell(places(context, config, data), "unshelve", rule, who, comment, as_json)


def return_command(
    context: typer.Context,
    rule: RuleArgument,
    comment: CommentOption = "",
    who: WhoOption = None,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put an alarm back into service."""
    _tell(places(context, config, data), "return-to-service", rule, who, comment, as_json)


def reset_command(
    context: typer.Context,
    rule: RuleArgument,
    comment: CommentOption = "",
    who: WhoOption = None,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Let a latched alarm go, once its condition has gone and it is acknowledged."""
    _tell(places(context, config, data), "reset", rule, who, comment, as_json)


_COMMANDS: dict[str, Callable[..., None]] = {
    "acknowledge": acknowledge_command,
    "check-in": check_in_command,
    "shelve": shelve_command,
    "unshelve": unshelve_command,
    "remove-from-service": remove_command,
    "return-to-service": return_command,
    "reset": reset_command,
}


def _tell(
    place: tuple[Path, Path | None],
    name: str,
    rule: str,
    who: str | None,
    comment: str,
    as_json: bool,
    *,
    minutes: float | None = None,
    check_in_minutes: float | None = None,
) -> None:
    from weirwatch.cli.alarm_view import print_outcome
    from weirwatch.cli.desk import desk, known_rule, print_json
    from weirwatch.domain.errors import ConfigError
    from weirwatch.ports import Command

    for option, span in (("--minutes", minutes), ("--check-in-minutes", check_in_minutes)):
        if span is not None and not span > 0:
            raise ConfigError(f"{option} {span:g}: give more than 0")
    command = Command(name, rule, who or login(), comment, minutes, check_in_minutes)
    with desk(*place) as open_desk:
        with known_rule(open_desk, rule):
            alarm = open_desk.core.command(command)
        if as_json:
            print_json(alarm)
        else:
            print_outcome(alarm, open_desk)


def login() -> str:
    """Return who is at the command line."""
    import getpass

    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a user id without a name
        return "command line"
