"""`report water` and `report probes`, out of a real file with a known plant in it."""

import math
import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from support.invented_log import START, UPTAKE, invented
from support.loop_world import CONFIG, settings_of

from weirwatch.config import load
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND, Micros, from_rfc3339
from weirwatch.domain.keeper_log import LogEntry
from weirwatch.pipeline.probe_report import probe_report_json
from weirwatch.pipeline.water_budget import DAY
from weirwatch.pipeline.water_report import system_of, water_report_json
from weirwatch.ports import Archive, Group
from weirwatch.settings import Settings
from weirwatch.store.log_book import LogBook
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

END: Micros = from_rfc3339("2026-05-15T00:00:00Z")
DAYS = 14
TEXT = """
[[channel]]
id = "harbour-hall/lab-node/ph"
quantity = "ph"
unit = "pH"
expected_every_s = 600
[[channel]]
id = "harbour-hall/lab-node/temp"
quantity = "temperature"
unit = "Cel"
expected_every_s = 600
[[channel]]
id = "harbour-hall/lab-node/cond"
quantity = "salinity"
unit = "psu"
expected_every_s = 600
[[rule]]
id = "too-warm"
kind = "absolute"
channel = "harbour-hall/lab-node/temp"
high = 27
deadband = 0.2
failure = "temperature-extreme"
response = "Shade the room."
"""
PH, TEMP, SALINITY = (f"harbour-hall/lab-node/{name}" for name in ("ph", "temp", "cond"))


def test(day: float, subject: str, value: float) -> LogEntry:
    time = END - round(day * DAY)
    return LogEntry(time, time, "test", "harbour-hall", subject, value, "")


test.__test__ = False  # type: ignore[attr-defined]


@pytest.fixture
def file(tmp_path: Path) -> Iterator[tuple[Archive, Settings, LogBook]]:
    settings = settings_of(CONFIG + TEXT)
    path = tmp_path / FILE_NAME
    journal = SqliteJournal(path)
    numbers = journal.adopt(settings.channels, settings.rules)
    draw = random.Random(3)
    rows: list[tuple[Micros, int, float, int, str]] = []
    for step in range(DAYS * 144):
        time = END - DAYS * DAY + step * 600 * SECOND
        day = step / 144
        swing = math.sin(2 * math.pi * day)
        ph = 8.1 + 0.15 * swing + draw.gauss(0, 0.01)
        rows.append((time, numbers[PH], ph, 0, ""))
        # 25.3 °C at first and 0.05 K warmer each day, with 0.4 K between day and night
        rows.append((time, numbers[TEMP], 25.3 + 0.05 * day + 0.2 * swing, 0, ""))
        if not 5 <= day < 7:  # two days unseen
            rows.append((time, numbers[SALINITY], 35.4, 0, ""))
    journal.commit(Group(readings=rows, committed_at=END))
    journal.close()
    book, archive = LogBook(path), SqliteArchive(path)
    yield archive, settings, book
    book.close()
    archive.close()


def test_swings_and_what_moves(file: tuple[Archive, Settings, LogBook]) -> None:
    archive, settings, book = file
    book.add([test(day, "nitrate", 30 - 1.5 * day) for day in (13, 10, 8, 5, 3, 1)])
    report = water_report_json(archive, settings, "harbour-hall", END - DAYS * DAY, END)
    (ph,) = [swing for swing in report["ph_swing"] if swing["channel"] == PH]
    assert ph["days"] >= DAYS - 1
    assert ph["usual"] == pytest.approx(0.30, abs=0.03)
    (temp,) = [swing for swing in report["temperature_swing"] if swing["channel"] == TEMP]
    assert temp["usual"] == pytest.approx(0.42, abs=0.05)
    moving = {item["what"]: item for item in report["moving"]}
    warm = moving[TEMP]
    assert warm["per_day"] == pytest.approx(0.05, abs=0.003)
    # 25.3 + 0.05 x 14 = 26.0 now; a kelvin to go at 0.05 a day: 20 days.
    at = from_rfc3339(warm["at"])
    assert END + 18 * DAY < at < END + 22 * DAY
    assert from_rfc3339(warm["earliest"]) <= at <= from_rfc3339(warm["latest"])
    nitrate = moving["nitrate (hand tests)"]
    assert nitrate["limit"] == 20
    assert nitrate["at"] == nitrate["earliest"], "it is outside already"
    assert PH not in moving


def test_the_whole_report_on_the_invented_120_days(tmp_path: Path) -> None:
    demo = load(Path(__file__).parents[2] / "deploy" / "harbour-hall.toml")
    path = tmp_path / FILE_NAME
    SqliteJournal(path).close()
    book, archive = LogBook(path), SqliteArchive(path)
    try:
        entries = [
            replace(e, system="harbour-hall", number=0) for e in invented(hidden=(61.2, 2.5))
        ]
        wrong = replace(entries[40], kind="note", text="never happened")
        stored = book.add([*entries, wrong])
        book.add([replace(wrong, replaces=stored[-1].number)])  # corrected: counts for nothing
        start = round(START * DAY)
        report = water_report_json(archive, demo, "harbour-hall", start, start + 120 * DAY)
    finally:
        book.close()
        archive.close()
    alkalinity, calcium, magnesium = report["budgets"]
    assert alkalinity["consumption"] == pytest.approx(UPTAKE, rel=0.05)
    assert alkalinity["recent"] == pytest.approx(UPTAKE, rel=0.15)
    assert alkalinity["reactor_share"] + alkalinity["dosed_share"] == pytest.approx(1.0, abs=0.07)
    assert calcium["consumption"] == pytest.approx(UPTAKE * 7.147, rel=0.05)  # mg per dKH, row 4.33
    assert magnesium["consumption"] is None
    (flag,) = alkalinity["flags"]
    overdose = round((START + 61.2) * DAY)
    assert flag["what"] == "unexplained-rise"
    assert from_rfc3339(flag["from"]) <= overdose <= from_rfc3339(flag["to"])


def test_probes(file: tuple[Archive, Settings, LogBook]) -> None:
    archive, settings, book = file
    old = {"gain": 1.04, "shift": -0.3, "verdict": "accept", "reasons": [], "start": 0}
    detail = {**old, "slope_percent": 96.0, "offset_mv": -4.0}
    time = END - 40 * DAY
    calibration = LogEntry(
        time, time, "calibration", "harbour-hall", channel=PH, unit="pH", detail=detail
    )
    book.add([calibration, test(2, "salinity", 35.0), test(1.5, "salinity", 35.1)])
    report = probe_report_json(archive, settings, "harbour-hall", END - DAYS * DAY, END)
    probes = {probe["channel"]: probe for probe in report["probes"]}
    ph = probes[PH]
    assert ph["age_days"] == pytest.approx(40)
    assert ph["verdict"] == "warn"
    assert "40 days old" in ph["reasons"][0]
    assert ph["due"]
    assert PH in report["due"]
    salinity = probes[SALINITY]
    assert salinity["tests"] == 2
    assert salinity["tests_differ"] == pytest.approx(0.35, abs=1e-6)
    assert salinity["seen"] == pytest.approx(12 / 14, abs=0.01)
    assert probes[TEMP]["seen"] == pytest.approx(1.0)


def test_which_system_is_meant() -> None:
    settings = settings_of()
    assert system_of(settings, "") == "harbour-hall"
    with pytest.raises(ConfigError, match="is none of"):
        system_of(settings, "elsewhere")
