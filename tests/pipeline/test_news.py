"""What is told after a commit: live listeners, retained alarms and events on MQTT, the outbox."""

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest
from support.loop_world import LEVEL, RecordingTransport, settings_of
from support.still_clock import NOON

from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.alarm import Alarm, AlarmState, Event
from weirwatch.domain.book import make_ready
from weirwatch.domain.engine import start
from weirwatch.domain.instant import SECOND
from weirwatch.domain.rule import RuleBook
from weirwatch.pipeline.news import News
from weirwatch.pipeline.notices import NoticeWriter
from weirwatch.ports import Group, Notice

PH = "harbour-hall/sump-node/ph"
RAISED = Alarm("sump-high", AlarmState.UNACKNOWLEDGED, raised_at=NOON, value=320.0)
UP = Event(NOON, "broker-connected")
EVENT = Event(
    NOON,
    "removed-from-service",
    rule="sump-high",
    channel=LEVEL,
    from_state="normal",
    to_state="normal",
    service_from="in-service",
    service_to="out-of-service",
    who="keeper",
    comment="probe being cleaned",
)


class Station:
    """News with its listeners written down."""

    def __init__(self) -> None:
        settings = settings_of()
        rules = {rule.id: rule for rule in settings.rules}
        channels = {channel.id: channel for channel in settings.channels}
        book = make_ready(RuleBook(rules, channels, settings.service.time_zone))
        self.state = start({}, {}, book, NOON, link_up=True)
        self.transport = RecordingTransport([])
        self.live: list[Mapping[str, Any]] = []
        self.wakes = 0
        self.news = News(
            settings,
            NoticeWriter(settings, load_catalogue()),
            self.state,
            {LEVEL: 1, PH: 2},
            self.transport,
            self.live.append,
            self._wake,
        )

    def _wake(self) -> None:
        self.wakes += 1

    def sent(self) -> dict[str, Any]:
        """Newest message by topic, decoded; an empty one is None."""
        return {
            topic: json.loads(payload) if payload else None
            for topic, payload, _ in self.transport.sent
        }

    def retained(self) -> list[str]:
        return [topic for topic, _, retain in self.transport.sent if retain]


@pytest.fixture
def station() -> Station:
    return Station()


def test_an_empty_group_is_told_to_nobody(station: Station) -> None:
    station.news.committed(Group(committed_at=NOON))
    assert (station.live, station.transport.sent, station.wakes) == ([], [], 0)


def test_an_event_goes_to_listeners_and_as_a_cloud_event_to_mqtt(station: Station) -> None:
    station.news.committed(Group(events=[(7, EVENT)], committed_at=NOON + SECOND))
    (live,) = station.live
    assert (live["event"]["seq"], live["event"]["kind"]) == (7, "removed-from-service")
    cloud_event = station.sent()["weirwatch/harbour-hall/event"]
    # CloudEvents 1.0, "Required attributes": id, source, specversion, type are non-empty text;
    # type should be prefixed with a reverse-DNS name.
    assert {key: cloud_event[key] for key in ("specversion", "id", "source", "type")} == {
        "specversion": "1.0",
        "id": "7",
        "source": "/weirwatch/harbour-hall",
        "type": "org.weirwatch.alarm.removed_from_service",
    }
    assert cloud_event["subject"] == "sump-high"
    assert cloud_event["time"] == "2026-05-01T12:00:00Z"
    assert cloud_event["datacontenttype"] == "application/json"
    assert cloud_event["data"] == live["event"]
    assert station.retained() == []


def test_a_changed_alarm_is_retained_without_its_card(station: Station) -> None:
    station.state.alarms["sump-high"] = RAISED
    station.news.committed(Group(alarms={"sump-high": RAISED}, committed_at=NOON))
    assert station.retained() == ["weirwatch/harbour-hall/alarm/sump-high"]
    shown = station.sent()["weirwatch/harbour-hall/alarm/sump-high"]
    assert (shown["id"], shown["state"], shown["value"]) == ("sump-high", "unacknowledged", 320.0)
    assert "safety_card" not in shown
    assert shown["response"].startswith("Stay out if the floor is wet.")


def test_what_happened_to_the_service_is_no_alarm_on_mqtt(station: Station) -> None:
    event = Event(NOON, "web-interrupted", message="it ended")
    station.news.committed(Group(events=[(3, event)], committed_at=NOON))
    assert station.live[0]["event"]["kind"] == "web-interrupted"
    assert station.transport.sent == []


def test_rules_of_the_service_have_topics_of_their_own(station: Station) -> None:
    lost = Alarm("broker-lost", AlarmState.UNACKNOWLEDGED, raised_at=NOON)
    station.state.alarms["broker-lost"] = lost
    event = Event(NOON, "raised", rule="broker-lost")
    station.news.committed(Group(events=[(1, event)], alarms={"broker-lost": lost}))
    assert set(station.sent()) == {
        "weirwatch/service/event",
        "weirwatch/service/alarm/broker-lost",
    }


def test_a_connected_broker_gets_every_alarm_as_it_is_now(station: Station) -> None:
    """Also what is normal: what the broker retains may be older than the journal."""
    station.state.alarms["sump-high"] = RAISED
    station.news.committed(Group(events=[(1, UP)], committed_at=NOON))
    states = {
        topic.rsplit("/alarm/", 1)[1]: shown["state"] for topic, shown in station.sent().items()
    }
    assert set(states) == {rule.id for rule in settings_of().rules}
    assert states["sump-high"] == "unacknowledged"
    assert states["sump-low"] == "normal"
    assert len(station.retained()) == len(station.transport.sent)


def test_the_retained_alarm_of_a_deleted_rule_is_taken_back(station: Station) -> None:
    event = Event(NOON, "rule-deleted", rule="former", to_state="normal")
    station.news.committed(Group(events=[(1, event)], closed=["former"], committed_at=NOON))
    sent = station.sent()
    assert sent["weirwatch/harbour-hall/alarm/former"] is None
    assert sent["weirwatch/service/alarm/former"] is None
    assert sent["weirwatch/service/event"]["data"]["kind"] == "rule-deleted"
    assert set(station.retained()) == {
        "weirwatch/harbour-hall/alarm/former",
        "weirwatch/service/alarm/former",
    }


def test_listeners_get_the_newest_reading_of_each_channel(station: Station) -> None:
    rows = [
        (NOON + 2, 1, 301.0, 0, ""),
        (NOON + 1, 1, 300.0, 0, ""),  # older: a node's buffer
        (NOON + 3, 2, 15.0, 2, "outside valid range"),
    ]
    station.news.committed(Group(readings=rows, committed_at=NOON))
    assert station.live == [
        {"readings": {LEVEL: [NOON + 2, 301.0, "good"], PH: [NOON + 3, 15.0, "bad"]}}
    ]
    assert station.transport.sent == []


def test_the_outbox_is_woken_for_notices_only(station: Station) -> None:
    station.news.committed(Group(events=[(1, EVENT)], committed_at=NOON))
    assert station.wakes == 0
    notice = Notice("1-keeper", 1, "keeper", NOON, "Sump high", {})
    station.news.committed(Group(notices=[notice, replace(notice, id="1-b")], committed_at=NOON))
    assert station.wakes == 1
