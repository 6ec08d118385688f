"""What the page may know, for the tests of its words: Harbour Hall at one chosen moment."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from support.page_world import CHANNELS, NORMAL, settings

from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.alarm import Alarm, AlarmState
from weirwatch.domain.instant import Micros, from_rfc3339
from weirwatch.domain.reading import Quality
from weirwatch.ports import Newest
from weirwatch.web.page.sight import Fixture, Sight, fixture

NOW: Micros = from_rfc3339("2026-11-25T12:00:00Z")  # 13:00 in Harbour Hall, a Wednesday
MINUTE: Micros = 60_000_000


def hall() -> Fixture:
    failures = load_catalogue().failures
    return fixture(
        settings(Path("nowhere")),
        lambda name: failures[name].card if name in failures else None,
        1.0,
    )


def standing(rule: str, *, ago: Micros = 3 * MINUTE, **more: Any) -> Alarm:
    facts: dict[str, Any] = {
        "state": AlarmState.UNACKNOWLEDGED,
        "raised_at": NOW - ago,
        "value": 0.0,
        **more,
    }
    return Alarm(rule, **facts)


def sight(
    *alarms: Alarm, values: Mapping[str, float] | None = None, age: Micros = 0, **more: Any
) -> Sight:
    """All channels fresh and good, everything answering, and these alarms."""
    newest = {
        channel.id: Newest(NOW - age, {**NORMAL, **(values or {})}[channel.id], Quality.GOOD, "")
        for channel in CHANNELS
    }
    facts: dict[str, Any] = {
        "seen": True,
        "alarms": {alarm.rule: alarm for alarm in alarms},
        "newest": newest,
        "health": {"status": "ok", "problems": []},
        **more,
    }
    return Sight(**facts)
