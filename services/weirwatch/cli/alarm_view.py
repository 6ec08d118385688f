"""Alarms in a terminal: the list, one with its safety card, and the outcome of a command."""

from collections.abc import Mapping, Sequence
from typing import Any

import typer
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from weirwatch.cli.desk import Desk
from weirwatch.cli.words import (
    PRIORITY_STYLE,
    STATE_STYLE,
    ago_text,
    console,
    limit_text,
    plain_table,
    rounded,
    service_text,
    state_text,
    time_text,
    value_text,
)
from weirwatch.config.problems import did_you_mean
from weirwatch.domain.alarm import AlarmState
from weirwatch.domain.errors import ConfigError

Alarm = Mapping[str, Any]


def states_of(words: Sequence[str]) -> tuple[AlarmState, ...]:
    """Return the states that are asked for.

    Raises:
        ConfigError: one of them is no state; names the nearest.
    """
    known = [state.value for state in AlarmState]
    wrong = [word for word in words if word not in known]
    if wrong:
        raise ConfigError(
            [
                f"--state {word}: is no state of an alarm. {did_you_mean(word, known)}"
                for word in wrong
            ]
        )
    return tuple(AlarmState(word) for word in words)


def print_list(alarms: Sequence[Alarm], desk: Desk, *, whole: bool) -> None:
    """Print the alarms that are not normal; `whole`: then the normal ones too."""
    out = console()
    loud = [alarm for alarm in alarms if not _is_quiet(alarm)]
    quiet = [alarm for alarm in alarms if _is_quiet(alarm)] if whole else []
    if loud:
        _print_loud(out, loud, desk)
    if loud and quiet:
        out.print()
    if quiet:
        _print_quiet(out, quiet)
    if loud or quiet:
        out.print("\nOne of them with its safety card:  weirwatch alarms show RULE")
    else:
        out.print(_nothing(alarms, whole))


def _print_loud(out: Console, alarms: Sequence[Alarm], desk: Desk) -> None:
    now = desk.now()
    table = plain_table("Priority", "Alarm", "State, since", "Now, limit")
    for alarm in alarms:
        state = Text(str(alarm["state"]), STATE_STYLE.get(str(alarm["state"]), ""))
        lines = [service_text(alarm), _span(alarm, now)]
        state.append("".join(f"\n{line}" for line in lines if line and line != "–"), "not bold")
        table.add_row(
            _priority(alarm),
            Text.assemble(str(alarm["title"]), "\n", (str(alarm["id"]), "dim")),
            state,
            Text.assemble(_value(alarm, "value", desk), "\n", (_limit(alarm, desk), "dim")),
        )
    out.print(table)


def _span(alarm: Alarm, now: int) -> str:
    """Return how long it has stood, or for how long it has been back."""
    if alarm["returned_at"] is None or alarm["state"] in ("unacknowledged", "acknowledged"):
        return ago_text(alarm["raised_at"], now)
    return f"back for {ago_text(alarm['returned_at'], now)}"


def _print_quiet(out: Console, alarms: Sequence[Alarm]) -> None:
    table = plain_table("Priority", "Normal", "Rule")
    for alarm in alarms:
        table.add_row(str(alarm["priority"]), str(alarm["title"]), str(alarm["id"]))
    out.print(table)


def _is_quiet(alarm: Alarm) -> bool:
    """Normal and in service, or merely suppressed while nothing is wrong with it."""
    quiet = alarm["service_state"] in ("in-service", "suppressed-by-design")
    return alarm["state"] == "normal" and quiet


def _value(alarm: Alarm, key: str, desk: Desk) -> str:
    channels = {channel.id: channel for channel in desk.settings.channels}
    value = rounded(alarm[key], channels.get(alarm["channel"]))
    return value_text(value, str(alarm["unit"]), _states(alarm, desk))


def _limit(alarm: Alarm, desk: Desk) -> str:
    return limit_text(alarm["limit"], str(alarm["unit"]), _states(alarm, desk))


def _states(alarm: Alarm, desk: Desk) -> tuple[str, str] | None:
    """Return what its channel's switch calls 0 and 1; None where it is none."""
    switches = (channel for channel in desk.settings.channels if channel.is_switch)
    return next((one.states for one in switches if one.id == alarm["channel"]), None)


def _nothing(alarms: Sequence[Alarm], whole: bool) -> str:
    if whole:
        return "No alarm is in such a state."
    return f"All {len(alarms)} alarms are normal.  (--all lists them)"


def _priority(alarm: Alarm) -> Text:
    word = str(alarm["priority"])
    return Text(word.upper() if word in ("critical", "high") else word, PRIORITY_STYLE[word])


def print_alarm(alarm: Alarm, desk: Desk) -> None:
    """Print one alarm: where it stands, what to do, and the whole safety card."""
    out, zone, now = console(), desk.settings.service.time_zone, desk.now()
    out.print(Text.assemble(_priority(alarm), "  ", (str(alarm["title"]), "bold")))
    facts = {
        "Rule": f"{alarm['id']} ({alarm['kind']})",
        "State": state_text(alarm, zone),
        "Message": alarm["message"],
        "Channel": alarm["channel"],
        "Value now": _value(alarm, "value", desk),
        "At the raise": _value(alarm, "raised_value", desk),
        "Limit": _limit(alarm, desk),
        "Raised": _moment(alarm["raised_at"], desk, now),
        "Returned": _moment(alarm["returned_at"], desk, now),
        "Acknowledged": _acknowledged(alarm, desk, now),
        "Check-in": _moment(alarm["check_in_at"], desk, now, ago=False),
    }
    for name, fact in facts.items():
        if fact and fact != "–":
            out.print(Text.assemble((f"{name:<14}", "dim"), str(fact)))
    _print_where(out, alarm["devices"])
    if alarm["response"]:
        out.print()
        out.print(Text.assemble(("What to do  ", "bold"), str(alarm["response"])))
    card = alarm["safety_card"]
    if card is not None:
        _print_card(out, card, said=str(alarm["response"]).startswith(str(card["first_line"])))


def _print_where(out: Console, devices: Sequence[Mapping[str, Any]]) -> None:
    for device in devices:
        out.print(Text.assemble((f"{'Where it is':<14}", "dim"), str(device["text"])))


def _moment(time: str | None, desk: Desk, now: int, *, ago: bool = True) -> str:
    if time is None:
        return ""
    text = time_text(time, desk.settings.service.time_zone)
    return f"{text} ({ago_text(time, now)} ago)" if ago else text


def _acknowledged(alarm: Alarm, desk: Desk, now: int) -> str:
    if alarm["acknowledged_at"] is None:
        return ""
    return f"{_moment(alarm['acknowledged_at'], desk, now)} by {alarm['acknowledged_by']}"


def _print_card(out: Console, card: Mapping[str, Any], *, said: bool) -> None:
    """Print the card; its first line only if the response above did not begin with it."""
    out.print()
    out.rule(Text(f"Safety card: {card['title']}", "bold"), align="left", characters="─")
    if card["first_line"] and not said:
        out.print(Text(str(card["first_line"]), "bold"))
    out.print(Text(str(card["meaning"])))
    for hazard in card["hazards"]:
        word = (str(hazard["signal_word"]), "bold")
        out.print(
            Padding(Text.assemble(word, f" ({hazard['to']})  {hazard['text']}"), (0, 0, 0, 2))
        )
    _print_steps(out, "Check first", card["check_first"], numbered=False)
    _print_steps(out, "Then, in this order", card["response"], numbered=True)
    calls = [f"{call['who']}: {call['when']}" for call in card["call"]]
    _print_steps(out, "Call", calls, numbered=False)
    if card["last_line"]:
        out.print()
        out.print(Text(str(card["last_line"])))


def _print_steps(out: Console, title: str, steps: Sequence[str], *, numbered: bool) -> None:
    if not steps:
        return
    out.print()
    out.print(Text(title, "bold"))
    for number, step in enumerate(steps, start=1):
        mark = f"{number}. " if numbered else "- "
        out.print(Padding(Text(f"{mark}{step}"), (0, 0, 0, 2)))


def print_outcome(alarm: Alarm, desk: Desk) -> None:
    """Say how the alarm stands after a command."""
    zone = desk.settings.service.time_zone
    typer.echo(f"{alarm['title']} ({alarm['id']}) is now {state_text(alarm, zone)}.")
