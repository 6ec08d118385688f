"""A listener's buffer is bounded, keeps the newest and tells what it dropped."""

import json

from weirwatch.control import protocol
from weirwatch.control.buffer import ListenerBuffer


def taken(buffer: ListenerBuffer) -> list[dict[str, object]]:
    lines = iter(buffer.take, None)
    return [json.loads(line) for line in lines]


def event(number: int) -> bytes:
    return protocol.encode({"event": number})


def test_order_is_kept() -> None:
    buffer = ListenerBuffer()
    for number in range(5):
        buffer.offer_line(event(number))
    assert taken(buffer) == [{"event": number} for number in range(5)]
    assert buffer.dropped == 0


def test_when_full_the_oldest_goes_and_the_count_comes_first() -> None:
    buffer = ListenerBuffer(size=3)
    for number in range(10):
        buffer.offer_line(event(number))
    assert taken(buffer) == [{"dropped": 7}, {"event": 7}, {"event": 8}, {"event": 9}]
    assert buffer.dropped == 7
    assert taken(buffer) == []


def test_only_the_newest_reading_of_a_channel_waits_and_events_go_first() -> None:
    buffer = ListenerBuffer(size=3)
    for number in range(1000):
        buffer.offer_readings({"a": [number, 1.0, "good"], "b": [number, 2.0, "good"]})
    buffer.offer_line(event(1))
    assert taken(buffer) == [
        {"event": 1},
        {"readings": {"a": [999, 1.0, "good"], "b": [999, 2.0, "good"]}},
    ]
    assert buffer.dropped == 0


def test_very_many_channels_are_sent_in_several_lines() -> None:
    buffer = ListenerBuffer()
    buffer.offer_readings(
        {f"harbour-hall/node/{n}" + "x" * 100: [n, 1.0, "good"] for n in range(20_000)}
    )
    messages = taken(buffer)
    names = [name for message in messages for name in message["readings"]]  # type: ignore[attr-defined]
    assert len(messages) == 20
    assert len(names) == len(set(names)) == 20_000


def test_what_could_not_be_encoded_is_told() -> None:
    buffer = ListenerBuffer()
    buffer.note_drop()
    assert taken(buffer) == [{"dropped": 1}]
