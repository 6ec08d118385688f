"""What an alarm says of itself: one short sentence with value, unit and limit."""

from functools import lru_cache
from math import copysign, log10

from weirwatch.domain.book import Entry
from weirwatch.domain.instant import Micros, seconds
from weirwatch.domain.quantity import converter
from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import (
    Absolute,
    BadMeasurement,
    Deviation,
    Discrepancy,
    Duty,
    Forecast,
    RateOfChange,
    Rule,
    Side,
    SwitchIs,
)
from weirwatch.domain.state import Observed

MEASUREMENT_LOST = "measurement lost"

# Symbols of RFC 8428 and RFC 8798 that people write otherwise; the rest is said as it stands.
_UNIT_WORDS = {
    "Cel": "°C",
    "degF": "°F",
    "pH": "",
    "count": "",
    "/": "",
    "/100": "%",
    "%RH": "% RH",
    "%EL": "%",
    "l": "L",
    "l/s": "L/s",
    "m3": "m³",
    "m3/s": "m³/s",
    "uS/cm": "µS/cm",
}

# Decimals by quantity where the channel states no resolution, and the units that they are for.
_DECIMALS: dict[str, tuple[int, tuple[str, ...]]] = {
    "temperature": (1, ("Cel",)),
    "ph": (2, ()),
    "salinity": (1, ()),
    "conductivity": (1, ("mS/cm",)),
    "oxygen": (1, ("mg/L", "/100")),
    "level": (0, ("mm", "L", "/100")),
    "flow": (0, ("L/h",)),
    "power": (0, ("W",)),
    "co2": (0, ("ppm",)),
    "humidity": (0, ("/100",)),
    "voltage": (1, ("V",)),
}


def sentence(
    entry: Entry, observed: Observed | None, time: Micros, *, lost: bool, measured: str = ""
) -> str:
    """Return what happened, for people.

    Args:
        entry: the rule.
        observed: what is known of its channel.
        time: of the transition.
        lost: adds that the measurement is gone.
        measured: of a rule that looks back: what its window showed.
    """
    text = _sentence(entry, observed, time, measured)
    return f"{text}; {MEASUREMENT_LOST}" if lost else text


def counted(number: int, noun: str, nouns: str = "") -> str:
    """Return a number with its noun: 1 alarm, 2 alarms; `nouns` where an s is not enough."""
    return f"{number} {noun if number == 1 else nouns or noun + 's'}"


def limit_text(rule: Rule, channel: Channel | None) -> str:
    """Return the limit as text with its unit; empty when the kind has none."""
    unit = channel.unit if channel else ""
    match rule.condition:
        case Absolute(_, limit) | Forecast(_, limit):
            return amount(limit, unit)
        case SwitchIs(value):
            return on_off(value, channel)
        case Deviation(limit, _, set_value, twin):
            return f"±{amount(limit, unit)} from {twin or amount(set_value or 0.0, unit)}"
        case Discrepancy(_, expected, minimum, maximum):
            return _expectation(expected, minimum, maximum, channel)
        case RateOfChange(window, rise, fall):
            parts = [("+", rise), ("−", fall)]
            told = "/".join(f"{sign}{amount(v, unit)}" for sign, v in parts if v is not None)
            return f"{told} per {seconds(window):g} s"
        case Duty(window, on_for, starts):
            limits = [] if on_for is None else [f"{seconds(on_for):g} s on"]
            limits += [] if starts is None else [f"{starts} starts"]
            return f"{' or '.join(limits)} in {seconds(window):g} s"
        case _:
            return ""


def amount(value: float, unit: str) -> str:
    """Return a number with its unit as people write it."""
    number = f"{value:.6g}"
    return f"{number} {unit_words(unit)}".rstrip()


def decimals(channel: Channel) -> int:
    """Return how many decimals a channel's values deserve: those of its resolution.

    Without one as many as are usual for the quantity, and more in a larger unit: a level that is
    told in whole millimetres is told in metres with three decimals.
    """
    if channel.resolution:
        digits = 0
        step = channel.resolution
        while digits < 6 and abs(step - round(step)) > 1e-9:
            step *= 10
            digits += 1
        return digits
    return _usual_decimals(channel.quantity, channel.unit)


@lru_cache(maxsize=1024)
def _usual_decimals(quantity: str, unit: str) -> int:
    digits, usual = _DECIMALS.get(quantity, (2, ()))
    for other in usual:
        try:
            scale, _ = converter(unit, other)
        except ValueError:  # it measures something else: no number between them
            continue
        return max(0, digits + int(log10(abs(scale)) + copysign(1e-9, scale - 1.0)))
    return digits


def unit_words(unit: str) -> str:
    """Return a unit's symbol as people write it; empty for pH and counts."""
    return _UNIT_WORDS.get(unit, unit)


def on_off(value: bool, channel: Channel | None) -> str:
    """Return the word for a switch's state: its own, or on and off where nobody knows it."""
    return channel.states[value] if channel is not None else ("on" if value else "off")


def _sentence(entry: Entry, observed: Observed | None, time: Micros, measured: str) -> str:
    rule, channel = entry.rule, entry.channel
    unit = channel.unit if channel else ""
    limit = limit_text(rule, channel)
    value = amount(observed.value, unit) if observed is not None else "never seen"
    match rule.condition:
        case Absolute(side):
            word = "at or above" if side is Side.HIGH else "at or below"
            return f"{value}, {word} {limit}"
        case SwitchIs(state):
            return f"{channel.label if channel else rule.title} is {on_off(state, channel)}"
        case Deviation():
            return f"{value}, beyond {limit}"
        case Discrepancy(within):
            if channel is not None and channel.is_switch and observed is not None:
                value = on_off(observed.value != 0.0, channel)
            return f"{value}, expected {limit} within {seconds(within):g} s"
        case RateOfChange() | Duty() | Forecast():
            told = [] if isinstance(rule.condition, Duty) else [value]
            return ", ".join([*told, *filter(None, [measured]), f"limit {limit}"])
        case BadMeasurement():
            return _bad(entry, observed, time)
        case _:
            return f"{value}, limit {limit}" if limit else rule.title


def _bad(entry: Entry, observed: Observed | None, time: Micros) -> str:
    if observed is None:
        return "no reading yet"
    if observed.reason:
        unit = entry.channel.unit if entry.channel else ""
        return f"{amount(observed.value, unit)}: {observed.reason}"
    quiet = time - observed.heard_at
    if entry.silent_after is not None and quiet >= entry.silent_after:
        return f"no reading for {seconds(quiet):.0f} s"
    unit = entry.channel.unit if entry.channel else ""
    return (
        f"{amount(observed.value, unit)} unchanged for {seconds(time - observed.changed_at):.0f} s"
    )


def _expectation(
    expected: bool | None, minimum: float | None, maximum: float | None, channel: Channel | None
) -> str:
    if expected is not None:
        return on_off(expected, channel)
    unit = channel.unit if channel else ""
    if minimum is not None and maximum is not None:
        return f"{amount(minimum, unit)} to {amount(maximum, unit)}"
    if minimum is not None:
        return f"at least {amount(minimum, unit)}"
    return f"at most {amount(maximum or 0.0, unit)}"
