"""The history on VictoriaMetrics: line protocol in, its own query API out.

A reading is a sample of `weirwatch_reading` with the labels channel, unit, quality and (where it
is not good) reason. The server keeps whole milliseconds.
API: https://docs.victoriametrics.com/ (line protocol, /api/v1/export, MetricsQL).
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from weirwatch.domain.errors import PermanentError, TransientError, WeirwatchError
from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Quality, Reading
from weirwatch.store.block import HOUR
from weirwatch.store.far.asking import Login, ask, understood
from weirwatch.store.far.lines import lines_of
from weirwatch.store.far.told import Told, pieces_of_told
from weirwatch.store.series import Grid, Piece

_MILLI: Micros = 1000
_QUALITIES = {quality.word: quality for quality in Quality}
_NAME = "weirwatch_reading"
_MOST_STEPS = 10_000  # of one question; the server's own bound is 30 000
_TOLD = {  # what is asked of each bucket; the word is also the label that tells them apart
    "count": "count_over_time",
    "min": "min_over_time",
    "max": "max_over_time",
    "sum": "sum_over_time",
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
        lines = lines_of(readings, units, _MILLI, backslash="\\\\")
        try:
            ask(f"{self._url}/write", {"precision": "ms"}, self._login, lines)
        except PermanentError as refusal:
            self._refuse_place(refusal)
            raise

    def _refuse_place(self, refusal: PermanentError) -> None:
        """Say so if nothing at all can be written there: then no reading is at fault."""
        try:
            ask(f"{self._url}/write", {"precision": "ms"}, self._login, b"")
        except PermanentError:
            raise TransientError(f"{refusal}: correct [history] url") from refusal

    def settle(self) -> None:
        """Have the server show what it has taken; otherwise it does so within seconds."""
        try:
            ask(f"{self._query_url}/internal/force_flush", {}, self._login)
        except WeirwatchError:  # a cluster has no such page at this end
            return

    @understood(name)
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

    @understood(name)
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
            "deny_partial_response": "1",  # of a cluster without one of its parts
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
            "deny_partial_response": "1",
        }
        content = ask(f"{self._query_url}/api/v1/query_range", query, self._login)
        return pieces_of_told(_told(_parsed(content), origin_ms, width_ms))


def _told(answer: Any, origin_ms: int, width_ms: int) -> Iterator[Told]:
    """Yield the answer's numbers; first and last with their times, which are told beside them."""
    times: dict[tuple[tuple[str, ...], int, str], Micros] = {}
    values: list[tuple[tuple[str, ...], int, str, float]] = []
    for series in answer["data"]["result"]:
        labels = series["metric"]
        key = tuple(labels.get(name, "") for name in ("quality", "reason", "unit"))
        word = labels["told"]
        for time, text in series["values"]:
            place = (round(time * 1000) + 1 - origin_ms) // width_ms - 1
            if word in ("since", "until"):
                times[key, place, word] = round(float(text) * 1000) * _MILLI
            else:
                values.append((key, place, word, float(text)))
    beside = {"first": "since", "last": "until"}
    for key, place, word, value in values:
        yield Told(key, place, word, value, times.get((key, place, beside.get(word, ""))))


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')


def _parsed(content: bytes) -> Any:
    try:
        return json.loads(content)
    except ValueError as error:
        raise PermanentError(f"the history server's answer is not JSON: {error}") from error
