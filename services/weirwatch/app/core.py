"""The running core: started in order, stopped in reverse."""

import logging
import threading
from dataclasses import dataclass, field

from weirwatch.control.server import ControlServer
from weirwatch.control.web_child import WebChild
from weirwatch.ingest.broker import OwnBroker
from weirwatch.ingest.mqtt import MqttTransport
from weirwatch.pipeline.health import Health
from weirwatch.pipeline.heartbeat import Heartbeat
from weirwatch.pipeline.inbox import Inbox
from weirwatch.pipeline.live_drill_desk import LiveDrillDesk
from weirwatch.pipeline.loop import Loop
from weirwatch.pipeline.morning_round import MorningRound
from weirwatch.pipeline.outbox import Outbox
from weirwatch.ports import BrokerFacts, Clock
from weirwatch.settings import Settings
from weirwatch.store.access import SqliteRegister
from weirwatch.store.far.forwarder import Forwarder
from weirwatch.store.lock import WriterLock
from weirwatch.store.log_book import LogBook
from weirwatch.store.sqlite_journal import SqliteJournal

log = logging.getLogger(__name__)


@dataclass(slots=True)
class Core:
    """The running core. Made by `build_core`; `stop` is idempotent.

    Attributes:
        failed: set when the loop thread died; `failure` then says why.
    """

    settings: Settings
    clock: Clock
    lock: WriterLock
    journal: SqliteJournal
    register: SqliteRegister
    log_book: LogBook
    broker: OwnBroker | None
    broker_facts: BrokerFacts
    broker_address: tuple[str, int]
    transport: MqttTransport
    loop: Loop
    inbox: Inbox
    outbox: Outbox
    control: ControlServer
    web: WebChild | None
    health: Health
    drills: LiveDrillDesk
    heartbeat: Heartbeat | None = None
    forwarder: Forwarder | None = None
    morning: MorningRound | None = None
    failed: threading.Event = field(default_factory=threading.Event)
    failure: BaseException | None = None
    _threads: list[threading.Thread] = field(default_factory=list)
    _stopped: bool = False

    def start(self) -> None:
        """Start every part: what is told last, what is asked first."""
        self.control.start()
        threads = [("loop", self._turn), ("outbox", self.outbox.run)]
        if self.heartbeat is not None:
            threads.append(("heartbeat", self.heartbeat.run))
        if self.forwarder is not None:
            threads.append(("forwarder", self.forwarder.run))
        if self.morning is not None and self.morning.wanted:
            threads.append(("morning", self.morning.run))
        for name, target in threads:
            thread = threading.Thread(target=target, name=name, daemon=True)
            thread.start()
            self._threads.append(thread)
        self.transport.start()
        if self.web is not None:
            self.web.start()

    def stop(self) -> None:
        """Stop in reverse; what was received is committed first."""
        if self._stopped:
            return
        self._stopped = True
        if self.web is not None:
            self.web.close()
        self.drills.close()
        self._stop_all(self.heartbeat, self.morning)
        self.loop.stop()
        for thread in self._threads[:1]:
            thread.join(15.0)
        self.transport.close()
        self._stop_all(self.outbox, self.forwarder)
        for thread in self._threads[1:]:
            thread.join(10.0)
        self.control.close()
        self.register.close()
        self.log_book.close()
        self.journal.close()
        if self.broker is not None:
            self.broker.close()
        self.lock.release()

    def _stop_all(self, *parts: Heartbeat | MorningRound | Outbox | Forwarder | None) -> None:
        for part in parts:
            if part is not None:
                part.stop()

    def _turn(self) -> None:
        try:
            self.loop.run()
        except BaseException as failure:
            log.critical("loop.died error=%s", failure, exc_info=failure)
            self.failure = failure
            self.failed.set()
