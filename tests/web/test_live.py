"""The connection to the core: news wakes who waits, a lost core is noticed once."""

import asyncio
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.control_client import until
from support.web_harbour import FakeCore, Harbour, raised

from weirwatch.clock import SystemClock
from weirwatch.web.live import Live


@pytest.fixture
def harbour(tmp_path: Path) -> Iterator[Harbour]:
    made = Harbour(tmp_path)
    yield made
    made.close()


@pytest.fixture
def core(harbour: Harbour) -> FakeCore:
    return FakeCore(harbour)


def test_close_is_safe_before_start_and_twice(core: FakeCore) -> None:
    live = Live(core, SystemClock())
    live.close()
    live.close()
    assert not live.connected


def test_news_wakes_everybody_who_waits(core: FakeCore, harbour: Harbour) -> None:
    async def wait() -> list[bool]:
        live = Live(core, SystemClock())
        live.start()
        while not live.connected:
            await asyncio.sleep(0.01)
        await asyncio.sleep(0.05)
        seen = live.version
        waiting = [asyncio.create_task(live.changed(seen, 60)) for _ in range(3)]
        await asyncio.sleep(0.05)
        core.publish(*harbour.add_events(raised()))
        found = await asyncio.gather(*waiting)
        live.close()
        return found

    assert asyncio.run(wait()) == [True, True, True]


def test_without_news_a_wait_ends_by_itself_and_old_news_do_not_wait(core: FakeCore) -> None:
    async def wait() -> tuple[bool, bool]:
        live = Live(core, SystemClock())
        quiet = await live.changed(live.version, 0.05)
        old = await live.changed(live.version - 1, 60)
        return quiet, old

    assert asyncio.run(wait()) == (False, True)


def test_readings_wake_nobody_a_drop_does(core: FakeCore) -> None:
    live = Live(core, SystemClock())
    live._hear({"readings": {"a/b/c": [1, 2.0, "good"]}})
    assert live.version == 0
    live._hear({"dropped": 3})
    assert live.version == 1


def test_a_core_that_comes_back_is_found_again(core: FakeCore) -> None:
    async def come_and_go() -> list[bool]:
        live = Live(core, SystemClock())
        live.start()
        states = []
        for gone in (False, True, False):
            if gone:
                core.hang_up()
            core.gone = gone
            for _ in range(6000):
                if live.connected is not gone:
                    break
                await asyncio.sleep(0.01)
            states.append(live.connected)
        live.close()
        return states

    assert asyncio.run(come_and_go()) == [True, False, True]


def test_the_end_of_the_core_is_told_once(core: FakeCore) -> None:
    told: list[str] = []
    ended = threading.Event()

    def lost() -> None:
        told.append("lost")
        ended.set()

    async def run() -> None:
        live = Live(core, SystemClock(), lost)
        live.start()
        while not live.connected:
            await asyncio.sleep(0.01)
        core.hang_up()
        await asyncio.to_thread(ended.wait, 60)
        until(lambda: not live.connected)
        live.close()

    asyncio.run(run())
    assert told == ["lost"]
