"""Live drills as they are asked for: what is refused, how one ends, and that it leaves nothing."""

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from support.loop_world import RecordingTransport, World
from support.still_clock import NOON, HandClock

from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.errors import ConfigError, IllegalCommand
from weirwatch.domain.instant import to_rfc3339
from weirwatch.ingest.codec import Codec
from weirwatch.notice.json_lines import JsonLinesNotifier
from weirwatch.pipeline.inbox import LinkRequest
from weirwatch.pipeline.live_drill import LiveDrillParts
from weirwatch.pipeline.live_drill_desk import LiveDrillDesk
from weirwatch.pipeline.live_drill_words import drill_sentence
from weirwatch.settings import Settings
from weirwatch.store.sqlite_journal import SqliteJournal
from weirwatch.store.sqlite_outbox import SqliteOutbox

START = {
    "name": "start",
    "failure": "floor-leak",
    "says": "the return pipe leaks",
    "who": "keeper",
    "minutes": 10,
    "speed": 1,
    "plant_time": to_rfc3339(NOON),
    "unfed": [],
}


class Stage:
    """A loop that runs in a thread of its own, and a desk beside it."""

    def __init__(self, folder: Path) -> None:
        self.world = World(folder)
        self.folder = folder / "drill"
        self.tap: str | None = None
        self.notices = folder / "notices.jsonl"
        parts = LiveDrillParts(
            clock=self.world.clock,
            catalogue=load_catalogue(),
            folder=self.folder,
            drill_clock=lambda speed, utc: HandClock(utc, speed),
            decoder=self._decoder,
            transport=lambda *_: RecordingTransport([]),
            journal=SqliteJournal,
            outbox=SqliteOutbox,
            notifiers=lambda: {"keeper": JsonLinesNotifier(self.notices)},
            offline_rules={},
            commit_unacked=10,
        )
        self.desk = LiveDrillDesk(
            parts,
            self.world.settings,
            self.world.inbox,
            lambda: self.tap,
            60.0,
            ("127.0.0.1", 1883),
        )
        self.watch = self.desk.watching(lambda _: None)
        self._thread = threading.Thread(target=self.world.loop.run)
        self._thread.start()

    def _decoder(self, settings: Settings) -> Codec:
        return Codec(settings.channels, (), settings.broker.root, 60_000_000)

    def start(self, **changes: Any) -> dict[str, Any]:
        while len(self.world.inbox):  # a question is answered before all that waits
            threading.Event().wait(0.01)
        return dict(self.desk.handle(START | changes))

    def stop_loop(self) -> None:
        """End the loop, so that all it was given is on record."""
        self.world.loop.stop()
        self._thread.join(60)
        assert not self._thread.is_alive()

    def close(self) -> None:
        self.desk.close()
        self.stop_loop()
        self.world.close()

    def drills(self) -> list[tuple[str, str]]:
        self.stop_loop()
        events = [stored.event for stored in self.world.events()]
        return [(event.kind, event.message) for event in events if event.drill]


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    stage = Stage(tmp_path)
    stage.world.inbox.put(LinkRequest(up=True))
    yield stage
    stage.close()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"name": "stop"}, "has a name: start, beat or end"),
        ({"failure": "boredom"}, "not in the catalogue"),
        ({"minutes": 241}, "minutes must be a number from 0.05 to 240"),
        ({"minutes": True}, "minutes must be a number"),
        ({"speed": 61}, "speed must be a number from 1 to 60"),
        ({"plant_time": "soon"}, "plant_time: "),
        ({"plant_time": "2026-05-01T13:00:01Z"}, "within an hour of the service's own time"),
        ({"unfed": "all"}, "unfed must be a list"),
        ({"who": "x" * 2001}, "who must be text"),
    ],
)
def test_what_is_no_request_begins_nothing(
    stage: Stage, changes: dict[str, Any], said: str
) -> None:
    with pytest.raises(ConfigError, match=said):
        stage.start(**changes)
    assert stage.desk.facts() is None
    assert not stage.folder.exists()
    assert stage.drills() == []


def test_a_tap_that_would_take_it_for_real_stands_against_it(stage: Stage) -> None:
    stage.tap = "+/harbour-hall/#"
    with pytest.raises(ConfigError, match=r'the tap on "\+/harbour-hall/#" would take a drill'):
        stage.start()


def test_an_open_alarm_or_a_lost_broker_stands_against_it(stage: Stage) -> None:
    stage.world.level(320)
    with pytest.raises(IllegalCommand, match="no drill while a real alarm is open: sump-high;"):
        stage.start()
    stage.world.inbox.put(LinkRequest(up=False))
    with pytest.raises(IllegalCommand, match="without a connection to the broker"):
        stage.start()


def test_it_ends_when_whoever_plays_it_is_gone(stage: Stage) -> None:
    begun = stage.start()
    assert begun["topics"] == "weirwatch-drill"
    assert stage.desk.facts() == {
        "id": begun["id"],
        "failure": "floor-leak",
        "title": "Water on the floor",
        "says": "the return pipe leaks",
        "who": "keeper",
        "speed": 1.0,
        "started_at": "2026-05-01T12:00:00Z",
        "ends_at": "2026-05-01T12:10:00Z",
    }
    zone = stage.world.settings.service.time_zone
    assert "under way until 12:10 at the latest" in drill_sentence(stage.desk.facts(), zone)
    stage.world.clock.go(29)
    beaten = stage.desk.handle({"name": "beat", "id": begun["id"], "after": 0})
    assert (beaten["under_way"], beaten["why_ended"]) == (True, "")
    stage.world.clock.go(31)
    ended = gone(stage, begun["id"])
    assert ended["why_ended"] == "whoever played it is gone"
    assert not stage.folder.exists()
    assert drill_sentence(stage.desk.facts(), zone) == ""
    assert [kind for kind, _ in stage.drills()] == ["drill-started", "drill-ended"]


def test_it_ends_when_its_time_is_over_and_another_may_begin(stage: Stage) -> None:
    begun = stage.start()
    with pytest.raises(IllegalCommand, match="under way already"):
        stage.start()
    stage.world.clock.go(600)
    assert gone(stage, begun["id"])["why_ended"] == "its time is over"
    again = stage.start(plant_time=to_rfc3339(stage.world.clock.utc))
    assert again["id"] != begun["id"]
    with pytest.raises(IllegalCommand, match="no such drill"):
        stage.desk.handle({"name": "end", "id": begun["id"], "who": ""})
    stage.desk.handle({"name": "end", "id": again["id"], "who": ""})
    assert gone(stage, again["id"])["why_ended"] == "ended by whoever played it"


def test_a_real_alarm_ends_it_and_everybody_is_told(stage: Stage) -> None:
    begun = stage.start()
    stage.world.level(320)
    while not stage.world.told or not any(g.alarms for g in stage.world.told):
        threading.Event().wait(0.01)
    for group in list(stage.world.told):
        stage.watch(group)
    ended = gone(stage, begun["id"])
    assert (ended["why_ended"], ended["by_alarm"]) == ("Sump high", True)
    assert stage.drills()[1] == ("drill-aborted", "a real alarm: Sump high")
    texts = [notice.text for _, notice in stage.world.archive.notices(0, 100)]
    assert texts[0].startswith("DRILL begins, nothing is wrong: Water on the floor, until 12:10")
    assert texts[1].startswith("HIGH: Sump high")
    assert texts[2].startswith("DRILL ENDED by a real alarm: Sump high")


def test_what_a_lost_service_left_behind_is_removed_and_told(stage: Stage) -> None:
    stage.folder.mkdir()
    (stage.folder / "drill.sqlite").write_bytes(b"torn")
    stage.desk.clear_up()
    assert not stage.folder.exists()
    assert stage.drills() == [("drill-ended", "the service was stopped and started again")]


def gone(stage: Stage, ident: str) -> dict[str, Any]:
    """How a drill stands once nothing of it is left."""
    for _ in range(1200):
        if stage.desk.facts() is not None:  # a beat now would keep it going
            threading.Event().wait(0.05)
            continue
        found = dict(stage.desk.handle({"name": "beat", "id": ident, "after": 0}))
        if found["gone"]:
            return found
        threading.Event().wait(0.05)
    raise AssertionError("the drill does not end")
