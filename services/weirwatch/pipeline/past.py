"""The home of readings of the past that come in by command: by the core while it runs.

A request is one JSON object, `{"channels": [id, …], "readings": [[channel's place in that list,
time in µs since 1970, value, quality 0 to 2, reason], …]}`. All are stored, or none; those that
are there stay as they are. They are history only: no rule is judged by them. Requests are small,
so that one delays the loop no longer than a commit does.

The answer is `{"stored": n, "already": n}`.
"""

import math
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

from weirwatch.domain.errors import ConfigError, TransientError, WeirwatchError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Quality, Reading
from weirwatch.ports import Journal

HOUR: Micros = 3600 * SECOND
MOST_READINGS = 4000  # of one request
MOST_PARTS = 12  # an hour of a channel is one; each costs the loop about two milliseconds
LONGEST_REASON = 200
WITHIN_S = 15.0

_GATHERED = 100_000  # readings put in order at once


@dataclass(frozen=True, slots=True)
class PastRequest:
    """Readings for the loop to store, and who waits for it."""

    readings: Sequence[Reading]
    answer: "Future[int]" = field(default_factory=Future)

    def carry_out(self, journal: Journal, now: Micros) -> None:
        """Store them; answer how many were there already."""
        try:
            self.answer.set_result(journal.take_in(self.readings, now))
        except WeirwatchError as refusal:
            self.answer.set_exception(refusal)


class PastDesk:
    """Checks requests and hands them on; any thread.

    Args:
        channels: ids of those that are configured.
        put: into the loop's inbox.
        now: service time (utc).
    """

    def __init__(
        self,
        channels: Collection[str],
        put: Callable[[PastRequest], None],
        now: Callable[[], Micros],
    ) -> None:
        self._channels = frozenset(channels)
        self._put = put
        self._now = now

    def handle(self, request: object) -> Mapping[str, Any]:
        """Carry out one request.

        Raises:
            ConfigError: not a request, or one with an unknown channel or an impossible reading.
            TransientError, PermanentError: not stored, or not within 15 seconds.
        """
        wanted = PastRequest(readings_from(request, self._channels, self._now()))
        self._put(wanted)
        try:
            already = wanted.answer.result(WITHIN_S)
        except TimeoutError as late:
            raise TransientError("the core is busy: the same readings may be sent again") from late
        return {"stored": len(wanted.readings) - already, "already": already}


def request_of(readings: Sequence[Reading]) -> dict[str, Any]:
    """Return the request that carries these readings."""
    places = {name: place for place, name in enumerate(dict.fromkeys(r.channel for r in readings))}
    rows = [[places[r.channel], r.time, r.value, int(r.quality), r.reason] for r in readings]
    return {"channels": list(places), "readings": rows}


def readings_from(request: object, channels: Collection[str], now: Micros) -> list[Reading]:
    """Return the readings of a request.

    Raises:
        ConfigError: it is none, or has an unknown channel or an impossible reading.
    """
    if not isinstance(request, Mapping):
        raise ConfigError("a request about past readings is one JSON object")
    names, rows = request.get("channels"), request.get("readings")
    if not isinstance(names, list) or not isinstance(rows, list):
        raise ConfigError("a request about past readings has the lists `channels` and `readings`")
    unknown = [name for name in names if name not in channels]
    if unknown:
        raise ConfigError(f"channel {unknown[0]!r} is not configured")
    if not 1 <= len(rows) <= MOST_READINGS:
        raise ConfigError(f"a request about past readings has 1 to {MOST_READINGS} of them")
    found = [_reading(names, row, now) for row in rows]
    if len({(reading.channel, reading.time // HOUR) for reading in found}) > MOST_PARTS:
        raise ConfigError(f"a request about past readings touches at most {MOST_PARTS} hours")
    return found


def chunks(readings: Iterable[Reading]) -> Iterator[list[Reading]]:
    """Yield the readings in portions that a request may carry, each hour's together if it can be.

    Of several at one time their order stays: the first wins.
    """
    waiting: list[Reading] = []
    for reading in readings:
        waiting.append(reading)
        if len(waiting) >= _GATHERED:
            yield from _portions(waiting)
            waiting = []
    yield from _portions(waiting)


def _portions(readings: list[Reading]) -> Iterator[list[Reading]]:
    readings.sort(key=lambda r: (r.channel, r.time))  # stable
    portion: list[Reading] = []
    parts = 0
    for _, hour in groupby(readings, lambda r: (r.channel, r.time // HOUR)):
        some = list(hour)
        if portion and (parts == MOST_PARTS or len(portion) + len(some) > MOST_READINGS):
            yield portion
            portion, parts = [], 0
        portion += some
        parts += 1
        while len(portion) > MOST_READINGS:
            yield portion[:MOST_READINGS]
            portion = portion[MOST_READINGS:]
    if portion:
        yield portion


def _reading(names: Sequence[str], row: object, now: Micros) -> Reading:
    match row:
        case [int(place), int(time), int() | float() as value, int(quality), str(reason)] if (
            0 <= place < len(names)
            and 0 <= quality <= Quality.BAD
            and math.isfinite(value)
            and len(reason) <= LONGEST_REASON
        ):
            pass
        case _:
            raise ConfigError(
                "a past reading is [channel's place, time, value, quality 0 to 2, reason]"
            )
    if time > now:
        raise ConfigError(f"channel {names[place]}: a past reading is in the future")
    return Reading(names[place], time, float(value), Quality(quality), reason)
