"""Noise, drop-outs and drift of a probe, each recovered from a record in which it is known."""

import random
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.loop_world import CONFIG, settings_of

from weirwatch.domain.instant import SECOND, Micros, from_rfc3339
from weirwatch.pipeline.probe_report import probe_report_json
from weirwatch.pipeline.probe_signs import by_day, drift, drop_outs, noise
from weirwatch.pipeline.probe_words import probe_facts
from weirwatch.pipeline.water_days import DAY, HOUR
from weirwatch.ports import Archive, Group
from weirwatch.settings import Settings
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

END: Micros = from_rfc3339("2026-05-15T00:00:00Z")
START = END - 10 * DAY
TEXT = """
[[channel]]
id = "harbour-hall/lab-node/a"
quantity = "temperature"
unit = "Cel"
expected_every_s = 600
[[channel]]
id = "harbour-hall/lab-node/b"
quantity = "temperature"
unit = "Cel"
expected_every_s = 600
[[rule]]
id = "twins"
kind = "deviation"
channel = "harbour-hall/lab-node/a"
from = "harbour-hall/lab-node/b"
limit = 2
deadband = 0.2
failure = "probe-drift"
response = "Compare with a third thermometer."
"""
A, B = "harbour-hall/lab-node/a", "harbour-hall/lab-node/b"


@pytest.fixture
def world(tmp_path: Path) -> Iterator[tuple[Archive, Settings]]:
    """`a` drifts by 0.02 K a day from `b`, is silent for a day, and turns noisy at the end."""
    settings = settings_of(CONFIG + TEXT)
    path = tmp_path / FILE_NAME
    journal = SqliteJournal(path)
    numbers = journal.adopt(settings.channels, settings.rules)
    draw, rows = random.Random(2), []
    for at in range(START, END, 600 * SECOND):
        days = (at - START) / DAY
        rough = 0.2 if days > 9 else 0.05
        if not 4 <= days < 5:
            rows.append((at, numbers[A], 25 + 0.02 * days + draw.gauss(0, rough), 0, ""))
        rows.append((at, numbers[B], 25 + draw.gauss(0, 0.01), 0, ""))
    journal.commit(Group(readings=rows, committed_at=END))
    journal.close()
    archive = SqliteArchive(path)
    yield archive, settings
    archive.close()


def test_what_is_wrong_with_a_probe_is_found(world: tuple[Archive, Settings]) -> None:
    archive, settings = world
    report = probe_report_json(archive, settings, "harbour-hall", START, END)
    probe = next(p for p in report["probes"] if p["channel"] == A)
    assert probe["twin_trend"]["per_day"] == pytest.approx(0.02, abs=0.006)
    assert probe["noise"] == pytest.approx(0.2, rel=0.35)
    assert probe["noise_then"] == pytest.approx(0.05, rel=0.35)
    assert probe["received"] == pytest.approx(0.9)
    assert probe["empty_hours"] == 24
    facts = "; ".join(probe_facts(probe))
    assert "drifting +0." in facts
    assert " °C from its twin" in facts
    assert "times what it was" in facts
    assert "90% of the expected readings came; 24 hours without any" in facts
    whole = next(p for p in report["probes"] if p["channel"] == B)
    assert (whole["received"], whole["empty_hours"], whole["twin_differs"]) == (1.0, 0, None)


def test_a_channel_without_readings_says_nothing(world: tuple[Archive, Settings]) -> None:
    archive, settings = world
    ph = next(c for c in settings.channels if c.id == "harbour-hall/sump-node/ph")
    assert noise(archive, ph.id, END) is None
    assert set(drop_outs(archive, ph, START, END).values()) == {None}
    assert noise(archive, A, START) is None


def test_drift_needs_five_points_and_says_no_trend_of_noise() -> None:
    assert drift([]) == {"median": None, "trend": None}
    assert drift([(float(d), 0.1) for d in range(4)])["trend"] is None
    flat = drift([(float(d), 0.1 * (-1) ** d) for d in range(20)])["trend"]
    assert flat["per_day_low"] <= 0.0 <= flat["per_day_high"]
    assert by_day({DAY: 2.0, DAY + HOUR: 4.0}, {DAY: 1.0, DAY + HOUR: 1.0}) == [(1.0, 2.0)]


def test_facts_are_numbers_as_people_write_them() -> None:
    probe = {
        "calibrated_at": "2026-05-01T12:00:00Z", "age_days": 0.2, "verdict": "accept",
        "reasons": [], "slope_percent": None, "days_left": None, "unit": "Cel",
        "tests_differ": -0.1451, "tests": 1, "tests_trend": None,
        "twin_differs": -8.32e-05, "twin_trend": None,
        "noise": 1234.0, "noise_then": None, "received": None, "empty_hours": 1,
    }  # fmt: skip
    assert probe_facts(probe) == [
        "calibrated today, accept",
        "-0.145 °C from 1 test",
        "-0.0001 °C from its twin",
        "noise 1234 °C",
        "1 hour without any",
    ]
    bare = probe_facts({**probe, "unit": ""})
    assert bare[1:4] == ["-0.145 from 1 test", "-0.0001 from its twin", "noise 1234"]
