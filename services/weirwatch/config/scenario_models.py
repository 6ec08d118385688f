"""What may stand in a scenario file of a drill: `[scenario]` and its `[[entry]]`s."""

import re
from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from weirwatch.config.problems import fault
from weirwatch.config.values import AnyText, ClockTime, FilePath, Section, Title

_UNITS_S = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}
_PART = r"\d{1,9}(?:\.\d{1,6})?\s*(?:s|min|h|d)"
_TIME_TEXT = re.compile(rf"{_PART}(?:\s+{_PART})*")
_ONE = re.compile(r"(\d+(?:\.\d+)?)\s*(s|min|h|d)")
_LONGEST_S = 366 * 86_400.0


def seconds_of(value: object) -> float:
    """Return the seconds of a number, or of a text such as `"1 h 30 min"`."""
    seconds = -1.0
    if isinstance(value, int | float) and not isinstance(value, bool):
        seconds = float(value)
    elif isinstance(value, str) and _TIME_TEXT.fullmatch(value.strip()):
        seconds = sum(float(n) * _UNITS_S[unit] for n, unit in _ONE.findall(value))
    if not 0.0 <= seconds <= _LONGEST_S:
        raise fault(
            "is no time", 'Write seconds, or a text with s, min, h and d, such as "1 h 30 min"'
        )
    return seconds


def _some_time(value: object) -> float:
    seconds = seconds_of(value)
    if seconds <= 0.0:
        raise fault("must be more than 0", 'Write for example "30 min"')
    return seconds


def _day(value: object) -> date:
    if isinstance(value, datetime) or not isinstance(value, date):
        raise fault("is no date", "Write year, month and day without quotes, as 2026-07-15")
    return value


def _known_year(value: date) -> date:
    if not 2000 <= value.year <= 2100:
        raise fault("is outside the years 2000 to 2100", "Write a year between them")
    return value


def _moment(value: object) -> datetime:
    if not isinstance(value, datetime):
        raise fault("is no time", "Write date and time without quotes, as 2026-10-01T00:00:00Z")
    return value


At = Annotated[float, BeforeValidator(seconds_of)]
Lasting = Annotated[float, BeforeValidator(_some_time)]
Day = Annotated[date, BeforeValidator(lambda value: _known_year(_day(value)))]
Moment = Annotated[datetime, BeforeValidator(_moment)]
Share = Annotated[float, Field(ge=0, le=1)]
Expectation = Literal["told", "quiet", "either"]


class ScenarioConfig(Section):
    """`[scenario]`."""

    title: Title = Field("", examples=["A summer night with a tired pump"])
    seed: Annotated[int, Field(ge=0, le=2_147_483_647)] = Field(1, examples=[1])
    season: Literal["winter", "spring", "summer", "autumn"] | None = Field(
        None, examples=["summer"]
    )
    date: Day | None = Field(None, examples=["2026-07-15"])
    time_of_day: ClockTime = Field("20:00", examples=["20:00"])
    room_degc: Annotated[float, Field(ge=-20, le=60)] | None = Field(None, examples=[22])
    lasts: Lasting = Field(examples=["12 h"])
    every_s: Annotated[float, Field(ge=1, le=600)] | None = Field(None, examples=[60])
    readings: FilePath | None = Field(None, examples=["october.csv"])
    readings_from: Moment | None = Field(None, examples=["2026-10-01T00:00:00Z"])
    others: Literal["simulated", "absent"] = Field("simulated", examples=["simulated"])


class EntryConfig(Section):
    """`[[entry]]`: a fault that begins, or an act of ordinary life."""

    at: At = Field(examples=["1 h 30 min"])
    fault: AnyText | None = Field(None, examples=["return-pump-stopped"])
    act: AnyText | None = Field(None, examples=["feeding"])
    target: AnyText | None = Field(None, examples=["north"])
    severity: Share | None = Field(None, examples=[0.6])
    onset: Lasting | None = Field(None, examples=["2 h"])
    repaired_after: Lasting | None = Field(None, examples=["30 min"])
    expect: Expectation | None = Field(None, examples=["told"])
    told_by: list[AnyText] = Field(default_factory=list, examples=[["sump-high"]])
