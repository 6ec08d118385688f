"""The API of Harbour Hall on a real port, with a core that can be told what to do."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from fastapi import FastAPI
from support.serving import serving
from support.web_harbour import FakeCore, Harbour

from weirwatch.web.app import create_app


@dataclass(frozen=True)
class World:
    """One furnished harbour and the web in front of it."""

    harbour: Harbour
    core: FakeCore
    app: FastAPI
    port: int


@contextmanager
def made_world(folder: Path) -> Iterator[World]:
    """Serve a harbour whose file lies in `folder`."""
    harbour = Harbour(folder)
    harbour.furnish()
    core = FakeCore(harbour)
    app = create_app(
        harbour.settings,
        harbour.archive,
        core,
        harbour.catalogue,
        harbour.clock,
        heartbeat_s=0.2,
    )
    try:
        with serving(app) as port:
            yield World(harbour, core, app, port)
    finally:
        harbour.close()
