"""Home of what the forms of the log page ask for, and of the requests that they become, purely."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from weirwatch.pipeline.log_entries import BUDGET, LIME_WATER, SUBSTANCES
from weirwatch.pipeline.log_units import MEASURES, units_of

Fields = Mapping[str, Any]
Options = Sequence[tuple[str, str]]  # (value that is sent, what people read)

TITLES: Mapping[str, str] = {
    "test": "Hand test",
    "dose": "Dose",
    "water-change": "Water change",
    "reactor": "Reactor",
    "maintenance": "Maintenance",
    "supply": "Supply counted or filled",
    "calibration": "Calibration",
    "note": "Note",
}
_SHORT = {"ph": "pH", "uv": "UV", "rcd": "RCD", "gfci": "GFCI", "co2": "CO2"}
FRESH = BUDGET
POINTS = 3
_MASS, _VOLUME = ("g", "kg"), ("L", "mL")


@dataclass(frozen=True, slots=True)
class Ask:
    """One input of a form.

    Attributes:
        name: key it is sent under.
        kind: number, text, choice, check or time.
        options: of a choice.
        needed: the form is not sent without it.
    """

    name: str
    label: str
    kind: str = "number"
    options: Options = ()
    needed: bool = False


def readable(word: str) -> str:
    """Return an id as people read it."""
    text = " ".join(_SHORT.get(part, part) for part in word.split("-"))
    return text if text.startswith("pH") else text[:1].upper() + text[1:]


def quantities() -> Options:
    """Return what can be tested by hand, what is tested most first."""
    return [(name, readable(name)) for name in MEASURES]


def doses() -> Options:
    """Return what can be dosed so that it counts."""
    rises = [(name, f"{readable(name)} (the rise itself)") for name in BUDGET]
    return [*((name, readable(name)) for name in (*SUBSTANCES, LIME_WATER)), *rises]


def units(kind: str, subject: str) -> Sequence[str]:
    """Return the units that a test or a dose of a subject may be written in, the usual first."""
    if kind == "dose" and subject == LIME_WATER:
        return _VOLUME
    if kind == "dose" and subject in SUBSTANCES:
        return (*_MASS, *_VOLUME)
    return units_of(subject) if subject in MEASURES else ()


def asks(kind: str) -> Sequence[Ask]:
    """Return the inputs of a form besides what each has: its choices, when, text."""
    match kind:
        case "test":
            return (Ask("value", "Value", needed=True),)
        case "dose":
            return (
                Ask("value", "Amount", needed=True),
                Ask("strength_g_l", "Strength, g/L (of a solution)"),
                Ask("daily", "Every day from now on (a dosing pump)", "check"),
            )
        case "water-change":
            return (
                Ask("value", "Litres", needed=True),
                *(Ask(f"fresh {n}", f"{readable(n)} of it, {MEASURES[n].unit}") for n in FRESH),
            )
        case "reactor":
            return (
                Ask("value", "Effluent flow, mL/min", needed=True),
                Ask("effluent_dkh", "Effluent's alkalinity, dKH"),
            )
        case "supply":
            return (
                Ask("value", "There is now", needed=True),
                Ask("before", "Left before it was filled"),
            )
        case "calibration":
            points = [
                (Ask(f"known {n}", f"Standard {n}, known"), Ask(f"shown {n}", "shown"))
                for n in range(1, POINTS + 1)
            ]
            return (
                *(ask for pair in points for ask in pair),
                Ask("temperature_degc", "Buffers' temperature, °C"),
            )
        case _:
            return ()


def request_of(kind: str, fields: Fields, zone: ZoneInfo) -> dict[str, Any]:
    """Return the request that a filled-in form stands for.

    Raises:
        ValueError: with a sentence for the person who filled it in.
    """
    request: dict[str, Any] = {"kind": kind, **_texts(fields), **_numbers(kind, fields)}
    if kind in _UNITS:
        request["unit"] = _UNITS[kind]
    if kind == "water-change":
        given = {name: number(readable(name), fields.get(f"fresh {name}")) for name in FRESH}
        request["fresh"] = {name: value for name, value in given.items() if value is not None}
    if kind == "calibration":
        request["points"] = _points(fields)
    if when := str(fields.get("when") or "").strip():
        request["time"] = utc_time(when, zone)
    return request


def _texts(fields: Fields) -> dict[str, str]:
    keys = ("subject", "unit", "system", "channel", "text")
    said = {key: str(fields.get(key) or "").strip() for key in keys}
    said["who"] = str(fields.get("operator") or "").strip()[:60] or "page"
    return {key: text for key, text in said.items() if text}


def _numbers(kind: str, fields: Fields) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for ask in asks(kind):
        if ask.kind == "check":
            found[ask.name] = bool(fields.get(ask.name))
        elif " " not in ask.name:  # those with a number of their own are read together
            value = number(ask.label, fields.get(ask.name))
            if value is None and ask.needed:
                raise ValueError(f"{ask.label}: write a number. Nothing was stored.")
            if value is not None:
                found[ask.name] = value
    return found


_UNITS = {"water-change": "L", "reactor": "mL/min"}


def _points(fields: Fields) -> list[list[float]]:
    points = []
    for at in range(1, POINTS + 1):
        known = number(f"Standard {at}, known", fields.get(f"known {at}"))
        shown = number(f"Standard {at}, shown", fields.get(f"shown {at}"))
        if (known is None) != (shown is None):
            raise ValueError(f"Standard {at}: write what it is known to be and what was shown.")
        if known is not None and shown is not None:
            points.append([known, shown])
    if not points:
        raise ValueError("Write at least one standard, known and shown. Nothing was stored.")
    return points


def number(label: str, text: object) -> float | None:
    """Return a number as people write it, with a point or a comma; None when nothing is written.

    Raises:
        ValueError: it is none.
    """
    said = str(text or "").strip().replace(",", ".").replace("\N{MINUS SIGN}", "-")
    if not said:
        return None
    try:
        return float(said)
    except ValueError:
        raise ValueError(f"{label}: {said!r} is not a number. Nothing was stored.") from None


def utc_time(text: str, zone: ZoneInfo) -> str:
    """Return the moment of a browser's local date and time, which is one of the keeper's clock.

    Raises:
        ValueError: it is none.
    """
    try:
        local = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"When: {text!r} is no date and time. Nothing was stored.") from None
    moment = local.replace(tzinfo=zone) if local.tzinfo is None else local
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
