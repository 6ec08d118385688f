"""Rosters and holidays in the configuration: what they become, and what is refused."""

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from weirwatch.config import check, load
from weirwatch.domain.instant import SECOND
from weirwatch.domain.routing import Holiday
from weirwatch.domain.rule import Between, Priority

TEXT = """
[[system]]
id = "hall"
[[channel]]
id = "hall/sump-node/level"
quantity = "level"
unit = "mm"
[[recipient]]
id = "keeper"
kind = "console"
[[recipient]]
id = "neighbour"
kind = "console"
[[roster]]
id = "nights"
call = ["keeper", "neighbour"]
priorities = ["high", "critical"]
systems = ["hall"]
failures = ["floor-leak"]
between = ["22:00", "07:00"]
repeat_s = 60
[[holiday]]
recipient = "keeper"
stand_in = "neighbour"
from = 2026-07-04
until = 2026-07-18
"""
Write = Callable[[str], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def write(text: str) -> Path:
        path = tmp_path / "weirwatch.toml"
        path.write_text(text)
        return path

    return write


def test_what_they_become(write: Write) -> None:
    settings = load(write(TEXT))
    (roster,) = settings.rosters
    assert roster.call == ("keeper", "neighbour")
    assert roster.priorities == {Priority.HIGH, Priority.CRITICAL}
    assert roster.systems == {"hall"}
    assert roster.failures == {"floor-leak"}
    assert (roster.between, roster.quiet) == (Between(1320, 420), None)
    assert (roster.repeat, roster.next_after) == (60 * SECOND, 900 * SECOND)
    assert settings.holidays == (
        Holiday("keeper", "neighbour", date(2026, 7, 4), date(2026, 7, 18)),
    )


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('call = ["keeper", "nei', 'call = ["keper", "nei', "names a recipient that is not there."),
        ('call = ["keeper", "neighbour"]', "call = []", "has fewer than 1 entries"),
        ('["hall"]', '["hal"]', 'systems = "hal": names a system that is not there. Did you mean'),
        ('["floor-leak"]', '["leak"]', "names a failure that is not there"),
        ('["high", "c', '["hihg", "c', "is none of"),
        ("until = 2026-07-18", "until = 2026-07-01", "lies before from"),
        ("until = 2026-07-18", 'until = "2026-07-18"', "until"),
        ('stand_in = "neighbour"', 'stand_in = "keeper"', "stands in for itself"),
        ("repeat_s = 60", "repeat_s = 60\nrepeat_longest_s = 30", "is less than repeat_s"),
        ('between = ["22:00"', 'between = ["25:00"', "is not a time of day"),
    ],
)
def test_what_is_refused(write: Write, old: str, new: str, told: str) -> None:
    assert old in TEXT
    errors = check(write(TEXT.replace(old, new))).errors
    assert len(errors) == 1, errors
    assert told in errors[0]
    assert str(errors[0]).count("weirwatch.toml: ") == 1
