"""The worked examples of docs/alarms.md: each replayed, its transitions listed, and drawn.

`support.state_diagrams` writes them.
"""

from collections.abc import Sequence
from html import escape
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from textwrap import fill

from support.alarm_examples import EXAMPLES, SYSTEM, Curve, Example

from weirwatch.config import load
from weirwatch.domain.alarm import Event
from weirwatch.domain.book import Book, make_ready
from weirwatch.domain.instant import SECOND, from_rfc3339, seconds, to_rfc3339
from weirwatch.domain.reading import Reading
from weirwatch.domain.rule import RuleBook
from weirwatch.pipeline.replay import replay

FOLDER = Path(__file__).resolve().parents[2] / "docs" / "alarms"
NOON = from_rfc3339("2026-03-01T12:00:00Z")
WIDTH, LEFT, RIGHT, HEIGHT = 720, 60, 12, 130  # HEIGHT of one curve


def text_of(example: Example) -> str:
    """The example's configuration."""
    return "\n".join([SYSTEM, *(curve.table for curve in example.curves), example.rule])


def book_of(example: Example) -> Book:
    """Its rules, read as any configuration is."""
    with TemporaryDirectory(prefix="ww-") as folder:
        path = Path(folder) / "weirwatch.toml"
        path.write_text(text_of(example), encoding="utf-8")
        settings = load(path)
    rules = {rule.id: rule for rule in settings.rules if rule.kind != "system"}
    channels = {channel.id: channel for channel in settings.channels}
    return make_ready(RuleBook(rules, channels, settings.service.time_zone))


def points_of(example: Example, curve: Curve) -> list[tuple[int, float]]:
    """What the channel says, and when."""
    said = ((second, curve.value(second)) for second in range(0, example.seconds + 1, curve.every))
    return [(second, value) for second, value in said if value is not None]


def events_of(example: Example) -> list[Event]:
    """Every transition of a replay."""
    readings = [
        Reading(curve.name, NOON + second * SECOND, value)
        for curve in example.curves
        for second, value in points_of(example, curve)
    ]
    until = NOON + example.seconds * SECOND
    return [e for e in replay(book_of(example), readings, [], until) if isinstance(e, Event)]


def section(example: Example) -> str:
    """The example as it stands in the document."""
    lines = [
        f"### {example.kind}",
        "",
        fill(example.says, 104),
        "",
        "```toml",
        example.rule.rstrip(),
        "```",
    ]
    lines += ["", f"![{example.kind}, replayed](alarms/{example.kind}.svg)", ""]
    lines += ["| time | from | to | value | what the alarm says |", "|---|---|---|---|---|"]
    for event in events_of(example):
        clock = to_rfc3339(event.time)[11:].rstrip("Z")
        value = "" if event.value is None else f"{event.value:g}"
        said = event.message or "–"
        lines.append(f"| {clock} | {event.from_state} | {event.to_state} | {value} | {said} |")
    return "\n".join(lines)


def drawing(example: Example) -> str:
    """The example's curves, one below the other, and when its alarm stood."""
    height = len(example.curves) * HEIGHT + 54
    events = [(seconds(event.time - NOON), event.kind) for event in events_of(example)]
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" '
        'font-family="Georgia,serif" font-size="11" fill="#333">',
        f"<title>{escape(example.kind)}, replayed</title>",
        f'<rect width="{WIDTH}" height="{height}" fill="#fff"/>',
    ]
    for number, curve in enumerate(example.curves):
        levels = example.levels if number == 0 else ()
        parts += _curve(example, curve, number * HEIGHT, levels)
    parts += _alarm(example, events, len(example.curves) * HEIGHT)
    return "\n".join([*parts, "</svg>"]) + "\n"


def written() -> dict[Path, str]:
    """Every drawing by its path."""
    return {FOLDER / f"{example.kind}.svg": drawing(example) for example in EXAMPLES}


def sections() -> str:
    """All examples, as they stand in the document."""
    return "\n\n".join(section(example) for example in EXAMPLES)


def _x(example: Example, second: float) -> float:
    return round(LEFT + (WIDTH - LEFT - RIGHT) * second / example.seconds, 1)


def _curve(
    example: Example, curve: Curve, top: int, levels: Sequence[tuple[float, str]]
) -> list[str]:
    points = points_of(example, curve)
    heights = [value for _, value in points] + [level for level, _ in levels]
    low, high = min(heights), max(heights)
    room = (high - low) * 1.2 or 1.0

    def y(value: float) -> float:
        return round(top + HEIGHT - 14 - (HEIGHT - 38) * ((value - low) / room + 0.08), 1)

    name = curve.name.removeprefix("harbour-hall/")
    parts = [f'<text x="{LEFT}" y="{top + 14}">{escape(name)}</text>']
    for value in (low, high):
        parts.append(f'<text x="{LEFT - 6}" y="{y(value) + 4}" text-anchor="end">{value:g}</text>')
    for level, word in levels:
        parts += [
            f'<path d="M{LEFT} {y(level)}H{WIDTH - RIGHT}" stroke="#777" stroke-dasharray="1 4"/>',
            f'<text x="{WIDTH - RIGHT}" y="{y(level) - 3}" text-anchor="end">{escape(word)}</text>',
        ]
    path = ""
    for (before, _), (second, value) in pairwise([(-curve.every, 0.0), *points]):
        gap = second - before > 3 * curve.every
        if gap or not path:
            path += f"M{_x(example, second)} {y(value)}"
        elif curve.step:
            path += f"H{_x(example, second)}V{y(value)}"
        else:
            path += f"L{_x(example, second)} {y(value)}"
    parts.append(f'<path d="{path}" fill="none" stroke="#1d5b79" stroke-width="1.5"/>')
    return parts


def _alarm(example: Example, events: Sequence[tuple[float, str]], top: int) -> list[str]:
    bottom = top + 22
    parts = [f'<text x="{LEFT - 6}" y="{top + 12}" text-anchor="end">alarm</text>']
    parts.append(f'<path d="M{LEFT} {bottom}H{WIDTH - RIGHT}" stroke="#999"/>')
    ends = [second for second, kind in events if kind == "returned"]
    for second, kind in events:
        if kind == "raised":
            end = next((e for e in ends if e > second), float(example.seconds))
            x, width = _x(example, second), _x(example, end) - _x(example, second)
            parts.append(f'<rect x="{x}" y="{top}" width="{width:.1f}" height="16" fill="#111"/>')
            parts.append(f'<path d="M{x} 20V{top}" stroke="#111" stroke-dasharray="2 3"/>')
    per, unit = (3600, "h") if example.seconds > 7200 else (60, "min")
    step = next(s for s in (1, 2, 3, 5, 10, 15, 20) if example.seconds / per / s <= 10)
    for mark in range(0, example.seconds // per + 1, step):
        x = _x(example, mark * per)
        parts.append(f'<text x="{x}" y="{bottom + 14}" text-anchor="middle">{mark}</text>')
    parts.append(
        f'<text x="{WIDTH - RIGHT}" y="{bottom + 28}" text-anchor="end">{unit} since 12:00</text>'
    )
    return parts
