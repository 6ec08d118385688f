"""The API of Harbour Hall on a real port, with a core that can be told what to do."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from fastapi import FastAPI
from support.serving import serving
from support.web_harbour import FakeCore, Harbour

from weirwatch.pipeline.access import Role, make_token
from weirwatch.pipeline.access_desk import AccessDesk, expiry
from weirwatch.store.access import SqliteBook, SqliteRegister
from weirwatch.web.access import Access
from weirwatch.web.app import create_app
from weirwatch.web.lockout import RateLimit


@dataclass(frozen=True)
class World:
    """One furnished harbour and the web in front of it."""

    harbour: Harbour
    core: FakeCore
    app: FastAPI
    port: int
    access: Access
    register: SqliteRegister
    desk: AccessDesk

    def token(self, name: str, role: Role, *, days: float | None = None) -> str:
        """The text of a new token."""
        now = self.harbour.clock.now().utc
        token, text = make_token(name, role, now, expiry(days, now))
        self.register.add(token)
        return text

    def url(self, path: str = "") -> str:
        """The address of a path."""
        return f"http://127.0.0.1:{self.port}{path}"


@contextmanager
def made_world(folder: Path, limit: RateLimit | None = None) -> Iterator[World]:
    """Serve a harbour whose file lies in `folder`; nobody has a token yet."""
    harbour = Harbour(folder)
    harbour.furnish()
    core = FakeCore(harbour)
    register = SqliteRegister(harbour.path)
    book = SqliteBook(harbour.path)
    desk = AccessDesk(register, harbour.clock)
    access = Access(book, desk.handle, harbour.clock)
    app = create_app(
        harbour.settings,
        harbour.archive,
        core,
        harbour.catalogue,
        harbour.clock,
        heartbeat_s=0.2,
        access=access,
        log_keeper=core,
        limit=limit or RateLimit(per_second=1e6, burst=1e9),
    )
    try:
        with serving(app) as port:
            yield World(harbour, core, app, port, access, register, desk)
    finally:
        book.close()
        register.close()
        harbour.close()
