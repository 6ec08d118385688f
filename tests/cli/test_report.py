"""`weirwatch report alarms` over a file with events."""

from collections.abc import Callable
from typing import Any

import pytest
from support.cli_types import Call, Place
from typer.testing import Result

from weirwatch.config import load
from weirwatch.domain.alarm import Event
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND, from_rfc3339
from weirwatch.ports import Group
from weirwatch.store.sqlite_journal import open_journal

T0 = from_rfc3339("2026-05-01T12:00:00Z")
MAY = ("--from", "2026-05-01T00:00:00Z", "--to", "2026-05-02T00:00:00Z")


@pytest.fixture
def loud(recorded: Place) -> Place:
    """Three annunciations of one rule within 40 s."""
    settings = load(recorded.config)
    journal, _ = open_journal(recorded.data, "20260501T130000Z")
    journal.adopt(settings.channels, settings.rules)
    events = [
        (
            n + 1,
            Event(
                T0 + n * 20 * SECOND,
                "raised",
                "sump-high",
                from_state="normal",
                to_state="unacknowledged",
                annunciated=True,
            ),
        )
        for n in range(3)
    ]
    journal.commit(Group(events=events, committed_at=T0 + 3600 * SECOND))
    journal.close()
    return recorded


def test_the_report_names_what_chatters(
    loud: Place, call: Call, parsed: Callable[[Result], Any]
) -> None:
    report = parsed(call("report", "alarms", *MAY, "--config", loud.config, "--json"))
    assert (report["days"], report["annunciations"]) == (1.0, 3)
    assert report["chattering"] == [
        {
            "rule": "sump-high",
            "title": "Sump above its drain-back",
            "bursts": 1,
            "most_in_a_minute": 3,
        }
    ]


def test_the_table_has_targets_and_says_what_is_missed(loud: Place, call: Call) -> None:
    shown = call("report", "--config", loud.config, "alarms", *MAY).output
    assert "3 annunciations" in shown
    assert "Less than 30 days" in shown
    line = next(line for line in shown.splitlines() if "Rules that chatter" in line)
    assert line.split()[-3:] == ["1", "0", "missed"]
    assert "from memory" in shown


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--from", "yesterday"), "--from yesterday: is not a time"),
        (("--to", "2026-05-01T00:00:00Z", "--from", "2026-05-02T00:00:00Z"), "is not before"),
    ],
)
def test_a_wrong_range_is_told(
    loud: Place, call: Call, options: tuple[str, ...], told: str
) -> None:
    result = call("report", "alarms", *options, "--config", loud.config)
    assert isinstance(result.exception, ConfigError)
    assert told in str(result.exception)
