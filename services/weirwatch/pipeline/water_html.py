"""`report water` as HTML with plots: for a file, and for the page; everything is escaped here."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from html import escape
from typing import Any

from weirwatch.domain.instant import SECOND, from_rfc3339
from weirwatch.domain.wording import counted, unit_words
from weirwatch.pipeline.html_report import html_document
from weirwatch.pipeline.plot import Frame, drawing
from weirwatch.pipeline.water_days import DAY

Json = Mapping[str, Any]


def water_document(report: Json, title: str) -> str:
    """Return the report as one HTML file."""
    head = [
        f"<h1>Water of {escape(title)}</h1>",
        f'<p class="small">{report["from"][:10]} to {report["to"][:10]}; out of the log and the '
        "record. ± is one standard error.</p>",
    ]
    return html_document(f"Water: {title}", [*head, *water_parts(report)])


def water_parts(report: Json) -> Iterator[str]:
    """Yield the report's parts in the order to read them."""
    yield "<h3>What moves out of its band</h3>"
    yield from _moving(report["moving"])
    for budget in report["budgets"]:
        yield from _budget(budget)
    for swing in report["ph_swing"]:
        yield from _swing(swing)
    for swing in report["temperature_swing"]:
        yield from _swing(swing)
    for level in report["evaporation"]:
        yield from _evaporation(level)


def _moving(items: Sequence[Json]) -> Iterator[str]:
    if not items:
        yield "<p>Nothing, within 90 days.</p>"
        return
    for item in items:
        unit = escape(unit_words(item["unit"]))
        low, high = item["per_day_low"], item["per_day_high"]
        yield (
            f'<p class="bad">{escape(item["what"])}: {item["value"]:.4g} {unit}, '
            f"{item['per_day']:+.2g} a day ({low:+.2g} to {high:+.2g}); at {item['limit']:g} on "
            f"{item['at'][:10]} ({item['earliest'][:10]} to {item['latest'][:10]}).</p>"
        )


def _budget(budget: Json) -> Iterator[str]:
    name, unit = budget["quantity"].capitalize(), escape(budget["unit"])
    if budget["consumption"] is None:
        if budget["tests"]:
            yield f"<h3>{name}</h3><p>{counted(budget['tests'], 'test')}, and three are needed.</p>"
        return
    yield f"<h3>{name}</h3><table>"
    used = f"{budget['consumption']:.3g} ± {budget['standard_error']:.2g} {unit}"
    yield f"<tr><th>Used up<td>{used}<td>{budget['tests']} tests"
    if budget["change"] is not None:
        change = f"{budget['change']:+.2g} ± {budget['change_error']:.2g} {unit}"
        yield f"<tr><th>First to last third<td>{change}<td>"
    for key, word in (("reactor", "Reactor"), ("dosed", "Doses")):
        share = budget[f"{key}_share"]
        part = "" if share is None else f"{share:.0%} of it"
        yield f"<tr><th>{word}<td>{budget[key]:.3g} {unit}<td>{part}"
    yield f"<tr><th>Water changes<td>{budget['water_changes']:.3g} {unit}<td>"
    yield "</table>"
    yield from _flags(budget)
    yield _tests_plot(budget)


def _flags(budget: Json) -> Iterator[str]:
    if budget["doubtful_tests"]:
        numbers = ", ".join(map(str, budget["doubtful_tests"]))
        yield f"<p>Doubtful tests, not counted: entries {numbers}.</p>"
    for flag in budget["flags"]:
        yield (
            f'<p class="bad">{escape(flag["what"].replace("-", " "))}: {flag["amount"]:+.2g} '
            f"{escape(flag['unit'])} between {flag['from'][:16].replace('T', ' ')} and "
            f"{flag['to'][:16].replace('T', ' ')} UTC</p>"
        )


def _tests_plot(budget: Json) -> str:
    points = [(_day(p["at"]), p["value"]) for p in budget["points"]]
    if len(points) < 2:
        return ""
    values = [value for _, value in points]
    frame = Frame(points[0][0], points[-1][0], min(values), max(values))
    unit = budget["unit"].removesuffix("/day")
    label = f"{budget['quantity'].capitalize()}, hand tests ({unit})"
    return drawing(label, (frame.axes(_dates(frame), ""), frame.curve(points), frame.dots(points)))


def _swing(swing: Json) -> Iterator[str]:
    if not swing["days"]:
        return
    unit = unit_words(swing["unit"])
    yield f"<h3>{escape(swing['title'])}</h3>"
    yield (
        f"<p>Swings {swing['usual']:.2f} {unit} a day, at most {swing['greatest']:.2f}; "
        f"{swing['lowest']:.2f} to {swing['highest']:.2f}.{_trend(swing['trend'], unit)}</p>"
    )
    room = swing.get("room_co2")
    if room is not None:
        yield (
            f"<p>The room's CO2 makes {room['part']:.2f} of it ({room['share']:.0%}), with a lag "
            f"of {room['lag_h']:g} h; {room['at_most']:.2f} at most, if the water followed at "
            "once. "
            f"Reckoned with {room['alkalinity_dkh']:.3g} dKH.</p>"
        )
    if len(swing["daily"]) > 1:
        bars = [(_day(d["from"]), d["low"], d["high"]) for d in swing["daily"]]
        lows, highs = [b[1] for b in bars], [b[2] for b in bars]
        frame = Frame(bars[0][0] - 0.5, bars[-1][0] + 0.5, min(lows), max(highs))
        label = f"{swing['title']}, lowest to highest hour of each day{_in(unit)}"
        yield drawing(label, (frame.axes(_dates(frame), ""), frame.bars(bars)))


def _trend(trend: Json | None, unit: str) -> str:
    if trend is None:
        return ""
    low, high = trend["per_day_low"], trend["per_day_high"]
    if low * high <= 0.0:
        return " No trend."
    return f" Trend {trend['per_day']:+.2g} {unit} a day ({low:+.2g} to {high:+.2g})."


def _evaporation(level: Json) -> Iterator[str]:
    if not level["days"]:
        return
    unit = unit_words(level["unit"])
    yield f"<h3>{escape(level['title'])}</h3>"
    late = ""
    if level["change"] is not None:
        mark = ' class="bad"' if level["unusual"] else ""
        late = (
            f"<p{mark}>The last day {level['last']:.1f} {unit}, {level['change']:.2f} times the "
            f"median of the fourteen days before ({level['of_late']:.1f}).</p>"
        )
    yield f"<p>{level['usual']:.1f} {unit}.{_trend(level['trend'], unit)}</p>{late}"
    if len(level["daily"]) > 1:
        points = [(_day(d["from"]), d["mean"]) for d in level["daily"]]
        values = [value for _, value in points]
        frame = Frame(points[0][0], points[-1][0], min(values), max(values))
        label = f"{level['title']}{_in(unit)}"
        yield drawing(label, (frame.axes(_dates(frame), ""), frame.curve(points)))


def _in(unit: str) -> str:
    return f" ({unit})" if unit else ""


def _day(time: str) -> float:
    return from_rfc3339(time) / DAY


def _dates(frame: Frame) -> list[tuple[float, str]]:
    """Return four dates along the axis."""
    ends = [frame.first + share * (frame.last - frame.first) for share in (0, 1 / 3, 2 / 3, 1)]
    return [(day, f"{datetime.fromtimestamp(day * DAY / SECOND, UTC):%d %b}") for day in ends]
