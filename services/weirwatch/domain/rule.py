"""What an alarm rule is: its condition, its delays, what it means and how to act."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from zoneinfo import ZoneInfo

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Channel


class Priority(StrEnum):
    """How much harm and how soon (ISA-18.2): from low to critical."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"
    CRITICAL = "critical"

    @property
    def rank(self) -> int:
        """0 for low to 3 for critical."""
        return list(Priority).index(self)


class Side(StrEnum):
    """On which side of its limit a value is abnormal."""

    HIGH = "high"
    LOW = "low"


@dataclass(frozen=True, slots=True)
class Absolute:
    """A value beyond a limit. `limit` and `deadband` in the channel's unit, deadband ≥ 0."""

    side: Side
    limit: float
    deadband: float = 0.0


@dataclass(frozen=True, slots=True)
class SwitchIs:
    """A switch in its abnormal state; kind `absolute` with `is`."""

    value: bool


@dataclass(frozen=True, slots=True)
class Deviation:
    """A value further than `limit` from a set value or from a twin channel's newest good value."""

    limit: float
    deadband: float = 0.0
    set_value: float | None = None
    twin: str | None = None


@dataclass(frozen=True, slots=True)
class RateOfChange:
    """A change per `window` beyond `rise` (> 0) or `fall` (> 0), by robust slope."""

    window: Micros
    rise: float | None = None
    fall: float | None = None
    deadband: float = 0.0


@dataclass(frozen=True, slots=True)
class Discrepancy:
    """An expected state not seen within `within` since all of `while` holds."""

    within: Micros
    expected: bool | None = None
    minimum: float | None = None
    maximum: float | None = None
    deadband: float = 0.0


@dataclass(frozen=True, slots=True)
class BadMeasurement:
    """A probe that is silent, frozen for `frozen`, or outside its valid range; any of them."""

    silent: bool = False
    frozen: Micros | None = None
    outside_valid: bool = False


@dataclass(frozen=True, slots=True)
class Duty:
    """A switch on for longer than `on_for`, or started `starts` times, within `window`."""

    window: Micros
    on_for: Micros | None = None
    starts: int | None = None


@dataclass(frozen=True, slots=True)
class Forecast:
    """A robust trend over `window` that reaches `limit` within `within`."""

    side: Side
    limit: float
    within: Micros
    window: Micros


@dataclass(frozen=True, slots=True)
class BuiltIn:
    """A condition that the service itself observes; kind `system`."""


Condition = (
    Absolute
    | SwitchIs
    | Deviation
    | RateOfChange
    | Discrepancy
    | BadMeasurement
    | Duty
    | Forecast
    | BuiltIn
)


@dataclass(frozen=True, slots=True)
class ChannelIs:
    """Holds while the switch channel's newest good value is `value`."""

    channel: str
    value: bool


@dataclass(frozen=True, slots=True)
class ChannelBeyond:
    """Holds while the channel's newest good value is above (HIGH) or below (LOW) `limit`."""

    channel: str
    side: Side
    limit: float


@dataclass(frozen=True, slots=True)
class AlarmStands:
    """Holds while the other rule's alarm stands (raised and not yet returned)."""

    rule: str


@dataclass(frozen=True, slots=True)
class Between:
    """Holds from `start` (included) to `end` (excluded), minutes after local midnight.

    An end at or before the start means: over midnight.
    """

    start: int
    end: int


While = ChannelIs | ChannelBeyond | AlarmStands | Between


@dataclass(frozen=True, slots=True)
class Rule:
    """One alarm rule; there is one alarm per rule and it has the rule's id.

    Attributes:
        kind: absolute, deviation, rate-of-change, discrepancy, bad-measurement, duty, forecast,
            or system.
        channel: full channel id; None for built-in rules.
        failure: id in the failure catalogue; decides the safety card.
        bold: the failure is one that is never suppressed, digested or silenced, and that fails
            to alarm: see `domain.engine`.
        re_alarm: an acknowledged alarm that still stands goes back to unacknowledged so long
            after the last acknowledgement; 0 = never.
        suppressed_by: ids of the causes; while one stands, and `hold_off` after, this rule's
            alarm is not announced.
        shelve_max: longest time it may be shelved.
        first_out: group whose first alarm is marked as the initiator; None: no group.
    """

    id: str
    title: str
    kind: str
    condition: Condition
    failure: str
    channel: str | None = None
    while_: tuple[While, ...] = ()
    on_delay: Micros = 0
    off_delay: Micros = 0
    latching: bool = False
    re_alarm: Micros = 0
    priority: Priority = Priority.MEDIUM
    response: str = ""
    suppressed_by: tuple[str, ...] = ()
    hold_off: Micros = 0
    shelve_max: Micros = 720 * 60 * SECOND
    first_out: str | None = None
    bold: bool = False


@dataclass(frozen=True, slots=True)
class RuleBook:
    """Everything the engine knows beforehand: rules and channels by id, and the time zone.

    `time_zone` serves `while = [{between = …}]` only; records are UTC.
    """

    rules: Mapping[str, Rule]
    channels: Mapping[str, Channel]
    time_zone: ZoneInfo
