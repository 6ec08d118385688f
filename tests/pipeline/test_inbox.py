"""The one queue into the loop: nothing lost, in order, and nobody sleeps beside a full inbox."""

import threading
import time

from weirwatch.pipeline.inbox import Inbox, LinkRequest, Question, ServiceEventRequest


def event(number: int, source: str = "") -> ServiceEventRequest:
    return ServiceEventRequest(source, str(number))


def test_items_come_out_in_order_of_arrival_and_so_many_at_a_time() -> None:
    inbox = Inbox()
    assert inbox.drain(5) == []
    for number in range(5):
        inbox.put(event(number))
    assert len(inbox) == 5
    assert inbox.drain(2) == [event(0), event(1)]
    inbox.put(LinkRequest(up=True))
    assert inbox.drain(10) == [event(2), event(3), event(4), LinkRequest(up=True)]
    assert len(inbox) == 0


def test_waiting_ends_at_once_when_there_is_something() -> None:
    inbox = Inbox()
    inbox.put(event(1))
    began = time.monotonic()
    inbox.wait(600)
    inbox.put(event(2))
    inbox.drain(1)
    inbox.wait(600)  # one of two is left
    assert time.monotonic() - began < 60


def test_waiting_ends_by_itself() -> None:
    began = time.monotonic()
    Inbox().wait(0.03)
    assert 0.02 < time.monotonic() - began < 60


def test_an_item_or_a_wake_ends_the_wait_of_another_thread() -> None:
    for rouse in (lambda inbox: inbox.put(event(1)), Inbox.wake):
        inbox = Inbox()
        thread = threading.Thread(target=inbox.wait, args=(600,), daemon=True)
        thread.start()
        rouse(inbox)
        thread.join(60)
        assert not thread.is_alive()


def test_questions_are_taken_once_and_wake_the_loop() -> None:
    inbox = Inbox()
    assert list(inbox.questions()) == []
    asked = [Question(lambda _state, _now: {}) for _ in range(3)]
    for question in asked:
        inbox.ask(question)
    began = time.monotonic()
    inbox.wait(600)
    assert time.monotonic() - began < 60
    assert list(inbox.questions()) == asked
    assert list(inbox.questions()) == []
    assert len(inbox) == 0


def test_several_threads_at_once_lose_nothing_and_keep_their_order() -> None:
    inbox = Inbox()
    count, sources = 3000, ("broker", "socket", "outbox")

    def fill(source: str) -> None:
        for number in range(count):
            inbox.put(event(number, source))

    threads = [threading.Thread(target=fill, args=(source,)) for source in sources]
    for thread in threads:
        thread.start()
    taken: list[ServiceEventRequest] = []
    ends = time.monotonic() + 60
    while len(taken) < count * len(sources):
        assert time.monotonic() < ends
        taken += [item for item in inbox.drain(200) if isinstance(item, ServiceEventRequest)]
        inbox.wait(0.5)
    for thread in threads:
        thread.join()
    for source in sources:
        numbers = [int(item.message) for item in taken if item.kind == source]
        assert numbers == list(range(count))
