"""The history on InfluxDB 2: its own client, synchronous and packed, Flux for questions.

A reading is a point of the measurement `weirwatch`: field `reading`, tags channel, unit, quality
and (where it is not good) reason, in whole microseconds. The client's batching mode is not used:
it gives up what it cannot write.
API: https://docs.influxdata.com/influxdb/v2/ (write API, Flux).
"""

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from weirwatch.domain.errors import ConfigError, PermanentError, TransientError
from weirwatch.domain.instant import SECOND, Micros, from_rfc3339, to_rfc3339
from weirwatch.domain.reading import Quality, Reading
from weirwatch.store.far.asking import REFUSED, TIMEOUT_S, Login, understood
from weirwatch.store.far.lines import lines_of
from weirwatch.store.far.told import WORDS, Told, pieces_of_told
from weirwatch.store.series import Grid, Piece

_QUALITIES = {quality.word: quality for quality in Quality}
_EARLIEST: Micros = 0
_LATEST: Micros = 9_000_000_000 * SECOND  # the server counts nanoseconds in 64 bits
_LONGEST = 300


class InfluxHistory:
    """`FarHistory` on one server.

    Args:
        url: as http://127.0.0.1:8086.
        org, bucket: where in it.
        login: its token, or name and password.

    Raises:
        ConfigError: the client library is not there.
    """

    name = "InfluxDB"
    resolution: Micros = 1

    def __init__(self, url: str, org: str, bucket: str, login: Login) -> None:
        try:
            from influxdb_client.client.influxdb_client import InfluxDBClient
            from influxdb_client.client.write_api import SYNCHRONOUS
            from influxdb_client.domain.write_precision import WritePrecision
        except ImportError as error:
            raise ConfigError(
                '[history] kind = "influxdb" needs the package influxdb-client: install'
                " weirwatch[influxdb]"
            ) from error
        given: dict[str, Any] = {"token": login.token} if login.token else {}
        if login.username:
            given = {"username": login.username, "password": login.password}
        self._client = InfluxDBClient(
            url=url, org=org, enable_gzip=True, timeout=round(TIMEOUT_S * 1000), **given
        )
        self._writer = self._client.write_api(write_options=SYNCHRONOUS)
        self._asker = self._client.query_api()
        self._bucket = bucket
        self._precision: Any = WritePrecision.US

    def write(self, readings: Sequence[Reading], units: Mapping[str, str]) -> None:
        """Store readings."""
        with _own_errors():
            self._writer.write(
                self._bucket, record=lines_of(readings, units), write_precision=self._precision
            )

    def settle(self) -> None:
        """What was written is visible at once."""

    @understood(name)
    def readings(self, channel: str, start: Micros, end: Micros, limit: int) -> list[Reading]:
        """Return readings in time order."""
        flux = (
            f"{self._source(channel, start, end)}"
            ' |> keep(columns: ["_time", "_value", "quality", "reason"]) |> group()'
            f' |> sort(columns: ["_time"]) |> limit(n: {max(0, limit)})'
        )
        found: dict[Micros, Reading] = {}
        for row in self._rows(flux, start, end):
            time = from_rfc3339(row["_time"])
            quality = _QUALITIES.get(row.get("quality", ""), Quality.UNCERTAIN)
            reading = Reading(channel, time, float(row["_value"]), quality, row.get("reason", ""))
            found.setdefault(time, reading)
        return list(found.values())

    @understood(name)
    def pieces(self, channel: str, grid: Grid, first: int, end: int) -> list[Piece]:
        """Return what is in whole buckets."""
        low, high = (grid.origin + place * grid.width for place in (first, end))
        # Each from the source anew: the server then sums up where the data lies. A window by itself
        # would become a table by itself, which takes it minutes for a year of hours.
        told = ",\n".join(
            f"{self._good_enough(channel, low, high)} |> aggregateWindow(fn: {word},"
            f" every: {grid.width}us, offset: {grid.origin % grid.width}us,"
            ' createEmpty: false, timeSrc: "_start")'
            f' |> toFloat() |> set(key: "told", value: "{word}")'
            for word in WORDS
        )
        flux = (
            f"union(tables: [{told}])"
            ' |> keep(columns: ["_time", "_value", "told", "quality", "reason"]) |> group()'
        )
        rows = [
            Told(
                (row.get("quality", ""), row.get("reason", "")),
                (from_rfc3339(row["_time"]) - grid.origin) // grid.width,
                row["told"],
                float(row["_value"]),
                None,
            )
            for row in self._rows(flux, low, high)
        ]
        several = Counter(row.place for row in rows if row.word == "count")
        return [
            piece if several[piece.place] == 1 else self._with_ends(channel, grid, piece)
            for piece in pieces_of_told(rows)
        ]

    def _with_ends(self, channel: str, grid: Grid, piece: Piece) -> Piece:
        """Return the piece with its first and last value, which its series cannot tell alone."""
        low = grid.origin + piece.place * grid.width
        source = self._good_enough(channel, low, low + grid.width)
        ends = ",\n".join(
            f'{source} |> keep(columns: ["_time", "_value"]) |> group() |> sort(columns: ["_time"])'
            f' |> {word}() |> set(key: "told", value: "{word}")'
            for word in ("first", "last")
        )
        flux = f"union(tables: [{ends}]) |> group()"
        found = {r["told"]: float(r["_value"]) for r in self._rows(flux, low, low + grid.width)}
        return piece._replace(first=found["first"], last=found["last"])

    def _good_enough(self, channel: str, start: Micros, end: Micros) -> str:
        source = self._source(channel, start, end)
        return f'{source} |> filter(fn: (r) => r.quality != "bad")'

    def close(self) -> None:
        """Close the client; idempotent."""
        self._client.close()  # type: ignore[no-untyped-call]

    def _source(self, channel: str, start: Micros, end: Micros) -> str:
        low = to_rfc3339(min(max(start, _EARLIEST), _LATEST))
        high = to_rfc3339(min(max(end, _EARLIEST), _LATEST))
        return (
            f"from(bucket: {json.dumps(self._bucket)}) |> range(start: {low}, stop: {high})"
            f' |> filter(fn: (r) => r._measurement == "weirwatch" and r._field == "reading"'
            f" and r.channel == {json.dumps(channel)})"
        )

    def _rows(self, flux: str, start: Micros, end: Micros) -> Iterator[dict[str, str]]:
        """Yield the answer's rows as text by column; columns a row has not are empty."""
        if min(end, _LATEST) <= max(start, _EARLIEST):
            return
        with _own_errors():
            header: list[str] = []
            for row in self._asker.query_csv(flux, dialect=_dialect()):
                if not row:
                    continue
                if "_value" in row:  # each table may begin with its own
                    header = row
                    continue
                yield dict(zip(header, row, strict=False))


def _dialect() -> Any:
    from influxdb_client.domain.dialect import Dialect

    return Dialect(header=True, annotations=[], delimiter=",")  # type: ignore[no-untyped-call]


@contextmanager
def _own_errors() -> Iterator[None]:
    from influxdb_client.rest import ApiException
    from urllib3.exceptions import HTTPError

    try:
        yield
    except ApiException as error:
        said = str(error.body or error.reason or "").strip()[:_LONGEST]
        sentence = f"the history server answers {error.status}: {said}"
        if error.status in REFUSED:
            raise PermanentError(sentence) from error
        raise TransientError(sentence) from error
    except (HTTPError, OSError) as error:
        raise TransientError(f"the history server does not answer ({error})") from error
