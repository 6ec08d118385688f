"""Makes the core: every part, in the order in which one needs the other."""

import sys
from collections.abc import Callable
from pathlib import Path

from weirwatch.app.answers import commander, explainer, worker
from weirwatch.app.beginning import (
    book_of,
    conditions_at_start,
    deriver_of,
    look_back_on,
    offline_rules_of,
    state_of,
    wired,
)
from weirwatch.app.core import Core
from weirwatch.app.live_drill import live_drill_desk
from weirwatch.config.catalogue import load_catalogue
from weirwatch.config.in_use import InUse
from weirwatch.control.server import ControlServer
from weirwatch.control.web_child import WebChild
from weirwatch.domain.instant import file_stamp
from weirwatch.domain.restore import resume
from weirwatch.ingest.broker import broker_address, configured_facts, start_broker
from weirwatch.ingest.codec import Codec
from weirwatch.ingest.mqtt import MqttTransport
from weirwatch.notice.making import heartbeat_post, notifier_for
from weirwatch.pipeline.access import require_rights
from weirwatch.pipeline.access_desk import AccessDesk
from weirwatch.pipeline.counters import Counters
from weirwatch.pipeline.group import GroupBuilder
from weirwatch.pipeline.health import Health
from weirwatch.pipeline.heartbeat import Heartbeat
from weirwatch.pipeline.inbox import (
    CalibrationRequest,
    ConditionRequest,
    HandTestRequest,
    Inbox,
    LinkRequest,
    ServiceEventRequest,
)
from weirwatch.pipeline.log_desk import LogDesk
from weirwatch.pipeline.loop import Loop, LoopParts
from weirwatch.pipeline.morning_round import MorningRound
from weirwatch.pipeline.news import News
from weirwatch.pipeline.notice_desk import NoticeDesk
from weirwatch.pipeline.notice_tests import TrialWatch
from weirwatch.pipeline.notices import NoticeWriter
from weirwatch.pipeline.outbox import Outbox
from weirwatch.pipeline.past import PastDesk
from weirwatch.pipeline.proofs import proof_works
from weirwatch.pipeline.restraint import Restraint
from weirwatch.pipeline.timekeeper import Timekeeper
from weirwatch.pipeline.work_desk import WorkDesk, kept_by_desk
from weirwatch.ports import Clock
from weirwatch.settings import Settings
from weirwatch.store.access import SqliteRegister
from weirwatch.store.far.forwarder import Forwarder
from weirwatch.store.far.making import far_of
from weirwatch.store.free_space import DiskWatch
from weirwatch.store.lock import WriterLock
from weirwatch.store.log_book import LogBook
from weirwatch.store.reserve import spend_to_start
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import open_journal
from weirwatch.store.sqlite_outbox import SqliteOutbox

SOURCE = "/weirwatch/service"  # of the CloudEvents that notifiers send


def build_core(
    settings: Settings,
    clock: Clock,
    web_argv: list[str] | None = None,
    in_use: InUse | None = None,
) -> Core:
    """Make the core for these settings; nothing is served yet.

    Args:
        settings: from `weirwatch.config`.
        clock: the only source of time.
        web_argv: command line of the web process; None: no web.
        in_use: the file that the settings are of; its text is kept in the data folder for the web.

    Raises:
        ConfigError: the data folder is in use or not writable, or a port is taken.
    """
    lock = WriterLock(settings.service.data_dir)
    undo: list[Callable[[], None]] = [lock.release]
    try:
        spend_to_start(settings.service.data_dir)
        edited = _kept(in_use, settings.service.data_dir)
        return _build(settings, clock, web_argv, edited, lock, undo)
    except BaseException:
        for step in reversed(undo):
            step()
        raise


def _kept(in_use: InUse | None, data_dir: Path) -> Callable[[], bool]:
    """Keep what the file said for the web; return how to ask whether it says something else."""
    if in_use is None:
        return lambda: False
    in_use.keep(data_dir)
    return in_use.edited


def _build(
    settings: Settings,
    clock: Clock,
    web_argv: list[str] | None,
    edited: Callable[[], bool],
    lock: WriterLock,
    undo: list[Callable[[], None]],
) -> Core:
    data_dir = settings.service.data_dir
    stamp = file_stamp(clock.now().utc)
    far = far_of(settings.history)
    journal, damage = open_journal(
        data_dir, stamp, clock=clock, retention=settings.history.retention, far=far is not None
    )
    undo.append(journal.close)
    if damage is not None:
        print(damage, file=sys.stderr)  # noqa: T201 - the operator must see this
    restored = journal.restore()
    numbers = journal.adopt(settings.channels, settings.rules)
    timekeeper = Timekeeper(clock, restored.alive_at)
    now = timekeeper.now()
    book = book_of(settings)
    resumed = resume(restored.alarms, restored.rule_marks, book, now)
    state = state_of(book, dict(resumed.alarms), restored, now)
    look_back_on(settings, state, book)

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
    known_works = {w.id: w for w in settings.planned_works} | proof_works(settings)
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
    offline_rules = offline_rules_of(settings)
    conditions_at_start(inbox, restored, offline_rules, settings, now)

    def service_event(kind: str, sentence: str) -> None:
        inbox.put(ServiceEventRequest(kind, sentence))

    transport = MqttTransport(
        settings.broker,
        address,
        _subscriptions(settings),
        inbox.put,
        lambda up: inbox.put(LinkRequest(up)),
        clock,
    )
    tests = TrialWatch(writer.recipients, service_event)
    outbox = Outbox(
        lambda: SqliteOutbox(data_dir / FILE_NAME),
        {r.id: notifier_for(r, clock, SOURCE) for r in settings.recipients},
        clock,
        Timekeeper(clock, restored.alive_at),
        lambda message: inbox.put(ConditionRequest("notice-undeliverable", message)),
        Restraint(
            rules,
            {r.id: r.most_in_10_min for r in settings.recipients if r.most_in_10_min},
            settings.repeat_expires,
            writer.fold,
            clock.speed,
        ),
        tests,
    )
    counters = Counters()
    web = web_child_of(settings, clock, web_argv, inbox)
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
        edited=edited,
        waiting=lambda: len(inbox),
        dropped=lambda: inbox.dropped,
        tests=tests,
    )

    desk = AccessDesk(register, clock)
    log_desk = LogDesk(
        log_book,
        settings,
        clock,
        lambda *found: inbox.put(CalibrationRequest(*found)),
        lambda tests: inbox.put(HandTestRequest(tests)),
    )

    # Half the broker's window: a window full of unacknowledged messages stops the flow.
    commit_unacked = settings.service.commit_unacked or max(1, facts.window // 2)
    drills = live_drill_desk(
        settings, clock, catalogue, inbox, address, offline_rules, commit_unacked
    )
    health.drill = drills.facts

    control = ControlServer(
        data_dir / "control.sock",
        commander(inbox, desk),
        health.as_json,
        clock,
        desk.handle,
        explain=explainer(inbox, book),
        handle_work=worker(inbox, desk),
        handle_log=log_desk.handle,
        handle_notices=NoticeDesk(settings, clock, inbox.put).handle,
        handle_drill=drills.handle,
        handle_past=PastDesk(numbers, inbox.put, timekeeper.now).handle,
    )
    health.listeners = control.counters
    health.store = journal.counters
    forwarder = None if far is None else Forwarder(data_dir / FILE_NAME, far, clock)
    if forwarder is not None:
        health.history = forwarder.as_json
    systems = {rule: node.split("/")[0] for node, rule in offline_rules.items()}
    news = News(settings, writer, state, numbers, transport, control.publish, outbox.wake, systems)
    disk = DiskWatch(data_dir, lambda told: inbox.put(ServiceEventRequest("disk-space", told)))
    health.disk = lambda: disk.warning
    loop = Loop(
        LoopParts(
            book=book,
            state=state,
            journal=journal,
            decoder=Codec(
                wired(settings), settings.taps, settings.broker.root, settings.service.skew_future
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
            commit_unacked=commit_unacked,
            told=drills.watching(news.committed),
            corrections=log_book.corrections(),
            deriver=deriver_of(settings, now, log_book.newest_tests()),
            works=works,
            disk_trouble=disk.trouble,
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
        drills,
        _heartbeat(settings, clock, health, inbox),
        forwarder,
        MorningRound(
            settings, catalogue, lambda: SqliteArchive(data_dir / FILE_NAME), clock, inbox.put
        ),
    )


def _heartbeat(settings: Settings, clock: Clock, health: Health, inbox: Inbox) -> Heartbeat | None:
    """Return what sends signs of life, shown by the health document; None: not wanted."""
    wanted = settings.heartbeat
    if wanted is None:
        return None
    health.heartbeat = Heartbeat(
        heartbeat_post(wanted, clock, SOURCE),
        wanted.every_s,
        health.turning,
        health.status,
        clock,
        lambda kind, sentence: inbox.put(ServiceEventRequest(kind, sentence)),
    )
    return health.heartbeat


def _subscriptions(settings: Settings) -> list[str]:
    root = settings.broker.root
    own = [f"{root}/+/+/readings", f"{root}/+/+/connection"]
    return own + list(dict.fromkeys(tap.topic for tap in settings.taps))


def web_child_of(
    settings: Settings, clock: Clock, argv: list[str] | None, inbox: Inbox
) -> WebChild | None:
    """Return what keeps the web process running; None: no web is wanted."""
    if argv is None:
        return None

    def told(kind: str, sentence: str) -> None:
        inbox.put(ServiceEventRequest(kind, sentence))

    pid_file = settings.service.data_dir / "web.pid"
    return WebChild(argv, (settings.web.host, settings.web.port), pid_file, clock, told)
