"""The home of access rights: roles, tokens, how a secret is proved, and what is put on record.

A token is shown once, when it is made; what is kept is a salted scrypt hash of its secret.
"""

import base64
import hashlib
import hmac
import ipaddress
import re
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Protocol

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.pipeline.shapes import time_json

# RFC 7914 section 2 leaves the cost to the user: 16 MiB and some 50 ms a proof on a small board.
_SCRYPT: Mapping[str, int] = {"n": 2**14, "r": 8, "p": 1, "dklen": 32}
SESSION: Micros = 7 * 86_400 * SECOND  # so long a page stays signed in
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._@-]{0,59}")
_TEXT = re.compile(r"ww_([a-z2-7]{8})_([A-Za-z0-9_-]{43})")


class Role(StrEnum):
    """What a token may do; each may do what those before it may."""

    VIEW = "view"
    OPERATE = "operate"
    ADMIN = "admin"

    def covers(self, needed: "Role") -> bool:
        """Return whether this role may do what `needed` may."""
        order = list(Role)
        return order.index(self) >= order.index(needed)


@dataclass(frozen=True, slots=True)
class Token:
    """One token as it is kept.

    Attributes:
        id: the public part of the token's text.
        name: who uses it; stands in the record with every command.
        salt, proof: of the secret part, see `proves`.
        created, expires, revoked, last_used: service time (utc).
        last_from: address it was last used from.
    """

    id: str
    name: str
    role: Role
    salt: bytes = field(repr=False)
    proof: bytes = field(repr=False)
    created: Micros
    expires: Micros | None = None
    revoked: Micros | None = None
    last_used: Micros | None = None
    last_from: str = ""

    def usable(self, now: Micros) -> bool:
        """Return whether it opens anything at this time."""
        return self.revoked is None and (self.expires is None or now < self.expires)


@dataclass(frozen=True, slots=True)
class Session:
    """A page that is signed in; it ends with its token, too.

    Attributes:
        digest: SHA-256 of the cookie's text, which is not kept: 256 random bits need no salt.
        token: id of the token it was signed in with.
        until: service time (utc).
    """

    digest: bytes = field(repr=False)
    token: str
    until: Micros


@dataclass(frozen=True, slots=True)
class Deed:
    """One thing that somebody did or tried, for the audit.

    Attributes:
        who: token's name, operator or login.
        remote: address it came from; "control socket" for this machine's command line.
        action: the command, or sign-in, token-added, token-revoked.
        subject: rule or token it was about.
        outcome: done, or why not.
    """

    time: Micros
    who: str
    remote: str
    action: str
    subject: str
    outcome: str


class AccessBook(Protocol):
    """The read side: tokens and audit. Safe from several threads."""

    def tokens(self) -> Sequence[Token]:
        """Return all tokens ever made, oldest first."""
        ...

    def session(self, digest: bytes) -> Session | None:
        """Return the session with this digest, ended by time or not; None: there is none."""
        ...

    def deeds(self, before: int | None, limit: int) -> Sequence[tuple[int, Deed]]:
        """Return (number, deed), newest first, numbers below `before`."""
        ...

    def close(self) -> None:
        """Close; idempotent."""
        ...


class AccessRegister(Protocol):
    """The write side, on a connection of its own; safe from several threads."""

    def add(self, token: Token) -> None:
        """Keep a new token. Raises ConfigError when a usable one has the same name."""
        ...

    def revoke(self, name_or_id: str, now: Micros) -> Token:
        """Revoke one token for good. Raises ConfigError when there is none in use."""
        ...

    def used(self, token_id: str, now: Micros, remote: str) -> None:
        """Note that a token was used."""
        ...

    def begin(self, session: Session) -> None:
        """Keep a session; where there are too many, those that end first give way."""
        ...

    def end(self, digest: bytes) -> None:
        """Forget a session, if it is one."""
        ...

    def note(self, deed: Deed) -> None:
        """Put a deed on record."""
        ...


def make_token(
    name: str,
    role: Role,
    now: Micros,
    expires: Micros | None = None,
    random_bytes: Callable[[int], bytes] = secrets.token_bytes,
) -> tuple[Token, str]:
    """Return a new token and its text, which is not kept anywhere.

    Raises:
        ConfigError: the name has other characters, or it would be expired already.
    """
    if not _NAME.fullmatch(name):
        raise ConfigError(
            f"token name {name!r}: write 1 to 60 letters, digits, blanks or . _ @ -,"
            " the first a letter or digit"
        )
    if expires is not None and expires <= now:
        raise ConfigError("the token would have expired already: give a later time")
    ident = base64.b32encode(random_bytes(5)).decode("ascii").lower()
    secret = base64.urlsafe_b64encode(random_bytes(32)).decode("ascii").rstrip("=")
    salt = random_bytes(16)
    token = Token(ident, name, role, salt, _proof(secret, salt), now, expires)
    return token, f"ww_{ident}_{secret}"


def parts_of(text: str) -> tuple[str, str] | None:
    """Return id and secret of a token's text; None: it is none."""
    found = _TEXT.fullmatch(text)
    return (found[1], found[2]) if found else None


def proves(token: Token, secret: str) -> bool:
    """Return whether the secret is the token's; takes the same time either way."""
    return hmac.compare_digest(_proof(secret, token.salt), token.proof)


def rights_exist(tokens: Sequence[Token]) -> bool:
    """Return whether access rights hold: a token that was not revoked, expired or not.

    An expired one counts, so that time alone never opens the service to everybody.
    """
    return any(token.revoked is None for token in tokens)


def is_loopback(host: str) -> bool:
    """Return whether a host name or address means this machine alone."""
    if host.lower() == "localhost":
        return True
    try:
        address = ipaddress.ip_address(host.removeprefix("[").removesuffix("]"))
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    return (mapped or address).is_loopback


def require_rights(host: str, tokens: Sequence[Token], now: Micros) -> None:
    """Refuse to listen to other machines before anybody can be told apart.

    Raises:
        ConfigError: `host` is not of this machine alone and no token is usable.
    """
    if not is_loopback(host) and not any(token.usable(now) for token in tokens):
        raise ConfigError(
            f'web.listen = "{host}": is open to other machines, and nobody has a token yet: make'
            " one first with: weirwatch token add NAME --role admin; or listen on 127.0.0.1"
        )


def token_json(token: Token, now: Micros) -> dict[str, Any]:
    """Return what may be shown of a token: never its salt or proof."""
    state = "revoked" if token.revoked is not None else "usable" if token.usable(now) else "expired"
    return {
        "id": token.id,
        "name": token.name,
        "role": token.role.value,
        "state": state,
        "created": time_json(token.created),
        "expires": time_json(token.expires),
        "revoked": time_json(token.revoked),
        "last_used": time_json(token.last_used),
        "last_from": token.last_from or None,
    }


def deed_json(number: int, deed: Deed) -> dict[str, Any]:
    """Return one line of the audit."""
    return {
        "seq": number,
        "time": time_json(deed.time),
        "who": deed.who,
        "remote": deed.remote,
        "action": deed.action,
        "subject": deed.subject,
        "outcome": deed.outcome,
    }


def _proof(secret: str, salt: bytes) -> bytes:
    return hashlib.scrypt(secret.encode("ascii"), salt=salt, maxmem=64 * 1024 * 1024, **_SCRYPT)
