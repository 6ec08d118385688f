"""Which broker is used, and the care of one that is our own.

Configured address, else mosquitto as a child with our configuration, else the embedded one. Our
own broker survives a crash of the service, so that nodes go on filling its queue; the next start
finds it and goes on with it, or ends it.
"""

import logging
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlsplit

from weirwatch.domain.errors import ConfigError, TransientError
from weirwatch.ingest import child, mosquitto_conf
from weirwatch.ingest.child import ChildRecord, Mark
from weirwatch.ingest.knock import answers_mqtt, free_port, is_free
from weirwatch.ingest.mosquitto_conf import find_mosquitto
from weirwatch.ports import BrokerFacts
from weirwatch.settings import BrokerSettings

log = logging.getLogger(__name__)

FOREIGN_WINDOW = 20  # mosquitto's default, the smallest in common use
EMBEDDED_WINDOW = 100  # measured on iotcore 0.4

_LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})
_ANSWER_POLLS = 300  # half a minute: a small board that has just started is slow
_POLL_S = 0.1
_EXIT_S = 5.0
PATIENT_S = 6.0  # what a silent one keeps is worth some patience: replaced, it may lose its queue
_LOG_LIMIT_BYTES = 5_000_000
_MOSQUITTO, _EMBEDDED = "own mosquitto", "embedded (for trying out)"
_LIMITS = {
    _MOSQUITTO: "Keeps what nodes send while the service is away, and over its own orderly"
    " restart; when it is killed itself, what came since its last save (60 s) is lost.",
    _EMBEDDED: "Keeps what nodes send while the service is away, but nothing over its own restart;"
    " MQTT 3.1.1 on this machine only: install mosquitto for real use.",
}


def broker_address(url: str) -> tuple[str, int]:
    """Return host and port of an mqtt:// or mqtts:// address."""
    parts = urlsplit(url)
    return parts.hostname or "127.0.0.1", parts.port or (8883 if parts.scheme == "mqtts" else 1883)


def configured_facts(settings: BrokerSettings) -> BrokerFacts:
    """Return the facts of a broker that somebody else runs."""
    host, port = broker_address(settings.url)
    return BrokerFacts(
        "configured",
        f"{host}:{port}",
        "Run by others: what it keeps while the service is away depends on its own settings"
        " (mosquitto by default: 1000 messages a client, then it drops in silence).",
        FOREIGN_WINDOW,
    )


def start_broker(
    settings: BrokerSettings,
    data_dir: Path,
    find: Callable[[], str | None] = find_mosquitto,
) -> "OwnBroker | None":
    """Start or take over a broker of our own; None when one is configured.

    Args:
        settings: `url = "auto"` means a broker of our own at `listen`.
        data_dir: its files go into `broker/` there; the caller holds the folder's lock.
        find: returns the path of mosquitto, or None: then the embedded broker is used.

    Raises:
        ConfigError: the port is taken, or the broker cannot listen or start as configured.
    """
    if settings.url != "auto":
        return None
    host = settings.listen[0]
    if host not in _LOOPBACK:
        raise ConfigError(
            f'broker.listen = "{host}": our own broker has no logins yet and listens on this'
            ' machine only: write "127.0.0.1:1883", or run a broker of yours and name it in'
            " broker.url"
        )
    mosquitto = find()
    if mosquitto is None and settings.protocol == "5":
        raise ConfigError(
            'broker.protocol = "5": the embedded broker speaks 3.1.1 only: install mosquitto, or'
            ' write "3.1.1"'
        )
    broker = OwnBroker(settings.listen, data_dir.resolve() / "broker", mosquitto)
    broker.start()
    return broker


class OwnBroker:
    """A broker child process: mosquitto when its path is given, else the embedded one.

    Attributes:
        address: where it listens, known after `start`.
    """

    def __init__(self, listen: tuple[str, int], folder: Path, mosquitto: str | None) -> None:
        self._wanted_port = listen[1]
        self._folder = folder
        self._mosquitto = mosquitto
        self._kind = _EMBEDDED if mosquitto is None else _MOSQUITTO
        self._record_path = folder / "broker.json"
        self._log_path = folder / ("mosquitto.log" if mosquitto else "embedded.log")
        self._conf_path = folder / "mosquitto.conf"
        self._pid: int | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self.address = listen

    @property
    def facts(self) -> BrokerFacts:
        """What it is and what it can lose."""
        window = EMBEDDED_WINDOW if self._mosquitto is None else mosquitto_conf.WINDOW
        return BrokerFacts(self._kind, "{}:{}".format(*self.address), _LIMITS[self._kind], window)

    def start(self) -> None:
        """Take over what an earlier run left, or start anew.

        Raises:
            ConfigError: see `start_broker`.
        """
        self._make_folder()
        record = child.read_record(self._record_path)
        if not self._adopt(record):
            self._end_leftovers()
            self.address = (self.address[0], self._choose_port(record))
            self._spawn()

    def alive(self) -> bool:
        """Return whether the process runs; says nothing of how it answers."""
        if self._process is not None:
            return self._process.poll() is None
        return self._pid is not None and child.is_ours(self._pid, self._mark())

    def answers(self, within_s: float = 2.0) -> bool:
        """Return whether it answers an MQTT client in time."""
        return answers_mqtt(*self.address, within_s)

    def restart(self) -> None:
        """Start it again on the same port after it has died (or to replace it).

        Raises:
            TransientError: it did not come up; try again later.
        """
        self._end_leftovers()
        try:
            self._check_port(self.address[1])
            self._spawn()
        except ConfigError as error:
            raise TransientError(str(error)) from None
        log.warning("broker.restarted kind=%s pid=%s", self._kind, self._pid)

    def close(self) -> None:
        """End it in good order, so that mosquitto saves its queue; idempotent."""
        if self._pid is None:
            return
        gone = child.end(self._pid, self._mark())
        self._collect()
        if gone:
            try:
                child.write_record(self._record_path, self._remembered_port())
            except OSError as trouble:  # a full disk: whoever stops us has more to do
                log.warning("broker.port_not_remembered error=%s", trouble)

    # --- recognising and taking over ---------------------------------------------------------

    def _mark(self, kind: str = "") -> Mark:
        if (kind or self._kind) == _EMBEDDED:
            return Mark("python", ("-m", "weirwatch.ingest.embedded", "--home", str(self._folder)))
        return Mark("mosquitto", ("-c", str(self._conf_path)))

    def _adopt(self, record: ChildRecord | None) -> bool:
        if record is None or record.kind != self._kind or record.host != self.address[0]:
            return False
        fits = self._wanted_port in (0, record.port)
        if not fits or child.began(record.pid) != record.began:
            return False
        if not child.is_ours(record.pid, self._mark()) or not self._same_conf(record.port):
            return False
        if not answers_mqtt(record.host, record.port, PATIENT_S):
            log.warning("broker.does_not_answer pid=%s", record.pid)
            return False
        self._pid = record.pid
        self.address = (record.host, record.port)
        log.info("broker.adopted kind=%s pid=%s port=%s", self._kind, record.pid, record.port)
        return True

    def _same_conf(self, port: int) -> bool:
        if self._mosquitto is None:
            return True
        try:
            return self._conf_path.read_text(encoding="utf-8") == self._conf(port)
        except OSError:
            return False

    def _end_leftovers(self) -> None:
        """End every broker of ours that still runs, of either kind, with a record or without."""
        for kind in (_MOSQUITTO, _EMBEDDED):
            mark = self._mark(kind)
            record = child.read_record(self._record_path)
            pids = set(child.find_ours(mark)) | ({record.pid} if record else set())
            for pid in pids:
                if child.is_ours(pid, mark):
                    log.warning("broker.ended kind=%s pid=%s", kind, pid)
                    child.end(pid, mark)
        self._collect()

    def _collect(self) -> None:
        """Take the exit of a child of this very process, and forget it."""
        if self._process is not None:
            try:
                self._process.wait(_EXIT_S)
            except subprocess.TimeoutExpired:
                log.warning("broker.does_not_end pid=%s", self._pid)
        self._pid = self._process = None

    # --- starting ----------------------------------------------------------------------------

    def _make_folder(self) -> None:
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise ConfigError(
                f"service.data_dir {self._folder.parent}: the broker's folder cannot be made"
                f" ({error.strerror}): choose a folder that the service's user may write"
            ) from None

    def _choose_port(self, record: ChildRecord | None) -> int:
        host = self.address[0]
        if self._wanted_port:
            self._check_port(self._wanted_port)
            return self._wanted_port
        if record is not None and record.host == host and is_free(host, record.port):
            return record.port  # nodes know it
        return free_port(host)

    def _check_port(self, port: int) -> None:
        host = self.address[0]
        where = f'broker.listen = "{host}:{port}"'
        try:
            free = is_free(host, port)
        except OSError as error:
            raise ConfigError(
                f"{where}: cannot listen there ({error.strerror}): choose another port"
            ) from None
        if not free:
            raise ConfigError(
                f"{where}: the port is taken by another program: stop that program, choose another"
                f' port, or use the broker there with broker.url = "mqtt://{host}:{port}"'
            )

    def _conf(self, port: int) -> str:
        return mosquitto_conf.mosquitto_conf(self.address[0], port, self._folder)

    def _command(self) -> list[str]:
        host, port = self.address
        if self._mosquitto is not None:
            return [self._mosquitto, *self._mark().arguments]
        return [sys.executable, *self._mark().arguments, "--host", host, "--port", str(port)]

    def _spawn(self) -> None:
        host, port = self.address
        try:
            if self._log_path.exists() and self._log_path.stat().st_size > _LOG_LIMIT_BYTES:
                self._log_path.replace(self._log_path.with_suffix(".old.log"))
            self._conf_path.write_text(self._conf(port), encoding="utf-8")
            self._process = child.spawn(self._command(), self._log_path)
            self._pid = self._process.pid
            began = child.began(self._pid) or ""
            child.write_record(
                self._record_path, ChildRecord(self._kind, self._pid, began, host, port)
            )
        except OSError as error:
            raise ConfigError(
                f"the broker cannot be started ({error}): see {self._folder}"
            ) from None
        self._await_answer()
        log.info("broker.started kind=%s pid=%s port=%s", self._kind, self._pid, port)

    def _await_answer(self) -> None:
        for _ in range(_ANSWER_POLLS):
            if not self.alive():
                break
            if answers_mqtt(*self.address):
                return
            threading.Event().wait(_POLL_S)
        self._end_leftovers()
        raise ConfigError(
            f"the broker ({self._kind}) did not come up on {self.address[0]}:{self.address[1]}:"
            f" see {self._log_path}{self._last_words()}"
        )

    def _last_words(self) -> str:
        try:
            lines = self._log_path.read_text(encoding="utf-8", errors="replace").split("\n")
        except OSError:
            return ""
        said = [line.strip() for line in lines if line.strip()]
        return f" (last line: {said[-1][:200]})" if said else ""

    def _remembered_port(self) -> ChildRecord:
        """Return a record of no process, so that port 0 finds the same port again."""
        return ChildRecord(self._kind, 0, "", *self.address)
