"""A real web server for one application, on a free port of this machine."""

import contextlib
import socket
import threading
from collections.abc import Iterator

import uvicorn
from fastapi import FastAPI

from weirwatch.web.patience import PatientProtocol


@contextlib.contextmanager
def serving(app: FastAPI) -> Iterator[int]:
    """Serve the application; yield its port."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        config = uvicorn.Config(
            app,
            http=PatientProtocol,
            log_config=None,
            access_log=False,
            lifespan="on",
            timeout_graceful_shutdown=1,
        )
        server = uvicorn.Server(config)
        ready = threading.Event()
        started = server.startup

        async def startup(sockets: list[socket.socket] | None = None) -> None:
            await started(sockets)
            ready.set()

        server.startup = startup  # type: ignore[method-assign]
        thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
        thread.start()
        assert ready.wait(60)
        try:
            yield listening.getsockname()[1]
        finally:
            app.state.live.end_streams()
            server.should_exit = True
            thread.join(60)
            assert not thread.is_alive()
