"""The home of the water and probe reports as the OpenAPI document shows them."""

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from weirwatch.web.schemas import Time


class _Out(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Flag(_Out):
    """Something to look at: a rise or fall that the log does not explain, or too much at once."""

    what: str
    from_: Time = Field(alias="from")
    to: Time
    amount: float
    unit: str


class Point(_Out):
    """One hand test."""

    at: Time
    value: float


class Trend(_Out):
    """A robust line: change per day, with the bounds of its 90 % interval."""

    per_day: float
    per_day_low: float
    per_day_high: float


class SwingDay(_Out):
    """Lowest and highest hourly mean of one day, which begins at `from`."""

    from_: Time = Field(alias="from")
    low: float
    high: float


class LevelDay(_Out):
    """Mean of one day, which begins at `from`."""

    from_: Time = Field(alias="from")
    mean: float


class RoomPart(_Out):
    """Which part of the swing of pH the room's carbon dioxide makes."""

    channel: str
    days: int
    share: float = Field(description="Of the usual swing; what life does is the rest.")
    part: float = Field(description="In pH.")
    at_most: float = Field(description="In pH, if the water followed the air at once.")
    lag_h: float
    alkalinity_dkh: float = Field(description="Of the newest hand test.")


class Budget(_Out):
    """What is used up per day, and which way it comes in; null with fewer than three tests."""

    quantity: str
    unit: str
    tests: int
    from_: Time = Field(alias="from")
    to: Time
    consumption: float | None
    standard_error: float | None
    recent: float | None = Field(description="Over the last third of the span.")
    recent_error: float | None
    change: float | None = Field(description="From the first to the last third of the span.")
    change_error: float | None
    reactor: float
    reactor_share: float | None
    dosed: float
    dosed_share: float | None
    water_changes: float
    points: list[Point] = Field(description="The hand tests.")
    doubtful_tests: list[int] = Field(description="Numbers of entries that did not count.")
    flags: list[Flag]


class Swing(_Out):
    """How a channel swings within a day, by its hourly means."""

    channel: str
    title: str
    unit: str
    days: int
    usual: float | None
    greatest: float | None
    lowest: float | None
    highest: float | None
    daily: list[SwingDay]
    trend: Trend | None


class PhSwing(Swing):
    """How a pH probe swings, and the room's part in it; null: it cannot be told."""

    room_co2: RoomPart | None


class DailyLevel(_Out):
    """The usual daily value of a channel, and of each half of the span."""

    channel: str
    title: str
    unit: str
    days: int
    usual: float | None
    first_half: float | None
    second_half: float | None
    last: float | None = Field(description="The newest whole day.")
    of_late: float | None = Field(description="Median of the fourteen days before it.")
    change: float | None = Field(description="The newest day over that median.")
    unusual: bool = Field(description="Twice or half as much.")
    daily: list[LevelDay]
    trend: Trend | None


class Moving(_Out):
    """What moves out of its band: where it stands, how fast, when it reaches the limit."""

    what: str
    unit: str
    value: float
    per_day: float
    per_day_low: float
    per_day_high: float
    limit: float
    at: Time
    earliest: Time
    latest: Time


class WaterReport(_Out):
    """Budgets, swings, evaporation and what moves."""

    system: str
    from_: Time = Field(alias="from")
    to: Time
    budgets: list[Budget]
    ph_swing: list[PhSwing]
    temperature_swing: list[Swing]
    evaporation: list[DailyLevel]
    moving: list[Moving]


class Probe(_Out):
    """How far one probe can be believed."""

    channel: str
    title: str
    unit: str
    calibrated_at: Time | None
    age_days: float | None
    verdict: str | None
    reasons: list[str]
    gain: float | None
    shift: float | None
    slope_percent: float | None
    offset_mv: float | None
    days_left: float | None = Field(description="Until a pH probe's slope is at its limit.")
    every_days: float | None = Field(description="Between two calibrations; null: never due.")
    due: bool
    tests: int
    tests_differ: float | None = Field(description="Probe less hand test, median.")
    tests_trend: Trend | None
    twin_differs: float | None
    twin_trend: Trend | None
    noise: float | None = Field(description="Of one reading, six hours up to the end.")
    noise_then: float | None = Field(description="Six hours from the beginning.")
    received: float | None = Field(description="Part of the expected readings.")
    empty_hours: int | None = Field(description="Hours without any usable reading.")
    seen: float | None = Field(description="Part of the hours with a usable reading.")


class Proof(_Out):
    """The proof test of one sensor: how it is done, when last, when due."""

    channel: str
    title: str
    sensor: str
    steps: list[str]
    within_s: float = Field(description="The reaction must be seen in that time.")
    every_days: float | None = Field(description="Between two proofs; null: never due.")
    last_at: Time | None
    result: Literal["passed", "failed"] | None
    who: str | None
    text: str
    due_at: Time | None
    overdue: bool = Field(description="Never proved, failed, or too long ago.")


class Proofs(_Out):
    """In the order of the configuration file."""

    items: list[Proof]
    next: str | None


class ProbeReport(_Out):
    """The probes of one system, and which calibration or proof is due."""

    system: str
    from_: Time = Field(alias="from")
    to: Time
    probes: list[Probe]
    due: list[str]
    proofs: list[Proof]
    proofs_due: list[str]


class Job(_Out):
    """One recurring job, and when it was done."""

    id: str
    title: str
    every_days: float
    last_done: Time | None
    last_by: str | None
    last_entry: int | None = Field(description="Number of the entry in the log.")
    due_at: Time | None
    days_left: float | None
    state: Literal["never-done", "overdue", "due-soon", "done"]
    where: str
    instructions: str


class CalibrationDue(_Out):
    """One probe that is calibrated now and then."""

    channel: str
    title: str
    every_days: float
    last_at: Time | None
    due_at: Time | None
    due: bool


class Supply(_Out):
    """What is left of something that is used up, and how long it lasts."""

    id: str
    title: str
    unit: str
    size: float | None
    left: float | None
    left_error: float | None = Field(description="One standard deviation.")
    per_day: float | None
    per_day_error: float | None
    based_on: Literal["counts", "doses", "channel", "nothing"]
    as_of: Time | None
    days_left: float | None
    days_at_least: float | None = Field(description="With two standard deviations of both.")
    days_at_most: float | None
    empty_at: Time | None
    lead_days: float
    state: Literal["empty", "order-now", "enough", "not-known"]
    where: str


class UpkeepReport(_Out):
    """Jobs, calibrations and supplies of one system, and how many of them wait."""

    system: str
    time: Time
    jobs: list[Job]
    calibrations: list[CalibrationDue]
    supplies: list[Supply]
    waiting: int
