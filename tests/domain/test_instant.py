"""Times in and out: RFC 3339 with an offset, whole microseconds, nothing rounded on the way."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from weirwatch.domain.instant import from_rfc3339, micros, seconds, to_rfc3339

FIRST = from_rfc3339("0001-01-01T00:00:00Z")
LAST = from_rfc3339("9999-12-31T23:59:59.999999Z")


@pytest.mark.parametrize(
    ("text", "time"),
    [
        # The examples of RFC 3339 section 5.8.
        ("1985-04-12T23:20:50.52Z", 482_196_050_520_000),
        ("1996-12-19T16:39:57-08:00", 851_042_397_000_000),
        ("1937-01-01T12:00:27.87+00:20", -1_041_337_172_130_000),
        ("1970-01-01T00:00:00Z", 0),
        ("1969-12-31T23:59:59.999999Z", -1),
    ],
)
def test_published_examples(text: str, time: int) -> None:
    assert from_rfc3339(text) == time


@settings(deadline=None)
@given(st.integers(min_value=FIRST, max_value=LAST))
def test_what_is_written_is_read_back(time: int) -> None:
    assert from_rfc3339(to_rfc3339(time)) == time


@pytest.mark.parametrize(
    ("time", "text"),
    [
        (0, "1970-01-01T00:00:00Z"),
        (500_000, "1970-01-01T00:00:00.500Z"),
        (1, "1970-01-01T00:00:00.000001Z"),
        (-1000, "1969-12-31T23:59:59.999Z"),
    ],
)
def test_it_is_written_with_as_many_decimals_as_it_needs(time: int, text: str) -> None:
    assert to_rfc3339(time) == text


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2026-05-01T12:00:00", "has no offset: write it with Z"),
        ("2026-05-01", "has no offset"),
        ("noon", "Invalid isoformat"),
    ],
)
def test_what_is_no_time_is_refused(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        from_rfc3339(text)


def test_seconds_become_whole_microseconds_and_back() -> None:
    assert micros(1.0000004) == 1_000_000
    assert micros(0.3) == 300_000
    assert seconds(1_500_000) == 1.5
