"""Recorded readings by channel: in order, the first of two stays, doubts come back."""

from collections.abc import Sequence

from hypothesis import given
from hypothesis import strategies as st

from weirwatch.domain.reading import Quality, Reading
from weirwatch.pipeline.tracks import Recalling, tracks_of
from weirwatch.ports import Decoded, WireMessage

A, B = "h/n/a", "h/n/b"


def test_channels_are_told_apart_and_ordered_and_the_first_of_two_stays() -> None:
    tracks = tracks_of(
        [
            Reading(A, 30, 3.0),
            Reading(B, 5, 9.0),
            Reading(A, 10, 1.0),
            Reading(A, 30, 7.0),
            Reading("h/n/derived", 1, 1.0),
        ],
        {A, B},
    )
    assert {channel: list(times) for channel, times in tracks.times.items()} == {
        A: [10, 30],
        B: [5],
    }
    assert list(tracks.values[A]) == [1.0, 3.0]
    assert (tracks.first, tracks.last, tracks.readings) == (5, 30, 3)
    assert tracks.left_out == {"h/n/derived": 1}


@given(st.lists(st.tuples(st.integers(0, 20), st.floats(-9, 9)), max_size=40))
def test_times_rise_and_hold_the_first_value_whatever_the_order(
    rows: list[tuple[int, float]],
) -> None:
    tracks = tracks_of([Reading(A, time, value) for time, value in rows], {A})
    first = dict(reversed(rows))
    times = list(tracks.times.get(A, ()))
    assert times == sorted(first)
    assert list(tracks.values.get(A, ())) == [first[time] for time in times]


def test_a_part_is_moved_and_empty_channels_go() -> None:
    tracks = tracks_of(
        [Reading(A, t, float(t), Quality.BAD if t == 20 else Quality.GOOD) for t in (10, 20, 30)]
        + [Reading(B, 90, 1.0)],
        {A, B},
    )
    part = tracks.part(15, 30, 1000)
    assert {c: list(times) for c, times in part.times.items()} == {A: [1020, 1030]}
    assert list(part.values[A]) == [20.0, 30.0]
    assert part.doubted == {(A, 1020): (Quality.BAD, "as it was recorded")}
    assert tracks.part(40, 50, 0).readings == 0


class Fixed:
    """A decoder that always says the same."""

    trust_clock = True

    def __init__(self, readings: Sequence[Reading]) -> None:
        self._readings = readings

    def decode(self, message: WireMessage, now: int) -> Decoded:
        assert (message.topic, now) == ("t", 7)
        return Decoded(self._readings, None, ())


def test_doubts_come_back_with_their_reading() -> None:
    decoder = Fixed([Reading(A, 20, 1.0), Reading(A, 21, 1.0), Reading(B, 20, 1.0)])
    recalling = Recalling(decoder, {(A, 20): (Quality.UNCERTAIN, "warm-up")})
    recalling.trust_clock = False
    decoded = recalling.decode(WireMessage(1, 0, 1, "t", b"", 0, retained=False), 7)
    assert decoder.trust_clock is False
    assert [(r.quality, r.reason) for r in decoded.readings] == [
        (Quality.UNCERTAIN, "warm-up"),
        (Quality.GOOD, ""),
        (Quality.GOOD, ""),
    ]
