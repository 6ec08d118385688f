from collections.abc import Sequence

import pytest

from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Quality, Reading
from weirwatch.pipeline.paging import all_readings


class Twice:
    """A record that is told every third time twice, and counts that among what it was asked for."""

    def __init__(self, count: int) -> None:
        self.told = [Reading("a/b/c", time, 1.0, Quality.GOOD) for time in range(count)]

    def readings(
        self, channel: str, start: Micros, end: Micros, after: Micros | None, limit: int
    ) -> Sequence[Reading]:
        assert channel == "a/b/c"
        low = start if after is None else max(start, after + 1)
        with_doubles = [
            r for r in self.told if low <= r.time < end for _ in range(1 + (r.time % 3 == 0))
        ]
        return list(dict.fromkeys(with_doubles[:limit]))


@pytest.mark.parametrize("page", [2, 3, 7, 40, 1000])
def test_each_reading_comes_once_though_pages_are_short(page: int) -> None:
    record = Twice(50)
    assert list(all_readings(record, "a/b/c", 5, 45, page)) == record.told[5:45]


def test_where_there_is_none_nothing_comes() -> None:
    assert list(all_readings(Twice(50), "a/b/c", 60, 90, 10)) == []
