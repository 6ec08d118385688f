"""The home of who may in: tokens in headers, sessions of the page, and what is refused."""

import hashlib
import logging
import math
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from weirwatch.domain.errors import WeirwatchError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.pipeline.access import (
    SESSION,
    AccessBook,
    Role,
    Session,
    Token,
    parts_of,
    proves,
    rights_exist,
)
from weirwatch.ports import Clock
from weirwatch.web import problems
from weirwatch.web.lockout import Lockout
from weirwatch.web.problems import Kind
from weirwatch.web.rights import Identity

log = logging.getLogger(__name__)

_TOUCH_EVERY: Micros = 60 * SECOND
_MOST_PROVED = 1000
_MOST_UNSAID = 100

Write = Callable[[Mapping[str, Any]], object]


class Refusal(Exception):  # noqa: N818 - says what happened
    """A request that gets no further.

    Attributes:
        retry_after_s: when it may be tried again; None: trying again does not help.
    """

    def __init__(self, kind: Kind, detail: str, retry_after_s: int | None = None) -> None:
        super().__init__(detail)
        self.kind = kind
        self.detail = detail
        self.retry_after_s = retry_after_s


class Access:
    """Tells who is asking; blocks shortly (reads the file, proves secrets). Thread-safe.

    Args:
        book: the tokens on record.
        write: hands a request about access rights to the core, see `pipeline.access_desk`.
        clock: service time for expiry, real time for lockout.
    """

    def __init__(self, book: AccessBook, write: Write, clock: Clock) -> None:
        self.book = book
        self.change = write
        self._clock = clock
        self._lock = threading.Lock()
        self._lockout = Lockout()
        self._proved: OrderedDict[bytes, str] = OrderedDict()  # digest of a text → token id
        self._unsaid: OrderedDict[bytes, Session] = OrderedDict()  # the core was away
        self._touched: dict[str, Micros] = {}

    def rights_hold(self) -> bool:
        """Return whether somebody has a token, so that everybody must show one."""
        return rights_exist(self.book.tokens())

    def by_token(self, text: str, remote: str) -> Identity:
        """Return whose token it is.

        Raises:
            Refusal: it is none of ours, or no longer, or this address has failed too often.
        """
        tokens = self.book.tokens()
        digest = _digest(text)
        with self._lock:
            known = self._proved.get(digest)
        if known is None:
            known = self._prove(text, tokens, remote)
            with self._lock:
                self._proved[digest] = known
                if len(self._proved) > _MOST_PROVED:
                    self._proved.popitem(last=False)
        return self._identity(known, tokens, remote, session=False)

    def by_session(self, session: str, remote: str) -> Identity | None:
        """Return whose session it is; None: it is none, or it has ended."""
        digest = _digest(session)
        with self._lock:
            unsaid = self._unsaid.get(digest)
        found = unsaid or self.book.session(digest)
        if found is None or self._clock.now().utc >= found.until:
            return None
        try:
            return self._identity(found.token, self.book.tokens(), remote, session=True)
        except Refusal:
            return None

    def sign_in(self, text: str, remote: str) -> str:
        """Return a new session for the owner of a token; on record, it outlives a restart.

        While the core is away it is not on record, and known to this process alone.

        Raises:
            Refusal: see `by_token`.
        """
        identity = self.by_token(text.strip(), remote)
        session = secrets.token_urlsafe(32)
        digest = _digest(session)
        request = {"name": "signed-in", "token": identity.token_id, "session": digest.hex()}
        if not self._tell({**request, "who": identity.name, "remote": remote}):
            until = self._clock.now().utc + SESSION
            with self._lock:
                self._unsaid[digest] = Session(digest, identity.token_id, until)
                if len(self._unsaid) > _MOST_UNSAID:
                    self._unsaid.popitem(last=False)
        return session

    def sign_out(self, session: str) -> None:
        """End a session, if it is one.

        Raises:
            Refusal: that could not be put on record: it has not ended.
        """
        digest = _digest(session)
        with self._lock:
            if self._unsaid.pop(digest, None) is not None:
                return
        try:
            self.change({"name": "signed-out", "session": digest.hex()})
        except WeirwatchError as error:
            detail = f"you are still signed in: {error}; try again in a minute"
            raise Refusal(problems.NOT_ANSWERING, detail) from error

    def still(self, identity: Identity) -> bool:
        """Return whether this token still opens what it opened."""
        if not identity.token_id:
            return not self.rights_hold()
        now = self._clock.now().utc
        return any(t.id == identity.token_id and t.usable(now) for t in self.book.tokens())

    def forgive(self, remote: str) -> None:
        """Forget the failures of an address."""
        with self._lock:
            self._lockout.succeeded(remote)

    def _prove(self, text: str, tokens: Sequence[Token], remote: str) -> str:
        with self._lock:
            waiting = self._lockout.remaining(remote, self._clock.real_mono())
        if waiting:
            raise _locked_out(waiting)
        parts = parts_of(text)
        token = next((t for t in tokens if parts and t.id == parts[0]), None)
        if token is not None and parts is not None and proves(token, parts[1]):
            self.forgive(remote)
            return token.id
        with self._lock:
            pause = self._lockout.failed(remote, self._clock.real_mono())
        log.warning("access.refused remote=%s pause_s=%d", remote, pause // SECOND)
        if pause:
            name = token.name if token is not None else "unknown token"
            self._deed(name, remote, "sign-in", name, f"locked out for {pause // SECOND} s")
        raise Refusal(problems.NO_TOKEN, "that is not a token of this service")

    def _identity(
        self, token_id: str, tokens: Sequence[Token], remote: str, *, session: bool
    ) -> Identity:
        token = next((t for t in tokens if t.id == token_id), None)
        if token is None or not token.usable(self._clock.now().utc):
            raise Refusal(problems.NO_TOKEN, "that token was revoked or has expired")
        self._touch(token_id, remote)
        return Identity(token.name, token.role, remote, token_id, session)

    def _touch(self, token_id: str, remote: str) -> None:
        now = self._clock.real_mono()
        with self._lock:
            last = self._touched.get(token_id)
            if last is not None and now - last < _TOUCH_EVERY:
                return
            self._touched[token_id] = now
        self._tell({"name": "used", "token": token_id, "remote": remote})

    def _deed(self, who: str, remote: str, action: str, subject: str, outcome: str) -> None:
        self._tell(
            {
                "name": "deed",
                "who": who,
                "remote": remote,
                "action": action,
                "subject": subject,
                "outcome": outcome,
            }
        )

    def _tell(self, request: Mapping[str, Any]) -> bool:
        """Tell the core; return whether it has put it on record."""
        try:
            self.change(request)
        except WeirwatchError as error:  # reading goes on while the core is away
            log.warning("access.not_recorded what=%s error=%s", request["name"], error)
            return False
        return True


def anybody(remote: str) -> Identity:
    """Return the identity of everybody on this machine while nobody has a token."""
    return Identity("", Role.ADMIN, remote)


def _locked_out(waiting: Micros) -> Refusal:
    seconds = math.ceil(waiting / SECOND)
    return Refusal(
        problems.LOCKED_OUT,
        f"too many wrong tokens came from this address: wait {seconds} s",
        seconds,
    )


def _digest(text: str) -> bytes:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).digest()
