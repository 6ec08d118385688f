"""`weirwatch farwatch`: the independent watcher, on another machine."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    import threading

    from weirwatch.config.farwatch_config import FarwatchSettings
    from weirwatch.pipeline.heartbeat import Heartbeat
    from weirwatch.ports import Clock

LOOK_EVERY_S = 1.0
PROBE_EVERY_S = 5.0


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(name="farwatch")(farwatch_command)


def farwatch_command(
    config: Annotated[
        Path, typer.Option("--config", metavar="FILE", help="The watcher's own file.")
    ] = Path("farwatch.toml"),
    log_level: Annotated[str, typer.Option(help="debug, info, warning or error")] = "info",
) -> None:
    """Watch a service from another machine, and say so when it, its broker or the site is dark.

    Runs until it is stopped. Has a file, recipients and an outbox of its own.
    """
    from weirwatch.cli.running import set_up_logging
    from weirwatch.config.farwatch_config import load_farwatch

    set_up_logging(log_level)
    _run(load_farwatch(config))


def _run(settings: "FarwatchSettings") -> None:
    import logging
    import os
    import signal
    import threading
    from contextlib import closing

    from weirwatch.clock import SystemClock
    from weirwatch.config.catalogue import load_catalogue
    from weirwatch.control.sd_notify import ServiceManager
    from weirwatch.domain.errors import TransientError
    from weirwatch.domain.farwatch import Seen
    from weirwatch.ingest.broker import broker_address
    from weirwatch.ingest.far_ear import FarEar
    from weirwatch.notice.making import notifier_for
    from weirwatch.pipeline.far_watch import FarWatch
    from weirwatch.pipeline.outbox import Outbox
    from weirwatch.pipeline.timekeeper import Timekeeper
    from weirwatch.store.lock import WriterLock
    from weirwatch.store.schema import FILE_NAME
    from weirwatch.store.sqlite_journal import SqliteJournal
    from weirwatch.store.sqlite_outbox import SqliteOutbox

    log = logging.getLogger(__name__)
    clock, ending = SystemClock(), threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: ending.set())
    notifiers = {p.id: notifier_for(p, clock, "/weirwatch/farwatch") for p in settings.recipients}
    file = settings.data_dir / FILE_NAME
    with WriterLock(settings.data_dir), closing(SqliteJournal(file)) as journal:
        outbox = Outbox(
            lambda: SqliteOutbox(file),
            notifiers,
            clock,
            Timekeeper(clock, journal.restore().alive_at),
            lambda sentence: log.error("notice.undeliverable %s", sentence) if sentence else None,
        )
        far = FarWatch(
            settings.title, settings.zone, settings.recipients, load_catalogue(), journal, clock,
            outbox.wake,
        )  # fmt: skip
        ear = FarEar(settings.broker, broker_address(settings.broker.url))
        probe = _Probe(settings, ending)
        turned = _Turned(clock.real_mono())
        heart = _heart(settings, clock, turned)
        runs = [outbox.run, probe.run, *([] if heart is None else [heart.run])]
        threads = [threading.Thread(target=run, daemon=True) for run in runs]
        ear.start()
        for thread in threads:
            thread.start()
        typer.echo(f"Watching {settings.broker.url} {settings.api}".rstrip())
        manager = ServiceManager(os.environ)
        manager.ready()
        while not ending.wait(LOOK_EVERY_S):
            broker, service = ear.heard()
            try:
                told = far.look(Seen(broker, service, probe.api, probe.outside))
            except TransientError as trouble:
                log.warning("farwatch.not_kept error=%s", trouble)
                continue
            turned.at = clock.real_mono()
            manager.beat(turned.at, alive=True)
            if told is not None:
                log.warning("farwatch.told verdict=%s", told.value)
        manager.stopping()
        if heart is not None:
            heart.stop()
        ear.close()
        outbox.stop()
        for thread in threads:
            thread.join(15.0)


@dataclass(slots=True)
class _Turned:
    """When the watcher last looked and kept what it saw, in real monotonic time."""

    at: int


def _heart(settings: "FarwatchSettings", clock: "Clock", turned: _Turned) -> "Heartbeat | None":
    """Return what sends the watcher's own signs of life, while it really looks."""
    import logging

    from weirwatch.notice.making import heartbeat_post
    from weirwatch.pipeline.health import HUNG_AFTER
    from weirwatch.pipeline.heartbeat import Heartbeat

    wanted = settings.heartbeat
    if wanted is None:
        return None
    log = logging.getLogger(__name__)
    return Heartbeat(
        heartbeat_post(wanted, clock, "/weirwatch/farwatch"),
        wanted.every_s,
        lambda: clock.real_mono() - turned.at <= HUNG_AFTER,
        lambda: "ok",
        clock,
        lambda kind, sentence: log.warning("farwatch.%s %s", kind, sentence),
    )


class _Probe:
    """Asks API and outside on a thread of its own: an answer may take seconds.

    Attributes:
        api, outside: the last answers; None before the first, and for what is not looked at.
    """

    def __init__(self, settings: "FarwatchSettings", ending: "threading.Event") -> None:
        self.api: bool | None = None
        self.outside: bool | None = None
        self._settings = settings
        self._ending = ending
        self._token = ""
        if settings.token_file is not None:
            self._token = settings.token_file.read_text("utf-8").strip()

    def run(self) -> None:
        """Ask until the end."""
        from weirwatch.ingest.far_probe import any_answers, api_answers

        while True:
            if self._settings.api:
                self.api = api_answers(self._settings.api, self._token)
            self.outside = any_answers(self._settings.outside)
            if self._ending.wait(PROBE_EVERY_S):
                return
