"""Makes the desk of live drills: what each drill is made of, with adapters of its own."""

from collections.abc import Mapping

from weirwatch.app.answers import ANSWER_WITHIN_S
from weirwatch.clock import scaled_clock
from weirwatch.domain.failures import Catalogue
from weirwatch.domain.reading import Channel
from weirwatch.ingest.codec import Codec
from weirwatch.ingest.mqtt import MqttTransport
from weirwatch.ingest.topics import subscriptions, topic_matches
from weirwatch.notice.making import notifier_for
from weirwatch.pipeline.inbox import Inbox
from weirwatch.pipeline.live_drill import LiveDrillParts
from weirwatch.pipeline.live_drill_desk import LiveDrillDesk
from weirwatch.ports import Clock
from weirwatch.settings import Settings, drill_root
from weirwatch.store.sqlite_journal import SqliteJournal
from weirwatch.store.sqlite_outbox import SqliteOutbox

FOLDER = "drill"  # in the data folder, while a drill is under way
SOURCE = "/weirwatch/drill"  # of the CloudEvents that its notices are sent as


def live_drill_desk(
    settings: Settings,
    clock: Clock,
    catalogue: Catalogue,
    inbox: Inbox,
    broker_address: tuple[str, int],
    offline_rules: Mapping[str, str],
    commit_unacked: int,
) -> LiveDrillDesk:
    """Return the desk; no drill is under way, and what an earlier one left behind is removed."""
    parts = LiveDrillParts(
        clock=clock,
        catalogue=catalogue,
        folder=settings.service.data_dir / FOLDER,
        drill_clock=scaled_clock,
        decoder=_decoder,
        transport=lambda own, put, on_link, drill_clock: MqttTransport(
            own.broker,
            broker_address,
            subscriptions(own.broker.root),
            put,
            on_link,
            drill_clock,
            lasting=False,
        ),
        journal=SqliteJournal,
        outbox=SqliteOutbox,
        # They date what they sign by the real clock: the other side checks it.
        notifiers=lambda: {r.id: notifier_for(r, clock, SOURCE) for r in settings.recipients},
        offline_rules=offline_rules,
        commit_unacked=commit_unacked,
    )
    desk = LiveDrillDesk(
        parts, settings, inbox, lambda: _overlap(settings), ANSWER_WITHIN_S, broker_address
    )
    desk.clear_up()
    return desk


def _decoder(settings: Settings) -> Codec:
    derived = {entry.channel for entry in settings.derived}
    channels: tuple[Channel, ...] = tuple(c for c in settings.channels if c.id not in derived)
    return Codec(channels, (), settings.broker.root, settings.service.skew_future)


def _overlap(settings: Settings) -> str | None:
    """Return the filter of a tap that would take a drill's topic for a real one."""
    root = drill_root(settings.broker.root)
    nodes = {f"{channel.system}/{channel.node}" for channel in settings.channels}
    topics = [f"{root}/{node}/{kind}" for node in nodes for kind in ("readings", "connection")]
    for tap in settings.taps:
        if any(topic_matches(tap.topic, topic) for topic in topics):
            return tap.topic
    return None
