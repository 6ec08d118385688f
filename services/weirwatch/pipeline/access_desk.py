"""The home of what the core does about access rights: it alone writes them while it runs.

A request is one JSON object; `name` says what:

    {"name": "add", "token": name, "role": role, "days": number or null, "who", "remote"}
        → the token as shown, and its `text`, this once
    {"name": "revoke", "token": name or id, "who", "remote"} → the token as shown
    {"name": "used", "token": id, "remote"}                  → {}
    {"name": "signed-in", "token": id, "session": digest in hex, "who", "remote"} → {}
    {"name": "signed-out", "session": digest in hex}         → {}
    {"name": "deed", "who", "remote", "action", "subject", "outcome"} → {}
"""

import logging
import math
from collections.abc import Mapping
from typing import Any

from weirwatch.domain.errors import ConfigError, WeirwatchError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.pipeline.access import (
    SESSION,
    AccessRegister,
    Deed,
    Role,
    Session,
    make_token,
    token_json,
)
from weirwatch.ports import Clock, Command

log = logging.getLogger(__name__)

HERE = "control socket"
_DAY: Micros = 86_400 * SECOND
_LONGEST = 1000  # characters of any text


class AccessDesk:
    """Carries out requests about access rights, and audits commands; any thread."""

    def __init__(self, register: AccessRegister, clock: Clock) -> None:
        self._register = register
        self._clock = clock

    def handle(self, request: object) -> Mapping[str, Any]:
        """Carry out one request.

        Raises:
            ConfigError: not a request, or not possible; nothing was changed.
        """
        if not isinstance(request, Mapping):
            raise ConfigError("a request about access rights is one JSON object")
        match request.get("name"):
            case "add":
                return self._add(request)
            case "revoke":
                return self._revoke(request)
            case "used":
                now = self._clock.now().utc
                self._register.used(_text(request, "token"), now, _text(request, "remote"))
                return {}
            case "signed-in":
                return self._signed_in(request)
            case "signed-out":
                self._register.end(_digest(request))
                return {}
            case "deed":
                fields = ("who", "remote", "action", "subject", "outcome")
                self._note(*(_text(request, field) for field in fields))
                return {}
            case _:
                raise ConfigError(
                    "name must be one of: add, revoke, used, signed-in, signed-out, deed"
                )

    def audit(self, command: Command, outcome: str) -> None:
        """Put an operator's command on record; a failure to do so is logged, nothing more."""
        try:
            self._note(command.who, command.remote or HERE, command.name, command.rule, outcome)
        except WeirwatchError as error:
            log.error("access.not_audited command=%s error=%s", command.name, error)  # noqa: TRY400

    def _add(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        now = self._clock.now().utc
        role = role_of(_text(request, "role"))
        expires = expiry(request.get("days"), now)
        token, text = make_token(_text(request, "token"), role, now, expires)
        self._register.add(token)
        self._tell(request, "token-added", token.name)
        return {**token_json(token, now), "text": text}

    def _revoke(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        now = self._clock.now().utc
        token = self._register.revoke(_text(request, "token"), now)
        self._tell(request, "token-revoked", token.name)
        return {**token_json(token, now), "state": "revoked"}

    def _signed_in(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        until = self._clock.now().utc + SESSION
        self._register.begin(Session(_digest(request), _text(request, "token"), until))
        self._tell(request, "sign-in", _text(request, "who"))
        return {}

    def _tell(self, request: Mapping[str, Any], action: str, subject: str) -> None:
        remote = _text(request, "remote", HERE) or HERE
        self._note(_text(request, "who"), remote, action, subject, "done")

    def _note(self, who: str, remote: str, action: str, subject: str, outcome: str) -> None:
        now = self._clock.now().utc
        self._register.note(Deed(now, who, remote, action, subject, outcome))


def role_of(text: str) -> Role:
    """Return the role of that name.

    Raises:
        ConfigError: there is none; names those there are.
    """
    try:
        return Role(text)
    except ValueError:
        raise ConfigError(f"role {text!r}: write one of {', '.join(Role)}") from None


def expiry(days: object, now: Micros) -> Micros | None:
    """Return when a token made now expires; `days` None: never.

    Raises:
        ConfigError: not a number of days above 0, at most ten years.
    """
    if days is None:
        return None
    if isinstance(days, bool | str) or not isinstance(days, int | float):
        raise ConfigError("days must be a number")
    if not (math.isfinite(days) and 0 < days <= 3660):
        raise ConfigError(f"days = {days}: give more than 0 and at most 3660")
    return now + round(days * _DAY)


def _digest(request: Mapping[str, Any]) -> bytes:
    try:
        return bytes.fromhex(_text(request, "session"))
    except ValueError:
        raise ConfigError("session must be a digest in hexadecimal digits") from None


def _text(request: Mapping[str, Any], key: str, default: str | None = None) -> str:
    value = request.get(key, default)
    if not isinstance(value, str) or len(value) > _LONGEST:
        raise ConfigError(f"{key} must be text of at most {_LONGEST} characters")
    return value.encode("utf-8", "replace").decode()
