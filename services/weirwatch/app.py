"""The core's composition root: makes everything, starts it in order, stops it in reverse."""

import logging
import shutil
import sys
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path
from typing import Any

from weirwatch.config.catalogue import load_catalogue
from weirwatch.control.server import ControlServer
from weirwatch.control.web_child import WebChild
from weirwatch.domain.book import Book, make_ready
from weirwatch.domain.engine import start as start_engine
from weirwatch.domain.errors import WeirwatchError
from weirwatch.domain.instant import SECOND, Micros, to_rfc3339
from weirwatch.domain.operator import Command
from weirwatch.domain.reading import Channel
from weirwatch.domain.refill import refill, refill_spans
from weirwatch.domain.restore import resume
from weirwatch.domain.rule import RuleBook
from weirwatch.domain.state import EngineState, Observed
from weirwatch.ingest.broker import (
    OwnBroker,
    broker_address,
    configured_facts,
    start_broker,
)
from weirwatch.ingest.codec import Codec
from weirwatch.ingest.mqtt import MqttTransport
from weirwatch.notice.making import notifier_for
from weirwatch.pipeline.access import require_rights
from weirwatch.pipeline.access_desk import AccessDesk
from weirwatch.pipeline.counters import Counters
from weirwatch.pipeline.derive import Deriver
from weirwatch.pipeline.explain import explain
from weirwatch.pipeline.group import GroupBuilder
from weirwatch.pipeline.health import Health
from weirwatch.pipeline.inbox import (
    CalibrationRequest,
    CommandRequest,
    ConditionRequest,
    Inbox,
    LinkRequest,
    Question,
    ServiceEventRequest,
)
from weirwatch.pipeline.local_time import duration, local_time
from weirwatch.pipeline.log_desk import LogDesk
from weirwatch.pipeline.loop import Loop, LoopParts, answered, offline_sentence, told
from weirwatch.pipeline.news import News
from weirwatch.pipeline.notices import NoticeWriter
from weirwatch.pipeline.outbox import Outbox
from weirwatch.pipeline.timekeeper import Timekeeper
from weirwatch.pipeline.work_desk import (
    WorkDesk,
    answer_of,
    kept_by_desk,
    remote_of,
    request_from,
)
from weirwatch.ports import BrokerFacts, Clock, Restored
from weirwatch.settings import Settings
from weirwatch.store.access import SqliteRegister
from weirwatch.store.lock import WriterLock
from weirwatch.store.log_book import LogBook
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal, open_journal
from weirwatch.store.sqlite_outbox import SqliteOutbox

log = logging.getLogger(__name__)

COMMAND_WITHIN_S = 10.0
MOST_SEEDED = 100_000  # readings of one channel that a start reads again
SOURCE = "/weirwatch/service"  # of the CloudEvents that notifiers send
ANSWER_WITHIN_S = 4.0  # less than a client waits
LEAST_FREE_BYTES = 200_000_000
LEAST_FREE_SHARE = 0.03
SHORT_STOP: Micros = 60 * SECOND  # an orderly stop so short is put on record, not alarmed


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
    failed: threading.Event = field(default_factory=threading.Event)
    failure: BaseException | None = None
    _threads: list[threading.Thread] = field(default_factory=list)
    _stopped: bool = False

    def start(self) -> None:
        """Start every part: what is told last, what is asked first."""
        self.control.start()
        for name, target in (("loop", self._turn), ("outbox", self.outbox.run)):
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
        self.loop.stop()
        for thread in self._threads[:1]:
            thread.join(15.0)
        self.transport.close()
        self.outbox.stop()
        for thread in self._threads[1:]:
            thread.join(10.0)
        self.control.close()
        self.register.close()
        self.log_book.close()
        self.journal.close()
        if self.broker is not None:
            self.broker.close()
        self.lock.release()

    def _turn(self) -> None:
        try:
            self.loop.run()
        except BaseException as failure:
            log.critical("loop.died error=%s", failure, exc_info=failure)
            self.failure = failure
            self.failed.set()


def build_core(settings: Settings, clock: Clock, web_argv: list[str] | None = None) -> Core:
    """Make the core for these settings; nothing is served yet.

    Args:
        settings: from `weirwatch.config`.
        clock: the only source of time.
        web_argv: command line of the web process; None: no web.

    Raises:
        ConfigError: the data folder is in use or not writable, or a port is taken.
    """
    lock = WriterLock(settings.service.data_dir)
    undo: list[Callable[[], None]] = [lock.release]
    try:
        return _build(settings, clock, web_argv, lock, undo)
    except BaseException:
        for step in reversed(undo):
            step()
        raise


def _build(
    settings: Settings,
    clock: Clock,
    web_argv: list[str] | None,
    lock: WriterLock,
    undo: list[Callable[[], None]],
) -> Core:
    data_dir = settings.service.data_dir
    stamp = to_rfc3339(clock.now().utc // SECOND * SECOND).replace("-", "").replace(":", "")
    journal, damage = open_journal(data_dir, stamp, clock=clock, raw_days=settings.history.raw_days)
    undo.append(journal.close)
    if damage is not None:
        print(damage, file=sys.stderr)  # noqa: T201 - the operator must see this
    restored = journal.restore()
    numbers = journal.adopt(settings.channels, settings.rules)
    timekeeper = Timekeeper(clock, restored.alive_at)
    now = timekeeper.now()
    book = _book(settings)
    resumed = resume(restored.alarms, restored.rule_marks, book, now)
    state = _state(book, dict(resumed.alarms), restored, now)
    _look_back(state, book, data_dir / FILE_NAME, now)

    register = SqliteRegister(data_dir / FILE_NAME)
    undo.append(register.close)
    log_book = LogBook(data_dir / FILE_NAME)
    undo.append(log_book.close)
    if web_argv is not None:
        require_rights(settings.web.host, register.tokens(), clock.now().utc)

    catalogue = load_catalogue()
    writer = NoticeWriter(settings, catalogue, state.observed)
    rules = {rule.id: rule for rule in settings.rules}
    kept_work, calling = kept_by_desk(restored.calling)
    builder = GroupBuilder(rules, numbers, state.alarms, writer, restored.next_seq, calling)
    known_works = {work.id: work for work in settings.planned_works}
    works = WorkDesk(known_works, book, state, builder, kept_work)
    builder.resumed(resumed.changed, resumed.closed)
    for event in resumed.events:
        builder.event(event)
    if damage is not None:
        builder.service_event(now, "damaged-file-moved-aside", damage)

    broker = start_broker(settings.broker, data_dir)
    if broker is not None:
        undo.append(broker.close)
    facts = broker.facts if broker is not None else configured_facts(settings.broker)
    address = broker.address if broker is not None else broker_address(settings.broker.url)
    inbox = Inbox()
    offline_rules = _offline_rules(settings)
    _conditions_at_start(inbox, restored, offline_rules, settings, now)

    transport = MqttTransport(
        settings.broker,
        address,
        _subscriptions(settings),
        inbox.put,
        lambda up: inbox.put(LinkRequest(up)),
        clock,
    )
    outbox = Outbox(
        lambda: SqliteOutbox(data_dir / FILE_NAME),
        {r.id: notifier_for(r, clock, SOURCE) for r in settings.recipients},
        clock,
        Timekeeper(clock, restored.alive_at),
        lambda message: inbox.put(ConditionRequest("notice-undeliverable", message)),
    )
    counters = Counters()
    web = _web(settings, clock, web_argv, inbox)
    health = Health(
        settings=settings,
        clock=clock,
        counters=counters,
        broker=facts,
        transport=transport,
        outbox=outbox,
        state=state,
        started_at=now,
        web=web.as_json if web is not None else None,
        waiting=lambda: len(inbox),
    )

    desk = AccessDesk(register, clock)
    log_desk = LogDesk(
        log_book, settings, clock, lambda *found: inbox.put(CalibrationRequest(*found))
    )

    def handle(command: Command) -> Mapping[str, Any]:
        request = CommandRequest(command)
        inbox.put(request)
        try:
            answer = answered(request, COMMAND_WITHIN_S)
        except WeirwatchError as error:
            desk.audit(command, str(error))
            raise
        desk.audit(command, "done")
        return answer

    control = ControlServer(
        data_dir / "control.sock",
        handle,
        health.as_json,
        clock,
        desk.handle,
        explain=_explainer(inbox, book),
        handle_work=_worker(inbox, desk),
        handle_log=log_desk.handle,
    )
    health.listeners = control.counters
    systems = {rule: node.split("/")[0] for node, rule in offline_rules.items()}
    news = News(settings, writer, state, numbers, transport, control.publish, outbox.wake, systems)
    loop = Loop(
        LoopParts(
            book=book,
            state=state,
            journal=journal,
            decoder=Codec(
                _wired(settings), settings.taps, settings.broker.root, settings.service.skew_future
            ),
            transport=transport,
            clock=clock,
            timekeeper=timekeeper,
            builder=builder,
            inbox=inbox,
            counters=counters,
            offline_rules=offline_rules,
            nodes=restored.nodes,
            commit_every=settings.service.commit_every,
            # Half the broker's window: a window full of unacknowledged messages stops the flow.
            commit_unacked=settings.service.commit_unacked or max(1, facts.window // 2),
            told=news.committed,
            corrections=log_book.corrections(),
            deriver=_deriver(settings, now),
            works=works,
            disk_trouble=lambda: disk_trouble(data_dir),
        )
    )
    return Core(
        settings,
        clock,
        lock,
        journal,
        register,
        log_book,
        broker,
        facts,
        address,
        transport,
        loop,
        inbox,
        outbox,
        control,
        web,
        health,
    )


def _worker(inbox: Inbox, desk: AccessDesk) -> Callable[[object], Mapping[str, Any]]:
    def handle(data: object) -> Mapping[str, Any]:
        request, remote = request_from(data), remote_of(data)
        command = Command(f"work-{request.name}", request.work, request.who, remote=remote)
        try:
            answer = answer_of(request, inbox.put, COMMAND_WITHIN_S)
        except WeirwatchError as error:
            desk.audit(command, str(error))
            raise
        if request.name != "list":
            desk.audit(command, "done")
        return answer

    return handle


def _explainer(inbox: Inbox, book: Book) -> Callable[[str], Mapping[str, Any]]:
    def why(rule: str) -> Mapping[str, Any]:
        question = Question(lambda state, now: explain(state, book, rule, now))
        inbox.ask(question)
        return told(question, ANSWER_WITHIN_S)

    return why


def disk_trouble(folder: Path) -> str | None:
    """Return a sentence when the folder's disk is nearly full or cannot be asked, else None."""
    try:
        usage = shutil.disk_usage(folder)
    except OSError as trouble:
        return f"the disk of {folder} cannot be asked ({trouble.strerror}): see whether it is there"
    if usage.free >= LEAST_FREE_BYTES and usage.free >= LEAST_FREE_SHARE * usage.total:
        return None
    return (
        f"only {usage.free / 1e6:.0f} MB ({100 * usage.free / usage.total:.0f} %) are free where "
        f"{folder} lies: make room; when it is full, nothing new is kept nor acknowledged"
    )


def _deriver(settings: Settings, now: Micros) -> Deriver | None:
    """Return what computes derived channels, told of the hours before this start."""
    if not settings.derived:
        return None
    deriver = Deriver(settings.derived, settings.channels)
    archive = SqliteArchive(settings.service.data_dir / FILE_NAME)
    try:
        for channel, span in deriver.windows.items():
            deriver.seed(archive.readings(channel, now - span, now, None, MOST_SEEDED))
    except WeirwatchError as trouble:  # the window then fills anew: its values say so
        log.warning("derive.not_seeded error=%s", trouble)
    finally:
        archive.close()
    return deriver


def _wired(settings: Settings) -> tuple[Channel, ...]:
    """Return the channels that may arrive: what is derived is not for others to say."""
    derived = {entry.channel for entry in settings.derived}
    return tuple(channel for channel in settings.channels if channel.id not in derived)


def _book(settings: Settings) -> Book:
    rules = {rule.id: rule for rule in settings.rules}
    channels = {channel.id: channel for channel in settings.channels}
    return make_ready(RuleBook(rules, channels, settings.service.time_zone))


def _state(book: Book, alarms: Any, restored: Restored, now: Micros) -> EngineState:
    observed = {
        channel: Observed(
            newest.time,
            newest.value,
            newest.quality,
            newest.reason,
            newest.time,
            restored.newest_good[channel].time if channel in restored.newest_good else None,
            restored.newest_good[channel].value if channel in restored.newest_good else None,
            newest.time,
        )
        for channel, newest in restored.newest.items()
        if channel in book.channels
    }
    return start_engine(alarms, observed, book, now, link_up=False)


def _look_back(state: EngineState, book: Book, path: Path, now: Micros) -> None:
    """Fill the windows of rules that look back from what is on record."""
    spans = refill_spans(book)
    if not spans:
        return
    archive = SqliteArchive(path)
    try:
        past = (
            archive.readings(channel, now - span, now, None, MOST_SEEDED)
            for channel, span in spans.items()
        )
        refill(state, book, chain.from_iterable(past))
    except WeirwatchError as trouble:  # the windows then fill anew
        log.warning("engine.not_looked_back error=%s", trouble)
    finally:
        archive.close()


def _conditions_at_start(
    inbox: Inbox,
    restored: Restored,
    offline_rules: Mapping[str, str],
    settings: Settings,
    now: Micros,
) -> None:
    """Put what the service itself observes at its start into the inbox, first of all."""
    inbox.put(LinkRequest(up=False))
    for node, rule in offline_rules.items():
        known = restored.nodes.get(node)
        lost = known is not None and not known.connected
        inbox.put(ConditionRequest(rule, offline_sentence(node) if lost else None))
    inbox.put(ConditionRequest("notice-undeliverable", None))
    if restored.alive_at is None:
        inbox.put(ServiceEventRequest("service-started", "first start on a new file"))
        return
    away = max(0, now - restored.alive_at)
    zone = settings.service.time_zone
    span = f"from {local_time(restored.alive_at, zone)} to {local_time(now, zone)}"
    how = "stopped in order" if restored.clean_stop else "lost"
    sentence = f"the service was {how} and away {span} ({duration(away)})"
    inbox.put(ServiceEventRequest("service-started", sentence))
    if not restored.clean_stop or away > SHORT_STOP:
        inbox.put(ConditionRequest("service-was-down", sentence))
    inbox.put(ConditionRequest("service-was-down", None))


def _offline_rules(settings: Settings) -> dict[str, str]:
    ids = {rule.id for rule in settings.rules}
    nodes = dict.fromkeys((c.system, c.node) for c in settings.channels)
    found = {}
    for system, node in nodes:
        for ident in (f"node-offline/{system}/{node}", f"node-offline/{node}"):
            if ident in ids:
                found[f"{system}/{node}"] = ident
                break
    return found


def _subscriptions(settings: Settings) -> list[str]:
    root = settings.broker.root
    own = [f"{root}/+/+/readings", f"{root}/+/+/connection"]
    return own + list(dict.fromkeys(tap.topic for tap in settings.taps))


def _web(settings: Settings, clock: Clock, argv: list[str] | None, inbox: Inbox) -> WebChild | None:
    if argv is None:
        return None

    def told(kind: str, sentence: str) -> None:
        inbox.put(ServiceEventRequest(kind, sentence))

    pid_file = settings.service.data_dir / "web.pid"
    return WebChild(argv, (settings.web.host, settings.web.port), pid_file, clock, told)


__all__ = ["Core", "WeirwatchError", "build_core"]
