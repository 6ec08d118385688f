"""What a start makes of the settings and of what is on record."""

import logging
from collections.abc import Mapping
from typing import Any

from weirwatch.domain.book import Book, make_ready
from weirwatch.domain.engine import start as start_engine
from weirwatch.domain.errors import WeirwatchError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Channel
from weirwatch.domain.refill import refill_spans
from weirwatch.domain.rule import RuleBook
from weirwatch.domain.state import EngineState, Observed
from weirwatch.pipeline.derive import Deriver
from weirwatch.pipeline.inbox import ConditionRequest, Inbox, LinkRequest, ServiceEventRequest
from weirwatch.pipeline.local_time import duration, local_time
from weirwatch.pipeline.log_desk import NewestTests
from weirwatch.pipeline.looking_back import look_back
from weirwatch.pipeline.loop import offline_sentence
from weirwatch.ports import Restored
from weirwatch.settings import Settings
from weirwatch.store.far.making import archive_of

log = logging.getLogger(__name__)

MOST_SEEDED = 100_000  # readings of one channel that a start reads again
SHORT_STOP: Micros = 60 * SECOND  # an orderly stop so short is put on record, not alarmed


def deriver_of(settings: Settings, now: Micros, tests: NewestTests) -> Deriver | None:
    """Return what computes derived channels, told of hand tests and the hours before this start."""
    if not settings.derived:
        return None
    deriver = Deriver(settings.derived, settings.channels)
    deriver.tell(tests)
    archive = archive_of(settings)
    try:
        for channel, span in deriver.windows.items():
            deriver.seed(archive.readings(channel, now - span, now, None, MOST_SEEDED))
    except WeirwatchError as trouble:  # the window then fills anew: its values say so
        log.warning("derive.not_seeded error=%s", trouble)
    finally:
        archive.close()
    return deriver


def wired(settings: Settings) -> tuple[Channel, ...]:
    """Return the channels that may arrive: what is derived is not for others to say."""
    derived = {entry.channel for entry in settings.derived}
    return tuple(channel for channel in settings.channels if channel.id not in derived)


def book_of(settings: Settings) -> Book:
    """Return the rules and channels as the engine wants them."""
    rules = {rule.id: rule for rule in settings.rules}
    channels = {channel.id: channel for channel in settings.channels}
    return make_ready(RuleBook(rules, channels, settings.service.time_zone))


def state_of(book: Book, alarms: Any, restored: Restored, now: Micros) -> EngineState:
    """Return the engine's state from what the journal remembers."""
    observed = {
        channel: Observed(
            newest.time,
            newest.value,
            newest.quality,
            newest.reason,
            min(newest.time, now),  # a node's clock may be fast; nothing was heard after the start
            restored.newest_good[channel].time if channel in restored.newest_good else None,
            restored.newest_good[channel].value if channel in restored.newest_good else None,
            newest.time,
        )
        for channel, newest in restored.newest.items()
        if channel in book.channels
    }
    return start_engine(alarms, observed, book, now, link_up=False)


def look_back_on(settings: Settings, state: EngineState, book: Book) -> None:
    """Fill the windows of rules that look back from what is on record."""
    if not refill_spans(book):
        return
    archive = archive_of(settings)
    try:
        look_back(state, book, archive)
    except WeirwatchError as trouble:  # the windows then fill anew
        log.warning("engine.not_looked_back error=%s", trouble)
    finally:
        archive.close()


def conditions_at_start(
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


def offline_rules_of(settings: Settings) -> dict[str, str]:
    """Return the rule that tells of each node's silence, by `system/node`."""
    ids = {rule.id for rule in settings.rules}
    nodes = dict.fromkeys((c.system, c.node) for c in settings.channels)
    found = {}
    for system, node in nodes:
        for ident in (f"node-offline/{system}/{node}", f"node-offline/{node}"):
            if ident in ids:
                found[f"{system}/{node}"] = ident
                break
    return found
