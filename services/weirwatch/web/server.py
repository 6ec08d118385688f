"""The home of how the web process listens, runs and ends."""

import logging
import os
import resource
import socket
import threading
from types import FrameType

import uvicorn
from fastapi import FastAPI

from weirwatch.domain.errors import ConfigError
from weirwatch.web.patience import PatientProtocol

log = logging.getLogger(__name__)

_LAST_WORDS_S = 2  # for requests under way at the end
_MANY = 8192  # open files
_HARD_END_S = 5.0  # a loop that hangs does not end by itself


class Server(uvicorn.Server):
    """uvicorn that lets event streams go first, so that an orderly end is a quick one."""

    def __init__(self, app: FastAPI) -> None:
        self._app = app
        _allow_many_connections()
        super().__init__(
            uvicorn.Config(
                app,
                http=PatientProtocol,
                log_config=None,
                access_log=False,
                server_header=False,
                proxy_headers=False,
                timeout_graceful_shutdown=_LAST_WORDS_S,
                ws_max_size=1024 * 1024,
            )
        )

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Begin to end on a signal; uvicorn's own way would die of it again at the end."""
        log.debug("web.signal number=%d at=%s", sig, frame and frame.f_code.co_name)
        self.end()

    def end(self) -> None:
        """Begin to end; any thread. A process that hangs is ended the hard way."""
        self.should_exit = True
        self._app.state.live.end_streams()
        last = threading.Timer(_HARD_END_S, _leave)
        last.daemon = True
        last.start()


def listening_socket(host: str, port: int) -> socket.socket:
    """Return a bound socket.

    Raises:
        ConfigError: the port is taken, or the address is not of this machine.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    try:
        # So that a restart need not wait for connections of the process before to fade.
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
        listening.listen(256)
    except OSError as error:
        listening.close()
        raise ConfigError(
            f"{host}:{port} cannot be used for the web ({error.strerror}): stop what listens "
            "there, or choose another port ([web] listen, or --port)"
        ) from error
    return listening


def _allow_many_connections() -> None:
    """Let this process have more open files: each connection is one, and 1024 are soon gone."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = _MANY if hard == resource.RLIM_INFINITY else min(_MANY, hard)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))


def _leave() -> None:
    log.error("web.hung_at_the_end")
    os._exit(1)
