"""What `report probes` says of one probe, for the command line and the page."""

from collections.abc import Mapping
from typing import Any

from weirwatch.domain.wording import counted, unit_words

_ALL_BUT = 0.99  # of the expected readings: a lost one now and then is nothing
_NOISIER = 2.0  # times as noisy as before is told (judgement)


def probe_facts(probe: Mapping[str, Any]) -> list[str]:
    """Return what is known of one probe of the report, a phrase each."""
    facts, unit = [], _unit(probe)
    if probe["calibrated_at"] is not None:
        days = round(probe["age_days"])
        ago = f"{counted(days, 'day')} ago" if days else "today"
        facts.append(f"calibrated {ago}, {probe['verdict']}")
        facts.extend(probe["reasons"])
    if probe["slope_percent"] is not None:
        facts.append(f"slope {probe['slope_percent']:.1f} %, offset {probe['offset_mv']:.1f} mV")
    if probe["days_left"] is not None:
        facts.append(f"slope at its limit in {counted(round(probe['days_left']), 'day')}")
    if probe["tests_differ"] is not None:
        said = f"{_plain(probe['tests_differ'], '+.3g')} {unit}".rstrip()
        tests = counted(probe["tests"], "test")
        facts.append(f"{said} from {tests}{_moving(probe['tests_trend'])}")
    if probe["twin_differs"] is not None:
        said = f"{_plain(probe['twin_differs'], '+.3g')} {unit}".rstrip()
        facts.append(f"{said} from its twin{_moving(probe['twin_trend'])}")
    facts.extend(_noise(probe))
    if probe["received"] is not None and probe["received"] < _ALL_BUT:
        facts.append(f"{probe['received']:.0%} of the expected readings came")
    if probe["empty_hours"]:
        facts.append(f"{counted(probe['empty_hours'], 'hour')} without any")
    return facts


def _plain(value: float, digits: str) -> str:
    """Return a number of so many digits as people write it, never with a power of ten."""
    text = format(value, digits)
    if "e" not in text:
        return text
    sign = digits[: digits.index(".")]
    return format(value, f"{sign}.0f" if abs(value) >= 1.0 else f"{sign}.4f")


def _unit(probe: Mapping[str, Any]) -> str:
    """Return the unit as people write it; pH says that it is one."""
    return unit_words(probe["unit"]) or str(probe["unit"])


def _moving(trend: Mapping[str, Any] | None) -> str:
    """Return how a difference moves, where its interval says that it does."""
    if trend is None or trend["per_day_low"] * trend["per_day_high"] <= 0.0:
        return ""
    return f", drifting {_plain(30.0 * trend['per_day'], '+.2g')} a month"


def _noise(probe: Mapping[str, Any]) -> list[str]:
    now, then = probe["noise"], probe["noise_then"]
    if now is None:
        return []
    said = f"noise {_plain(now, '.2g')} {_unit(probe)}".strip()
    if then is not None and now > _NOISIER * then:
        said += f", {now / then:.1f} times what it was"
    return [said]
