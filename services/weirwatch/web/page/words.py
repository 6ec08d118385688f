"""Home of the page's wording: how values, units, limits, times and states are said to people."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from weirwatch.domain.alarm import Alarm, AlarmState, ServiceState
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import Priority
from weirwatch.domain.wording import decimals as decimals
from weirwatch.domain.wording import unit_words as unit_words

MINUTE: Micros = 60 * SECOND
HOUR: Micros = 60 * MINUTE
DAY: Micros = 24 * HOUR
FRESH: Micros = 15 * SECOND  # younger is "just now"
JUST_NOW = "just now"
_EPOCH = datetime.fromisoformat("1970-01-01T00:00:00+00:00")
_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


# --- values ----------------------------------------------------------------------------------


def number_words(value: float, places: int) -> str:
    """Return a number with so many decimals and a true minus sign; five digits on set apart.

    A single digit is not: SI Brochure (2019), 5.4.4, and alike in the sentences around it.
    """
    text = f"{value:.{places}f}"
    if len(text.partition(".")[0].lstrip("-")) > 4:
        text = f"{value:,.{places}f}".replace(",", "\N{NARROW NO-BREAK SPACE}")
    if text.strip("-0.") == "":
        text = text.lstrip("-")
    return text.replace("-", "\N{MINUS SIGN}")


def label_within(channel: Channel, names: Iterable[str]) -> str:
    """Return a channel's label without the name of the place it is shown under."""
    for name in names:
        if name and channel.label.lower().startswith(f"{name.lower()} "):
            rest = channel.label[len(name) + 1 :]
            return rest[:1].upper() + rest[1:]
    return channel.label


def value_words(channel: Channel, value: float | None) -> str:
    """Return a value with its unit; the state's word for a switch; an en dash for none."""
    if value is None:
        return "–"
    if channel.is_switch:
        return channel.states[value >= 0.5]
    symbol = unit_words(channel.unit)
    number = number_words(value, decimals(channel))
    return f"{number}\N{NO-BREAK SPACE}{symbol}" if symbol else number


# --- times -----------------------------------------------------------------------------------


def local(time: Micros, zone: ZoneInfo) -> datetime:
    """Return a time on the keeper's clock."""
    return (_EPOCH + timedelta(microseconds=time)).astimezone(zone)


def clock_words(time: Micros, zone: ZoneInfo) -> str:
    """Return hours, minutes and seconds on the keeper's clock."""
    return local(time, zone).strftime("%H:%M:%S")


def moment_words(time: Micros, now: Micros, zone: ZoneInfo) -> str:
    """Return when something was: the shorter the nearer, on the keeper's clock."""
    then, today = local(time, zone), local(now, zone)
    at = then.strftime("%H:%M")
    if then.date() == today.date():
        return at
    if then.date() == today.date() - timedelta(days=1):
        return f"yesterday {at}"
    day = f"{_WEEKDAYS[then.weekday()]} {then.day} {_MONTHS[then.month - 1]}"
    if then.year != today.year:
        day = f"{day} {then.year}"
    return f"{day} {at}"


def span_words(span: Micros) -> str:
    """Return a span in its two largest units."""
    span = max(0, span)
    if span < MINUTE:
        return f"{span // SECOND} s"
    if span < HOUR:
        return f"{span // MINUTE} min"
    if span < DAY:
        return _two(span // HOUR, "h", span % HOUR // MINUTE, "min")
    days = span // DAY
    return _two(days, "day" if days == 1 else "days", span % DAY // HOUR, "h")


def _two(large: int, large_unit: str, small: int, small_unit: str) -> str:
    return f"{large} {large_unit} {small} {small_unit}" if small else f"{large} {large_unit}"


def age_words(age: Micros) -> str:
    """Return how old a value is, in steps: a page that is quiet does not count seconds."""
    if age < FRESH:
        return JUST_NOW
    if age < MINUTE:
        return f"{age // (15 * SECOND) * 15} s ago"
    return f"{span_words(age)} ago"


def since_words(time: Micros, now: Micros, zone: ZoneInfo) -> str:
    """Return since when, on the keeper's clock and as a span."""
    return f"since {moment_words(time, now, zone)} ({age_words(now - time)})"


# --- alarms ----------------------------------------------------------------------------------


def priority_words(priority: Priority) -> str:
    """Return the priority as the first word of an alarm."""
    return priority.value.capitalize()


def state_words(alarm: Alarm, now: Micros, zone: ZoneInfo) -> str:
    """Return where the alarm stands, and by whose hand."""
    match alarm.state:
        case AlarmState.NORMAL:
            return "Normal"
        case AlarmState.UNACKNOWLEDGED:
            return "Stands, not acknowledged"
        case AlarmState.ACKNOWLEDGED:
            return "Stands, acknowledged" + _by_words(alarm, now, zone)
        case AlarmState.RETURNED_UNACKNOWLEDGED:
            return "Back to normal, not acknowledged"
        case AlarmState.LATCHED_UNACKNOWLEDGED:
            return "Condition gone, held for you, not acknowledged"
        case AlarmState.LATCHED_ACKNOWLEDGED:
            return "Condition gone, acknowledged, waits for a reset"


def _by_words(alarm: Alarm, now: Micros, zone: ZoneInfo) -> str:
    by = f" by {alarm.acknowledged_by}" if alarm.acknowledged_by else ""
    if alarm.acknowledged_at is None:
        return by
    return f"{by} at {moment_words(alarm.acknowledged_at, now, zone)}"


def stood_words(alarm: Alarm, now: Micros, zone: ZoneInfo) -> str:
    """Return since when an alarm stands, or from when to when it stood; empty for a normal one."""
    if alarm.raised_at is None or alarm.state is AlarmState.NORMAL:
        return ""
    if alarm.stands or alarm.returned_at is None:
        return since_words(alarm.raised_at, now, zone)
    begin, end = (moment_words(at, now, zone) for at in (alarm.raised_at, alarm.returned_at))
    return f"from {begin} to {end} ({age_words(now - alarm.returned_at)})"


def service_words(alarm: Alarm, now: Micros, zone: ZoneInfo) -> str:
    """Return why an alarm is set aside and until when; empty when it is in service."""
    match alarm.service_state:
        case ServiceState.IN_SERVICE:
            return ""
        case ServiceState.SHELVED:
            if alarm.shelved_until is None:
                return "Shelved until it returns"
            return f"Shelved until {moment_words(alarm.shelved_until, now, zone)}"
        case ServiceState.SUPPRESSED_BY_DESIGN:
            return "Suppressed by design: its cause is announced instead"
        case ServiceState.OUT_OF_SERVICE:
            if alarm.out_until is None:
                return "Out of service, no end set"
            return f"Out of service until {moment_words(alarm.out_until, now, zone)}"


def check_in_words(alarm: Alarm, now: Micros, zone: ZoneInfo) -> str:
    """Return who is on the way and when they will report; empty when nobody is."""
    if alarm.check_in_at is None:
        return ""
    at = moment_words(alarm.check_in_at, now, zone)
    who = alarm.acknowledged_by or "Somebody"
    if alarm.check_in_at < now:
        return f"{who} was to report by {at} and has not"
    return f"{who} is on the way, to report by {at}"
