"""The home of what is said over the control socket: JSON lines on a Unix stream socket.

One JSON object a line, UTF-8, at most 1 MiB with its line feed. A client asks one thing at a
time; the next request is read when the last one is answered.

    client → {"do": "health"}
    core   → {"ok": {…the health document…}}

    client → {"do": "command", "command": {"name": "acknowledge", "rule": "sump-level-high",
              "who": "keeper", "comment": "", "minutes": null, "check_in_minutes": 20}}
    core   → {"ok": {…the alarm…}}               once it is durable
    core   → {"error": {"type": "illegal-command", "message": "…"}}

    client → {"do": "access", "access": {"name": "revoke", "token": "tablet", …}}
    core   → {"ok": {…}}                         see `weirwatch.pipeline.access_desk`

    client → {"do": "log", "log": {"entries": [{…}, …], "check": false}}
    core   → {"ok": {"entries": [{…}, …]}}       see `weirwatch.pipeline.log_desk`

    client → {"do": "past", "past": {"channels": [id], "readings": [[0, time, value, quality, ""]]}}
    core   → {"ok": {"stored": 1, "already": 0}} see `weirwatch.pipeline.past`

    client → {"do": "work", "work": {"name": "start", "work": "feeding-pause", "who": "keeper"}}
    core   → {"ok": {…}}                         see `weirwatch.pipeline.work_desk`

    client → {"do": "notices", "notices": {"name": "test", "recipient": null, "who": "keeper"}}
    core   → {"ok": {…}}                         see `weirwatch.pipeline.notice_desk`

    client → {"do": "drill", "drill": {"name": "start", "failure": "floor-leak", …}}
    core   → {"ok": {…}}                         see `weirwatch.pipeline.live_drill_desk`

    client → {"do": "explain", "explain": {"rule": "sump-level-high"}}
    core   → {"ok": {…}}                         see `weirwatch.pipeline.explain`

    client → {"do": "listen"}
    core   → {"ok": {"listening": true}}, then, until either side closes,
    core   → {"event": {…}}                      each transition, in commit order
    core   → {"readings": {channel: [time in µs since 1970, value, quality word]}}
                                                 newest per channel; older ones are skipped
    core   → {"dropped": n}                      n messages did not fit in the buffer: read the file

Error types: `illegal-command`, `unknown-rule`, `unknown-work`, `refused-entry` (a sentence a
line), `wrong-use`, `transient` (try again later), `bad-request` (not this protocol) and `failed`
(the core's own fault; its log says more).
"""

import json
import math
from collections.abc import Mapping
from typing import Any

from weirwatch.domain.errors import (
    ConfigError,
    IllegalCommand,
    PermanentError,
    RefusedEntry,
    TransientError,
    UnknownRule,
    UnknownWork,
    WeirwatchError,
)
from weirwatch.ports import Command

MAX_LINE = 1024 * 1024
MAX_TEXT = 4000  # characters of a comment, a name or a rule id
COMMANDS = (
    "acknowledge",
    "check-in",
    "shelve",
    "unshelve",
    "remove-from-service",
    "return-to-service",
    "reset",
)


class NotTheProtocol(PermanentError):  # noqa: N818 - says what happened
    """The other side sent something that is no request; the connection ends after the answer."""


_WORDS: Mapping[type, str] = {
    IllegalCommand: "illegal-command",
    RefusedEntry: "refused-entry",
    ConfigError: "wrong-use",
    UnknownRule: "unknown-rule",
    UnknownWork: "unknown-work",
    TransientError: "transient",
    NotTheProtocol: "bad-request",
}
_FIELDS = {"name", "rule", "who", "comment", "minutes", "check_in_minutes", "remote"}
_ERROR_TYPES: Mapping[str, type[WeirwatchError]] = {
    "illegal-command": IllegalCommand,
    "refused-entry": RefusedEntry,
    "wrong-use": ConfigError,
    "unknown-rule": UnknownRule,
    "unknown-work": UnknownWork,
    "transient": TransientError,
}


def encode(message: Mapping[str, Any]) -> bytes:
    """Return one line.

    Raises:
        ValueError: not JSON (NaN, an unknown type) or longer than `MAX_LINE`.
    """
    line = json.dumps(message, separators=(",", ":"), allow_nan=False).encode("ascii") + b"\n"
    if len(line) > MAX_LINE:
        raise ValueError(f"message of {len(line)} bytes is longer than {MAX_LINE}")
    return line


def decode(line: bytes) -> dict[str, Any]:
    """Return the object of one line.

    Raises:
        NotTheProtocol: not one JSON object.
    """
    try:
        message = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise NotTheProtocol(f"not a line of JSON: {error}") from error
    if not isinstance(message, dict):
        raise NotTheProtocol("a line must be one JSON object")
    return message


def command_as_json(command: Command) -> dict[str, Any]:
    """Return a command as it travels."""
    return {
        "name": command.name,
        "rule": command.rule,
        "who": command.who,
        "comment": command.comment,
        "minutes": command.minutes,
        "check_in_minutes": command.check_in_minutes,
        "remote": command.remote,
    }


def command_from_json(data: object) -> Command:
    """Return the command that was sent.

    Raises:
        NotTheProtocol: a field is missing, unknown, of the wrong type or out of its range.
    """
    if not isinstance(data, dict):
        raise NotTheProtocol("command must be an object")
    unknown = data.keys() - _FIELDS
    if unknown:
        raise NotTheProtocol(f"command has unknown fields: {', '.join(sorted(unknown))}")
    name = _text(data, "name")
    if name not in COMMANDS:
        raise NotTheProtocol(f"command {name!r} is none of {', '.join(COMMANDS)}")
    return Command(
        name=name,
        rule=_text(data, "rule"),
        who=_text(data, "who"),
        comment=_text(data, "comment", ""),
        minutes=_minutes(data, "minutes"),
        check_in_minutes=_minutes(data, "check_in_minutes"),
        remote=_text(data, "remote", ""),
    )


def rule_from_json(data: object) -> str:
    """Return the rule that an explanation is asked of.

    Raises:
        NotTheProtocol: it names none.
    """
    if not isinstance(data, dict):
        raise NotTheProtocol("explain must be an object")
    return _text(data, "rule")


def error_as_json(error: WeirwatchError) -> dict[str, Any]:
    """Return an answer that carries an error."""
    words = (_WORDS[kind] for kind in type(error).__mro__ if kind in _WORDS)
    return {"error": {"type": next(words, "failed"), "message": str(error)[:MAX_TEXT]}}


def error_from_json(data: object) -> WeirwatchError:
    """Return the error of an answer as the type the core raised; PermanentError for the rest."""
    if not isinstance(data, dict):
        return PermanentError("the core answered with an error that says nothing")
    error_type = _ERROR_TYPES.get(str(data.get("type")), PermanentError)
    return error_type(str(data.get("message", "")))


def _text(data: Mapping[str, Any], key: str, default: str | None = None) -> str:
    value = data.get(key, default)
    if not isinstance(value, str) or len(value) > MAX_TEXT:
        raise NotTheProtocol(f"command.{key} must be text of at most {MAX_TEXT} characters")
    try:
        value.encode()
    except UnicodeEncodeError as error:
        raise NotTheProtocol(f"command.{key} is not valid Unicode") from error
    return value


def _minutes(data: Mapping[str, Any], key: str) -> float | None:
    value = data.get(key)
    if value is None:
        return None
    try:
        number = math.nan if isinstance(value, bool | str) else float(value)
    except (TypeError, OverflowError):
        number = math.nan
    if not 0 < number < math.inf:
        raise NotTheProtocol(f"command.{key} must be a number of minutes above 0")
    return number
