"""Times and spans as people read them."""

from zoneinfo import ZoneInfo

import pytest

from weirwatch.domain.instant import SECOND, from_rfc3339
from weirwatch.pipeline.local_time import duration, local_time


@pytest.mark.parametrize(
    ("utc", "shown"),
    [
        # IANA tz database: Europe/Oslo is CET (+1), CEST (+2) from 2026-03-29T01:00Z on.
        ("2026-03-29T00:59:59.999999Z", "2026-03-29 01:59:59 CET"),
        ("2026-03-29T01:00:00Z", "2026-03-29 03:00:00 CEST"),
        ("2026-10-25T00:30:00Z", "2026-10-25 02:30:00 CEST"),
        ("2026-10-25T01:30:00Z", "2026-10-25 02:30:00 CET"),
        ("1969-12-31T23:00:00Z", "1970-01-01 00:00:00 CET"),
    ],
)
def test_local_time_names_its_zone(utc: str, shown: str) -> None:
    assert local_time(from_rfc3339(utc), ZoneInfo("Europe/Oslo")) == shown


@pytest.mark.parametrize(
    ("seconds", "shown"),
    [
        (-5, "0 s"),
        (0, "0 s"),
        (0.999999, "0 s"),
        (8, "8 s"),
        (59.9, "59 s"),
        (60, "1 min"),
        (320, "5 min 20 s"),
        (3600, "1 h"),
        (3605, "1 h 5 s"),
        (5400, "1 h 30 min"),
        (86_400, "1 d"),
        (3 * 86_400 + 4 * 3600 + 59 * 60, "3 d 4 h"),
    ],
)
def test_a_span_in_its_two_largest_units(seconds: float, shown: str) -> None:
    assert duration(round(seconds * SECOND)) == shown
