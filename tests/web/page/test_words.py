from zoneinfo import ZoneInfo

import pytest
from support.page_sight import MINUTE, NOW, standing

from weirwatch.domain.alarm import Alarm, AlarmState, ServiceState
from weirwatch.domain.instant import SECOND, Micros, from_rfc3339
from weirwatch.domain.reading import Channel
from weirwatch.web.page import words

OSLO = ZoneInfo("Europe/Oslo")
NBSP, THIN, MINUS = "\N{NO-BREAK SPACE}", "\N{NARROW NO-BREAK SPACE}", "\N{MINUS SIGN}"


@pytest.mark.parametrize(
    ("quantity", "unit", "resolution", "value", "said"),
    [
        ("temperature", "Cel", 0.01, 25.5, f"25.50{NBSP}°C"),
        ("temperature", "Cel", None, -0.04, f"0.0{NBSP}°C"),
        ("temperature", "Cel", None, -3.25, f"{MINUS}3.2{NBSP}°C"),
        ("flow", "L/h", 10, 6000.0, f"6000{NBSP}L/h"),
        ("flow", "L/h", 10, -12000.0, f"{MINUS}12{THIN}000{NBSP}L/h"),
        ("flow", "L/h", 0.5, 60.0, f"60.0{NBSP}L/h"),
        ("ph", "pH", 0.01, 8.1, "8.10"),
        ("switch", "", None, 1.0, "on"),
        ("switch", "", None, 0.0, "off"),
        ("level", "mm", 1, None, "–"),
    ],
)
def test_value(
    quantity: str, unit: str, resolution: float | None, value: float | None, said: str
) -> None:
    channel = Channel("a/b/c", quantity, unit, resolution=resolution)
    assert words.value_words(channel, value) == said


def test_a_switch_may_have_words_of_its_own() -> None:
    channel = Channel("a/b/c", "switch", states=("wet", "dry"))
    assert [words.value_words(channel, value) for value in (0.0, 1.0, None)] == ["wet", "dry", "–"]


@pytest.mark.parametrize(
    ("age_s", "said"),
    [
        (-30, "just now"),
        (14, "just now"),
        (15, "15 s ago"),
        (59, "45 s ago"),
        (60, "1 min ago"),
        (3599, "59 min ago"),
        (7200, "2 h ago"),
        (7260, "2 h 1 min ago"),
        (86400, "1 day ago"),
        (2 * 86400 + 3 * 3600, "2 days 3 h ago"),
    ],
)
def test_age_goes_in_steps(age_s: int, said: str) -> None:
    assert words.age_words(age_s * SECOND) == said


@pytest.mark.parametrize(
    ("time", "said"),
    [
        ("2026-11-25T11:02:00Z", "12:02"),  # Oslo is an hour ahead of UTC in winter
        ("2026-11-24T22:59:00Z", "yesterday 23:59"),
        ("2026-11-24T23:01:00Z", "00:01"),  # today already, on the keeper's clock
        ("2026-11-20T08:00:00Z", "Fri 20 Nov 09:00"),
        ("2025-07-01T08:00:00Z", "Tue 1 Jul 2025 10:00"),  # summer time then
    ],
)
def test_moment_is_on_the_keepers_clock(time: str, said: str) -> None:
    assert words.moment_words(from_rfc3339(time), NOW, OSLO) == said


def test_since_says_when_and_how_long() -> None:
    assert words.since_words(NOW - 12 * MINUTE, NOW, OSLO) == "since 12:48 (12 min ago)"


def test_every_state_has_words_of_its_own() -> None:
    said = {words.state_words(Alarm("r", state), NOW, OSLO) for state in AlarmState}
    assert len(said) == len(AlarmState)


def test_acknowledged_says_by_whom_and_when() -> None:
    alarm = standing(
        "r", state=AlarmState.ACKNOWLEDGED, acknowledged_at=NOW - MINUTE, acknowledged_by="Kari"
    )
    assert words.state_words(alarm, NOW, OSLO) == "Stands, acknowledged by Kari at 12:59"


@pytest.mark.parametrize(
    ("alarm", "said"),
    [
        (Alarm("r"), ""),
        (Alarm("r", service_state=ServiceState.SHELVED), "Shelved until it returns"),
        (
            Alarm("r", service_state=ServiceState.SHELVED, shelved_until=NOW + 60 * MINUTE),
            "Shelved until 14:00",
        ),
        (Alarm("r", service_state=ServiceState.OUT_OF_SERVICE), "Out of service, no end set"),
    ],
)
def test_set_aside_says_until_when(alarm: Alarm, said: str) -> None:
    assert words.service_words(alarm, NOW, OSLO) == said


@pytest.mark.parametrize(
    ("at", "said"),
    [
        (NOW + 20 * MINUTE, "Kari is on the way, to report by 13:20"),
        (NOW - 5 * MINUTE, "Kari was to report by 12:55 and has not"),
    ],
)
def test_on_the_way(at: Micros, said: str) -> None:
    alarm = standing("r", check_in_at=at, acknowledged_by="Kari")
    assert words.check_in_words(alarm, NOW, OSLO) == said
