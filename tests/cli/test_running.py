"""Watching a running core: its own broker is started again with patience, and told of."""

import gc
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import SimpleNamespace
from typing import cast

from support.still_clock import HandClock

from weirwatch.app import Core
from weirwatch.cli.running import BrokerKeeper, run_until_stopped
from weirwatch.domain.errors import TransientError
from weirwatch.pipeline.inbox import Inbox, ServiceEventRequest


@contextmanager
def as_before() -> Iterator[None]:
    """Put back what running a core changes in this process."""
    interval = sys.getswitchinterval()
    handlers = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        gc.unfreeze()
        sys.setswitchinterval(interval)
        for number, handler in handlers.items():
            signal.signal(number, handler)


class Broker:
    """Our own broker, as the keeper sees it."""

    def __init__(self) -> None:
        self.lives = self.hears = True
        self.trouble = ""
        self.starts = 0
        self.slow = threading.Event()
        self.slow.set()

    def alive(self) -> bool:
        return self.lives

    def answers(self, within_s: float) -> bool:
        assert within_s > 2  # what it keeps is worth some patience
        return self.hears

    def restart(self) -> None:
        self.starts += 1
        assert self.slow.wait(20)
        if self.trouble:
            raise TransientError(self.trouble)
        self.lives = self.hears = True


class Watched:
    """A keeper that looks twice a second."""

    def __init__(self) -> None:
        self.broker, self.clock, self.inbox = Broker(), HandClock(), Inbox()
        self.link = SimpleNamespace(connected=True)
        core = SimpleNamespace(
            broker=self.broker, clock=self.clock, inbox=self.inbox, transport=self.link
        )
        self.keeper = BrokerKeeper(cast("Core", core))

    def pass_time(self, seconds: float) -> list[str]:
        """Look as `run_until_stopped` does; return what was put on record."""
        for _ in range(round(seconds * 2)):
            self.keeper.look()
            self.keeper.join()
            self.clock.go(0.5)
        told = self.inbox.drain(1000)
        return [item.message for item in told if isinstance(item, ServiceEventRequest)]


def test_the_network_thread_is_looked_after_though_nobody_asks_for_health() -> None:
    """Asking the transport how it is brings back a thread that an error has ended."""
    asked: list[int] = []

    def state() -> str:
        asked.append(1)
        return "connected"

    core = SimpleNamespace(
        broker=None,
        clock=HandClock(),
        transport=SimpleNamespace(state=state),
        health=SimpleNamespace(turning=lambda: True),
        failed=threading.Event(),
        stop=lambda: None,
    )
    with as_before():
        assert run_until_stopped(cast("Core", core), lambda: len(asked) >= 2) == 0
    assert len(asked) == 2


def test_a_broker_that_has_ended_is_started_again_at_once() -> None:
    watched = Watched()
    assert watched.pass_time(2) == []
    watched.broker.lives = False
    assert watched.pass_time(0.5) == ["our own broker had ended and was started again"]


def test_one_that_cannot_be_started_is_tried_with_pauses_and_told_of_once() -> None:
    watched = Watched()
    watched.broker.lives, watched.broker.trouble = False, "mosquitto is gone"
    told = watched.pass_time(600)
    assert told == ["our own broker has ended and cannot be started: mosquitto is gone"]
    assert 10 <= watched.broker.starts <= 18
    watched.broker.trouble = "the port is taken"
    assert len(watched.pass_time(61)) == 1
    watched.broker.trouble = ""
    assert watched.pass_time(61) == ["our own broker had ended and was started again"]


def test_one_that_ends_again_and_again_does_not_fill_the_record() -> None:
    watched = Watched()
    told = []
    for _ in range(600):
        watched.broker.lives = False
        told += watched.pass_time(1)
    assert 10 <= len(told) <= 18
    watched.broker.lives = True
    watched.pass_time(300)  # it has lasted: the next time it is started at once
    for _ in range(2):
        watched.broker.lives = False
        assert len(watched.pass_time(1.5)) == 1


def test_one_that_starts_slowly_is_not_waited_for() -> None:
    watched = Watched()
    watched.broker.lives = False
    watched.broker.slow.clear()
    began = time.monotonic()
    for _ in range(10):
        watched.keeper.look()
        watched.clock.go(60)
    assert time.monotonic() - began < 10
    watched.broker.slow.set()
    watched.keeper.join()
    assert (watched.broker.starts, watched.broker.lives) == (1, True)


def test_one_that_runs_but_answers_nobody_is_replaced_after_a_minute() -> None:
    watched = Watched()
    watched.broker.hears = watched.link.connected = False
    assert watched.pass_time(59) == []
    assert watched.pass_time(2) == ["our own broker did not answer and was started again"]
    watched.link.connected = True
    assert watched.pass_time(600) == []
    assert watched.broker.starts == 1


def test_one_that_answers_others_is_left_as_it_is() -> None:
    watched = Watched()
    watched.link.connected = False  # as when our login is refused
    assert watched.pass_time(600) == []
    assert watched.broker.starts == 0


def test_a_connection_in_between_begins_the_minute_anew() -> None:
    watched = Watched()
    watched.broker.hears = False
    for connected in (False, True) * 5:
        watched.link.connected = connected
        assert watched.pass_time(50) == []
    assert watched.broker.starts == 0
