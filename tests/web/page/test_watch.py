import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from support.page_world import LEVEL, World

from weirwatch.ports import Group, Notice
from weirwatch.web.page.sight import Sight
from weirwatch.web.page.watch import SHOWN, Watch


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    world = World(tmp_path)
    yield world
    world.close()


@pytest.fixture
def watch(world: World) -> Iterator[Watch]:
    watch = Watch(world.archive, world, world.clock)
    yield watch
    world.answers = world.answers if world.answers is not None else False
    watch.close()


def wait_for(watch: Watch, test: Callable[[Sight], object], within_s: float = 60.0) -> Sight:
    deadline = time.monotonic() + within_s
    while not test(watch.sight()):
        assert time.monotonic() < deadline, watch.sight()
        time.sleep(0.02)
    return watch.sight()


def level_of(sight: Sight) -> float | None:
    newest = sight.newest.get(LEVEL)
    return newest.value if newest else None


def test_close_is_safe_before_start_and_twice(watch: Watch) -> None:
    watch.close()
    watch.close()


def test_it_finds_what_stands_in_the_record(world: World, watch: Watch) -> None:
    world.read({LEVEL: 333})
    world.raise_alarm("floor-leak", 0.0, "wet")
    watch.start()
    seen = wait_for(watch, lambda sight: sight.seen and sight.health)
    assert seen.alarms["floor-leak"].message == "wet"
    assert seen.newest[LEVEL].value == 333
    assert [stored.event.kind for stored in seen.events] == ["raised"]
    assert [notice.state for notice in seen.notices] == ["delivered"]
    assert seen.core_lost_at is None


@pytest.fixture
def incurious(monkeypatch: pytest.MonkeyPatch) -> None:
    """After the first look only news make it look again."""
    for pause in ("_READ_EVERY_S", "_WORKS_EVERY_S"):
        monkeypatch.setattr(f"weirwatch.web.page.watch.{pause}", 600.0)


@pytest.mark.usefixtures("incurious")
def test_news_arrive_by_themselves(world: World, watch: Watch) -> None:
    watch.start()
    wait_for(watch, lambda sight: sight.seen and world.heard_by)
    time.sleep(0.3)  # the look that follows is over, more often than not
    world.raise_alarm("floor-leak", 0.0, "wet")
    wait_for(watch, lambda sight: "floor-leak" in sight.alarms)
    world.read({LEVEL: 341})
    wait_for(watch, lambda sight: level_of(sight) == 341)


class Crowded:
    """A lock before which something always happens."""

    def __init__(self, happens: Callable[[], None]) -> None:
        self._lock = threading.Lock()
        self._happens: Callable[[], None] | None = happens

    def __enter__(self) -> None:
        happens, self._happens = self._happens, None
        if happens is not None:
            happens()
            self._happens = happens
        self._lock.acquire()

    def __exit__(self, *_: object) -> None:
        self._lock.release()


def crowded(watch: Watch, happens: Callable[[], None]) -> None:
    lock: Any = Crowded(happens)
    watch._lock = lock


def test_what_is_heard_while_the_record_is_read_is_not_lost(world: World, watch: Watch) -> None:
    world.read()
    heard: list[int] = []

    def hear() -> None:
        heard.append(341 + len(heard))
        watch._take({"readings": {LEVEL: [world.now() + len(heard), heard[-1], "good"]}})

    crowded(watch, hear)
    watch._read_once()
    watch._lock = threading.Lock()  # it is quiet again
    assert level_of(watch.sight()) == heard[-1]


def test_what_is_confirmed_while_works_are_asked_for_is_not_undone(
    world: World, watch: Watch
) -> None:
    watch._change(works=tuple(world.work({"name": "list"})["items"]))

    def confirm() -> None:
        if not watch._stop.is_set():
            watch._stop.set()  # one round
            watch.take_work(world.work({"name": "start", "work": "water-change"}))

    crowded(watch, confirm)
    watch._ask_works()
    assert standing_of(watch.sight(), "water-change") == "under-way"


def test_the_same_sight_means_nothing_happened(world: World, watch: Watch) -> None:
    world.read()
    watch.start()
    wait_for(watch, lambda sight: sight.seen and sight.health and sight.works)
    time.sleep(0.5)
    before = watch.sight()
    watch.nudge()
    time.sleep(0.5)
    assert watch.sight() is before


def test_a_lost_core_is_known_with_its_time_and_comes_back(world: World, watch: Watch) -> None:
    world.answers = False
    before = world.now()
    watch.start()
    lost = wait_for(watch, lambda sight: sight.core_lost_at is not None).core_lost_at
    assert lost is not None
    assert before <= lost <= world.now()
    assert wait_for(watch, lambda sight: sight.seen).core_lost_at == lost  # the record goes on
    world.answers = True
    wait_for(watch, lambda sight: sight.core_lost_at is None and sight.health)
    world.raise_alarm("floor-leak", 0.0, "wet")
    wait_for(watch, lambda sight: "floor-leak" in sight.alarms)


@pytest.mark.slow
def test_a_hung_core_is_lost_too_and_holds_up_nothing(world: World, watch: Watch) -> None:
    world.read()
    watch.start()
    wait_for(watch, lambda sight: sight.seen and sight.health)
    world.answers = None
    wait_for(watch, lambda sight: sight.core_lost_at is not None)
    world.raise_alarm("floor-leak", 0.0, "wet")
    wait_for(watch, lambda sight: "floor-leak" in sight.alarms)  # read from the file


def test_a_record_that_cannot_be_read_is_said(world: World, watch: Watch) -> None:
    world.archive.close()
    watch.start()
    wait_for(watch, lambda sight: sight.record_lost_at is not None)


def test_only_the_newest_notices_are_kept_and_their_state_follows(
    world: World, watch: Watch
) -> None:
    made = [Notice(f"n{i}", 1, "file", world.now(), f"notice {i}", {}) for i in range(SHOWN + 20)]
    world.raise_alarm("floor-leak", 0.0, "wet")
    world.add(Group(notices=made))
    watch.start()
    seen = wait_for(watch, lambda sight: sight.seen)
    assert len(seen.notices) == SHOWN
    assert seen.notices[0].text == f"notice {SHOWN + 19}"
    world.deliver("n60")
    watch.nudge()

    def delivered(sight: Sight) -> bool:
        return {n.id: n.state for n in sight.notices}["n60"] == "delivered"

    wait_for(watch, delivered)


def standing_of(sight: Sight, work: str) -> str:
    return next((w["state"] for w in sight.works if w["id"] == work), "")


@pytest.mark.usefixtures("incurious")
def test_planned_work_is_known_and_its_moves_arrive_by_themselves(
    world: World, watch: Watch
) -> None:
    watch.start()
    wait_for(watch, lambda sight: standing_of(sight, "feeding-pause") == "idle" and world.heard_by)
    time.sleep(0.3)  # the look that follows is over, more often than not
    world.work({"name": "start", "work": "feeding-pause", "who": "Kari"})
    wait_for(watch, lambda sight: standing_of(sight, "feeding-pause") == "under-way")


@pytest.mark.usefixtures("incurious")
def test_work_that_began_before_it_listened_is_known_once_it_does(
    world: World, watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    may_listen = threading.Event()
    listen = world.listen

    def later() -> Any:
        assert may_listen.wait(60)
        return listen()

    monkeypatch.setattr(world, "listen", later)
    watch.start()
    wait_for(watch, lambda sight: standing_of(sight, "feeding-pause") == "idle")
    world.work({"name": "start", "work": "feeding-pause", "who": "Kari"})
    may_listen.set()
    wait_for(watch, lambda sight: standing_of(sight, "feeding-pause") == "under-way")


def test_planned_work_that_the_core_has_confirmed_is_shown_at_once(
    world: World, watch: Watch
) -> None:
    watch.start()
    wait_for(watch, lambda sight: sight.works)
    watch.take_work(world.work({"name": "start", "work": "water-change"}))
    assert standing_of(watch.sight(), "water-change") == "under-way"
    assert [work["id"] for work in watch.sight().works] == [
        "feeding-pause", "water-change", "probe-calibration",
    ]  # fmt: skip
