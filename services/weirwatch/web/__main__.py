"""The web's own composition root: `python -m weirwatch.web`, started and watched by the core.

It ends by itself when the core's end of the control socket closes: a web without a core would
show old values and hold the port.
"""

import argparse
import gc
import logging
import sys
from collections.abc import Callable, Sequence
from importlib.util import find_spec
from pathlib import Path

from fastapi import FastAPI

from weirwatch.clock import clock_from_json
from weirwatch.config import Overrides, load
from weirwatch.config.catalogue import load_catalogue
from weirwatch.control.client import ControlClient
from weirwatch.domain.errors import ConfigError
from weirwatch.ports import Clock
from weirwatch.settings import Settings
from weirwatch.store.access import SqliteBook
from weirwatch.store.far.making import archive_of
from weirwatch.store.schema import FILE_NAME
from weirwatch.web.access import Access
from weirwatch.web.app import create_app
from weirwatch.web.server import Server, listening_socket

CONTROL_FILE = "control.sock"


def build_web(
    settings: Settings, clock: Clock, on_core_lost: Callable[[], None] | None = None
) -> FastAPI:
    """Return the application with API and page, on the files of `settings.service.data_dir`."""
    data_dir = settings.service.data_dir
    archive = archive_of(settings)
    core = ControlClient(data_dir / CONTROL_FILE)
    catalogue = load_catalogue()
    access = Access(SqliteBook(data_dir / FILE_NAME), core.access, clock)
    app = create_app(
        settings,
        archive,
        core,
        catalogue,
        clock,
        on_core_lost=on_core_lost,
        access=access,
        log_keeper=core,
    )
    if find_spec("weirwatch.web.page") is not None:
        from weirwatch.web import page

        page.mount(app, settings, archive, core, catalogue, clock, access, core)
    return app


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve until a signal or the core's end.

    Returns:
        The exit code: 0 after an orderly end, 1 when the core has gone, 2 on wrong use.
    """
    options = _options(arguments)
    logging.basicConfig(
        stream=sys.stderr, format="%(asctime)s %(levelname)s %(name)s %(message)s", level="INFO"
    )
    logging.getLogger("uvicorn").setLevel(logging.WARNING)
    try:
        overrides = Overrides(data_dir=options.data_dir, web_listen=options.listen)
        settings = load(options.config, overrides, text_of=options.text_of)
        listening = listening_socket(settings.web.host, settings.web.port)
    except ConfigError as error:
        print(error, file=sys.stderr)  # noqa: T201 - the operator must see this
        return 2
    ends: list[str] = []
    server: list[Server] = []

    def core_lost() -> None:
        ends.append("core lost")
        for running in server:
            running.end()

    with listening:
        app = build_web(settings, clock_from_json(options.clock), core_lost)
        server.append(Server(app))
        gc.freeze()  # what start-up made stays: walking it again and again would stall every page
        server[0].run(sockets=[listening])
    return 1 if ends else 0


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m weirwatch.web", description="API and page; the service starts this itself."
    )
    parser.add_argument("--config", type=Path, required=True, metavar="FILE")
    parser.add_argument(
        "--text-of", type=Path, metavar="FILE", help="what the core read, in place of the file"
    )
    parser.add_argument("--data-dir", type=Path, metavar="DIR")
    parser.add_argument("--listen", metavar="HOST:PORT")
    parser.add_argument("--clock", metavar="JSON", help="a scaled clock, shared with the core")
    return parser.parse_args(arguments)


if __name__ == "__main__":
    sys.exit(main())
