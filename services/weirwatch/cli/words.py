"""How values, times and states read in a terminal: words first, colour only beside them."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any, Literal
from zoneinfo import ZoneInfo

from rich import box
from rich.console import Console
from rich.table import Table

from weirwatch.domain.instant import Micros, from_rfc3339
from weirwatch.domain.reading import Channel
from weirwatch.domain.wording import amount, decimals
from weirwatch.pipeline.local_time import duration, local_time

PRIORITY_STYLE = {"critical": "bold reverse", "high": "bold", "medium": "", "low": "dim"}
STATE_STYLE = {
    "unacknowledged": "bold",
    "latched-unacknowledged": "bold",
    "returned-unacknowledged": "",
}


def console() -> Console:
    """Return the console on standard output; 80 columns where the width is not known."""
    return Console(highlight=False, emoji=False, markup=False)


def plain_table(*headers: str, numbers: Collection[str] = ()) -> Table:
    """Return an empty table that needs no more than thin lines; `numbers` stand to the right."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, header_style="bold")
    for header in headers:
        justify: Literal["left", "right"] = "right" if header in numbers else "left"
        table.add_column(header, overflow="fold", justify=justify)
    return table


def value_text(value: float | bool | None, unit: str, states: Sequence[str] | None = None) -> str:
    """Return a value with its unit; of a switch the word of `states`, else on or off."""
    if value is None:
        return "–"
    if states or isinstance(value, bool):
        return (states or ("off", "on"))[bool(value)]
    return amount(value, unit)


def rounded(value: float | bool | None, channel: Channel | None) -> float | bool | None:
    """Return a value with no more decimals than its channel can show."""
    if channel is None or value is None or isinstance(value, bool) or channel.is_switch:
        return value
    return round(value, decimals(channel))


def limit_text(
    limit: float | bool | str | None, unit: str, states: Sequence[str] | None = None
) -> str:
    """Return the limit of an alarm as its JSON has it, a switch's by its word; empty for none."""
    if limit is None:
        return ""
    if isinstance(limit, str):
        return limit
    return value_text(limit, unit, states if isinstance(limit, bool) else None)


def time_text(time: str | None, zone: ZoneInfo) -> str:
    """Return an RFC 3339 time in the keeper's zone."""
    return "–" if time is None else local_time(from_rfc3339(time), zone)


def ago_text(time: str | None, now: Micros) -> str:
    """Return how long ago an RFC 3339 time was; never negative."""
    return "–" if time is None else duration(max(0, now - from_rfc3339(time)))


def state_text(alarm: Mapping[str, Any], zone: ZoneInfo) -> str:
    """Return both states of an alarm, and until when the second one holds."""
    service = service_text(alarm)
    until = alarm.get("shelved_until") or alarm.get("out_until")
    ends = f" until {time_text(until, zone)}" if until and service else ""
    return f"{alarm['state']}, {service}{ends}" if service else str(alarm["state"])


def service_text(alarm: Mapping[str, Any]) -> str:
    """Return the service state in words; empty while in service, as it nearly always is."""
    service = str(alarm["service_state"])
    return "" if service == "in-service" else service.replace("-", " ")
