"""The history on VictoriaMetrics: line protocol in, its own query API out.

A reading is a sample of `weirwatch_reading` with the labels channel, unit, quality and (where it
is not good) reason. The server keeps whole milliseconds.
API: https://docs.victoriametrics.com/ (line protocol, /api/v1/export, MetricsQL).
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from weirwatch.domain.errors import PermanentError, WeirwatchError
from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Quality, Reading
from weirwatch.store.block import HOUR
from weirwatch.store.far.asking import Login, ask
from weirwatch.store.series import Grid, Piece, joined

_MILLI: Micros = 1000
_QUALITIES = {quality.word: quality for quality in Quality}
_NAME = "weirwatch_reading"
_MOST_STEPS = 10_000  # of one question; the server's own bound is 30 000
_TOLD = {  # what is asked of each bucket; the word is also the label that tells them apart
    "count": "count_over_time",
    "low": "min_over_time",
    "high": "max_over_time",
    "total": "sum_over_time",
    "first": "first_over_time",
    "last": "last_over_time",
    "since": "tfirst_over_time",
    "until": "tlast_over_time",
}


class VictoriaHistory:
    """`FarHistory` on one server, or on a cluster's two ends.

    Args:
        url: where lines are written, as http://127.0.0.1:8428 or …/insert/0/influx of a cluster.
        query_url: where questions go, as …/select/0/prometheus of a cluster; empty: the same.
        login: who we are.
    """

    name = "VictoriaMetrics"
    resolution = _MILLI

    def __init__(self, url: str, query_url: str, login: Login) -> None:
        self._url = url.rstrip("/")
        self._query_url = (query_url or url).rstrip("/")
        self._login = login

    def write(self, readings: Sequence[Reading], units: Mapping[str, str]) -> None:
        """Store readings."""
        lines = "\n".join(_line(reading, units.get(reading.channel, "")) for reading in readings)
        ask(f"{self._url}/write", {"precision": "ms"}, self._login, lines.encode())

    def settle(self) -> None:
        """Have the server show what it has taken; otherwise it does so within seconds."""
        try:
            ask(f"{self._query_url}/internal/force_flush", {}, self._login)
        except WeirwatchError:  # a cluster has no such page at this end
            return

    def readings(self, channel: str, start: Micros, end: Micros, limit: int) -> list[Reading]:
        """Return readings in time order."""
        span = HOUR * 24
        found: dict[Micros, Reading] = {}
        low = start
        while low < end and len(found) < limit:  # a day at a time: the server knows no limit
            high = min(end, low + span)
            some = sorted(self._exported(channel, low, high), key=lambda reading: reading.time)
            for reading in some:
                found.setdefault(reading.time, reading)
            if not some:
                span = min(span * 8, HOUR * 24 * 3660)  # hurry through gaps
            low = high
        return list(found.values())[:limit]

    def pieces(self, channel: str, grid: Grid, first: int, end: int) -> list[Piece]:
        """Return what is in whole buckets."""
        found: list[Piece] = []
        for low in range(first, end, _MOST_STEPS):
            found += self._pieces(channel, grid, low, min(end, low + _MOST_STEPS))
        return found

    def close(self) -> None:
        """Nothing is held."""

    def _exported(self, channel: str, start: Micros, end: Micros) -> Iterator[Reading]:
        low, high = -(-start // _MILLI), -(-end // _MILLI) - 1  # both ends are included there
        if high < low:
            return
        query = {
            "match[]": f'{_NAME}{{channel="{_escaped(channel)}"}}',
            "start": f"{low / 1000:.3f}",
            "end": f"{high / 1000:.3f}",
        }
        content = ask(f"{self._query_url}/api/v1/export", query, self._login)
        for line in content.splitlines():
            series = _parsed(line)
            labels = series["metric"]
            quality = _QUALITIES.get(labels.get("quality", ""), Quality.UNCERTAIN)
            reason = labels.get("reason", "")
            for time, value in zip(series["timestamps"], series["values"], strict=True):
                yield Reading(channel, int(time) * _MILLI, float(value), quality, reason)

    def _pieces(self, channel: str, grid: Grid, first: int, end: int) -> list[Piece]:
        name = f'{_NAME}{{channel="{_escaped(channel)}",quality!="bad"}}'
        width_ms = grid.width // _MILLI
        told = ", ".join(
            f'label_set({function}({name}[{width_ms}ms]), "told", "{word}")'
            for word, function in _TOLD.items()
        )
        # A window ends with its time, which it includes: the last millisecond of the bucket.
        origin_ms = -(-grid.origin // _MILLI)
        start_ms = origin_ms + (first + 1) * width_ms - 1
        query = {
            "query": f"union({told})",
            "start": f"{start_ms / 1000:.3f}",
            "end": f"{(start_ms + (end - first - 1) * width_ms) / 1000:.3f}",
            "step": f"{width_ms}ms",
            "nocache": "1",  # otherwise times are moved to multiples of the step
        }
        content = ask(f"{self._query_url}/api/v1/query_range", query, self._login)
        by_series: dict[tuple[str, ...], dict[int, dict[str, float]]] = {}
        for series in _parsed(content)["data"]["result"]:
            labels = series["metric"]
            key = (labels.get("quality", ""), labels.get("reason", ""), labels.get("unit", ""))
            for time, value in series["values"]:
                place = (round(time * 1000) + 1 - origin_ms) // width_ms - 1
                own = by_series.setdefault(key, {}).setdefault(place, {})
                own[labels["told"]] = float(value)
        return _joined_by_time(by_series.values())


def _joined_by_time(all_series: Any) -> list[Piece]:
    """Return one piece a bucket; which came first is told by the milliseconds."""
    pieces = [
        Piece(
            place,
            round(own["since"] * 1000),
            round(own["until"] * 1000),
            round(own["count"]),
            own["low"],
            own["high"],
            own["total"],
            own["first"],
            own["last"],
        )
        for series in all_series
        for place, own in series.items()
        if len(own) == len(_TOLD)
    ]
    to_hours = HOUR // _MILLI
    return [
        piece._replace(since=piece.since // to_hours, until=piece.until // to_hours)
        for piece in joined(pieces)
    ]


def _line(reading: Reading, unit: str) -> str:
    tags = {"channel": reading.channel, "unit": unit, "quality": reading.quality.word}
    tags["reason"] = reading.reason
    named = "".join(f",{name}={tag_text(value)}" for name, value in tags.items() if value)
    return f"weirwatch{named} reading={reading.value!r} {reading.time // _MILLI}"


def tag_text(text: str) -> str:
    """Return a tag's value as the line protocol wants it; it knows no line feed."""
    text = text.replace("\n", " ").rstrip("\\")
    for mark in ("\\", ",", "=", " "):
        text = text.replace(mark, f"\\{mark}")
    return text


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')


def _parsed(content: bytes) -> Any:
    try:
        return json.loads(content)
    except ValueError as error:
        raise PermanentError(f"the history server's answer is not JSON: {error}") from error
