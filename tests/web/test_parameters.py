"""What may stand in an address: times by RFC 3339, nothing looser."""

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from weirwatch.domain.instant import SECOND, from_rfc3339
from weirwatch.web.parameters import EARLIEST, LATEST, Range, parse_time, tidy

OFFSETS = st.integers(-23 * 60 - 59, 23 * 60 + 59).map(lambda m: timezone(timedelta(minutes=m)))


FIRST, LAST = datetime(2, 1, 1), datetime(9998, 1, 1)  # noqa: DTZ001 - hypothesis wants them so


@given(st.datetimes(timezones=OFFSETS, min_value=FIRST, max_value=LAST))
def test_it_reads_what_the_standard_library_writes(moment: datetime) -> None:
    since = moment - datetime(1970, 1, 1, tzinfo=UTC)
    assert parse_time(moment.isoformat()) == since // timedelta(microseconds=1)


@pytest.mark.parametrize(
    ("text", "same"),
    [
        # Examples of RFC 3339, 5.8; the second is a leap second.
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520Z"),
        ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00Z"),
        ("1990-12-31T15:59:60-08:00", "1991-01-01T00:00:00Z"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870Z"),
        ("2026-05-01 12:00:00z", "2026-05-01T12:00:00Z"),
        ("2026-05-01t12:00:00.1234567890z", "2026-05-01T12:00:00.123456Z"),
    ],
)
def test_examples_of_the_standard(text: str, same: str) -> None:
    assert parse_time(text) == from_rfc3339(same)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "now",
        "2026-05-01",
        "20260501T120000Z",
        "2026-W18-5T12:00:00Z",
        "2026-05-01T12:00Z",
        "2026-05-01T12:00:00",
        "2026-05-01T12:00:00+02",
        "2026-05-01T12:00:00,5Z",
        "2026-02-30T12:00:00Z",
        "2026-05-01T24:00:00Z",
        "2026-05-01T12:00:61Z",
        "2026-05-01T12:00:00+24:00",
        "２０２６-05-01T12:00:00Z",
        "2026-05-01T12:00:00Z\n",
        None,
        1777636800,
    ],
)
def test_anything_else_is_refused(text: object) -> None:
    with pytest.raises(ValueError):
        parse_time(text)


def test_a_range_is_a_day_up_to_now_where_nothing_is_said() -> None:
    now = from_rfc3339("2026-05-01T12:00:00Z")
    assert Range().span(now) == (now - 86_400 * SECOND, now)
    assert Range.model_validate({"to": "0001-01-01T05:00:00Z"}).span(now)[0] == EARLIEST
    assert parse_time("9999-12-31T23:59:59-23:59") == LATEST


def test_text_is_tidied() -> None:
    assert tidy("a\x00b\x1b[31m\u202e ü\n\tß 🐠") == "a b [31m  ü\n\tß 🐠"
