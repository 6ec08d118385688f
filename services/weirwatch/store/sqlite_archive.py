"""The read side of the file: short read-only transactions, from any thread."""

import sqlite3
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import repeat
from pathlib import Path
from threading import Lock

from weirwatch.domain.alarm import Alarm
from weirwatch.domain.errors import PermanentError, TransientError
from weirwatch.domain.instant import Micros
from weirwatch.domain.keeper_log import LogEntry, Photo
from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.ports import Bucket, Newest, NodeState, Notice, Quarantined, StoredEvent
from weirwatch.store import (
    blocks,
    history,
    hot,
    log_book,
    log_photos,
    notice_tests,
    old_blocks,
    rows,
    series,
    spans,
    state,
)
from weirwatch.store.blocks import DamageNotes
from weirwatch.store.connection import open_reader, own_errors
from weirwatch.store.schema import MIGRATIONS, refuse_newer, version_of
from weirwatch.store.standing import LONGEST

_KEPT = 4  # idle connections; more callers at once open more, and close them afterwards

_FAR: Micros = 2**62  # beyond every time and number in the file, within SQLite's integers

_QUALITIES = tuple(Quality)  # by number; a call of the class takes longer than all the rest

_CHANNELS = rows.select_from("channel", rows.CHANNEL_COLUMNS, "ORDER BY name")
_EVENT_COLUMNS = ("seq", "committed_at", *rows.EVENT_COLUMNS)
_EVENTS = rows.select_from("event", _EVENT_COLUMNS, "WHERE seq > ? ORDER BY seq LIMIT ?")
# The index by time says between which numbers the range lies; the rest is a walk in their order.
_EVENTS_BETWEEN = rows.select_from(
    "event",
    _EVENT_COLUMNS,
    """
    JOIN (SELECT min(seq) AS low, max(seq) AS high FROM event INDEXED BY event_by_time
          WHERE time >= :start AND time < :end) AS found
    WHERE seq > :after AND seq BETWEEN low AND high AND time >= :start AND time < :end
    ORDER BY seq LIMIT :limit
    """,
)
_UNDELIVERED = rows.select_from(
    "notice",
    rows.NOTICE_COLUMNS,
    "WHERE (state = 'pending' AND attempts > 0) OR (state = 'given-up' AND created >= ?) "
    "ORDER BY number",
)
_NOTICE = rows.select_from("notice", rows.NOTICE_COLUMNS, "WHERE id = ?")
_NOTICES = rows.select_from(
    "notice", ("number", *rows.NOTICE_COLUMNS), "WHERE number > ? ORDER BY number LIMIT ?"
)
_QUARANTINED = rows.select_from(
    "quarantine", rows.QUARANTINE_COLUMNS, "ORDER BY quarantine.id DESC LIMIT ?"
)


class SqliteArchive:
    """`ports.Archive` on the file. The file need not be there yet: each call says so.

    Every method raises:
        ConfigError: there is no file yet, or it was written by a newer version.
        TransientError: it may work later.
        PermanentError: the file is damaged, or the archive was closed.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = Lock()
        self._idle: list[sqlite3.Connection] = []
        self._closed = False
        self._damage = DamageNotes()

    def channels(self) -> Sequence[Channel]:
        """Return all channels ever stored, by id."""
        with self._reading() as connection:
            return [rows.channel_from(row) for row in connection.execute(_CHANNELS).fetchall()]

    def newest(self) -> Mapping[str, Newest]:
        """Return the newest reading of each channel."""
        with self._reading() as connection:
            return state.newest(connection, self._damage)

    def series(self, channel: str, start: Micros, end: Micros, points: int) -> Sequence[Bucket]:
        """Return at most `points` buckets of equal width; good and uncertain readings only.

        The mean is the plain mean of the bucket's readings, not weighted by time. The last
        bucket ends with the range. From an hour on, buckets are whole UTC hours, cut off where
        the range begins and ends. Where readings were let go, they are whole hours even beyond
        the range's ends.

        Raises:
            KeyError: no such channel.
            ValueError: points < 1.
        """
        return self.series_of((channel,), start, end, points)[channel]

    def series_of(
        self,
        channels: Sequence[str],
        start: Micros,
        end: Micros,
        points: int,
        *,
        weighted: bool = False,
    ) -> Mapping[str, Sequence[Bucket]]:
        """Return the series of several channels by id, all on one grid of buckets.

        Where readings of one of them were let go, all have whole hours. Weighted: see `standing`.

        Raises:
            KeyError: no such channel.
            ValueError: points < 1.
        """
        if points < 1:
            raise ValueError(f"points = {points}: ask for at least one")
        with self._reading() as connection:
            numbers = {channel: number_of(connection, channel) for channel in channels}
            grid = series.common_grid(connection, numbers.values(), _fit(start), _fit(end), points)
            found: dict[str, list[Bucket]] = {}
            for channel, number in numbers.items():
                own = series.buckets(connection, number, grid, self._damage) if grid else []
                if weighted:
                    longest = longest_of(connection, number)
                    own = series.weighted(connection, number, own, longest, self._damage)
                found[channel] = own
            return found

    def readings(
        self, channel: str, start: Micros, end: Micros, after: Micros | None, limit: int
    ) -> Sequence[Reading]:
        """Return readings of any quality in time order, later than `after`, at most `limit`.

        Raises:
            KeyError: no such channel.
        """
        if after is not None:
            start = max(start, after + 1)
        with self._reading() as connection:
            number = number_of(connection, channel)
            found = history.raw(
                connection, number, _fit(start), _fit(end), _fit(limit, 0), self._damage
            )
        qualities = map(_QUALITIES.__getitem__, found.quality)
        return list(map(Reading, repeat(channel), found.ts, found.value, qualities, found.reason))

    def span(self, channel: str) -> tuple[Micros, Micros] | None:
        """Return the times of the first and the last reading, or None.

        Raises:
            KeyError: no such channel.
        """
        with self._reading() as connection:
            return history.span(connection, number_of(connection, channel), self._damage)

    def hours_let_go(self, channel: str) -> Collection[int]:
        """Return the hours since 1970, UTC, of which only the summary is kept; none if unknown."""
        with self._reading() as connection:
            found = connection.execute("SELECT id FROM channel WHERE name = ?", (channel,))
            number = found.fetchone()
            return set() if number is None else old_blocks.let_go_of(connection, number[0])

    def alarms(self) -> Mapping[str, Alarm]:
        """Return every alarm's committed state, by rule id."""
        with self._reading() as connection:
            return state.alarms(connection)

    def events(
        self, start: Micros | None, end: Micros | None, after_seq: int, limit: int
    ) -> Sequence[StoredEvent]:
        """Return events in commit order with seq > after_seq and a time in `[start, end)`."""
        with self._reading() as connection:
            if start is None and end is None:
                found = connection.execute(_EVENTS, (_fit(after_seq), _fit(limit, 0))).fetchall()
            else:
                bounds = {
                    "start": -_FAR if start is None else _fit(start),
                    "end": _FAR if end is None else _fit(end),
                    "after": _fit(after_seq),
                    "limit": _fit(limit, 0),
                }
                found = connection.execute(_EVENTS_BETWEEN, bounds).fetchall()
        return [rows.event_from(row) for row in found]

    def last_seq(self) -> int:
        """Return the newest event's sequence number, 0 if none."""
        with self._reading() as connection:
            return state.last_seq(connection)

    def notices(self, after: int, limit: int) -> Sequence[tuple[int, Notice]]:
        """Return (row number, notice), newest last, row number > after."""
        with self._reading() as connection:
            found = connection.execute(_NOTICES, (_fit(after), _fit(limit, 0))).fetchall()
        return [(number, rows.notice_from(tuple(rest))) for number, *rest in found]

    def notice(self, ident: str) -> Notice | None:
        """Return one notice, or None."""
        with self._reading() as connection:
            found = connection.execute(_NOTICE, (ident,)).fetchone()
        return None if found is None else rows.notice_from(found)

    def undelivered(self, since: Micros) -> Sequence[Notice]:
        """Return notices that were tried in vain and wait, and those given up since then."""
        with self._reading() as connection:
            found = connection.execute(_UNDELIVERED, (since,)).fetchall()
        return [rows.notice_from(row) for row in found]

    def tested(self) -> Mapping[str, Micros]:
        """Return by recipient when a test notice last arrived."""
        with self._reading() as connection:
            return notice_tests.tested(connection)

    def first_event_at(self) -> Micros | None:
        """Return the time of the file's first event, or None."""
        with self._reading() as connection:
            return notice_tests.first_event_at(connection)

    def quarantined(self, limit: int) -> Sequence[Quarantined]:
        """Return the newest quarantined payloads first."""
        with self._reading() as connection:
            found = connection.execute(_QUARANTINED, (_fit(limit, 0),)).fetchall()
        return [rows.quarantine_from(row) for row in found]

    def quarantine_counts(self) -> Mapping[str, int]:
        """Return how many were quarantined since the file was made, by code."""
        with self._reading() as connection:
            return dict(connection.execute("SELECT code, count FROM quarantine_count").fetchall())

    def log(
        self,
        start: Micros | None,
        end: Micros | None,
        kinds: Sequence[str],
        after: int,
        limit: int,
    ) -> Sequence[LogEntry]:
        """Return entries of the keeper's log in order of recording, number > `after`."""
        with self._reading() as connection:
            begin = None if start is None else _fit(start)
            finish = None if end is None else _fit(end)
            return log_book.read_log(connection, begin, finish, kinds, _fit(after), _fit(limit, 0))

    def photo(self, number: int) -> tuple[Photo, bytes] | None:
        """Return a photo of the log and its bytes, or None."""
        with self._reading() as connection:
            return log_photos.read(connection, _fit(number))

    def nodes(self) -> Mapping[str, NodeState]:
        """Return what each node last said of its connection."""
        with self._reading() as connection:
            return state.nodes(connection)

    def verify(self) -> int:
        """Check every block and every recent commit; return how many there are.

        What is damaged is counted and logged. One channel at a time, so that no reader stands for
        long in the way of the log's emptying.
        """
        with self._reading() as connection:
            blocks.note_set_aside(connection, self._damage)
            looked = hot.verify(connection, self._damage)
            numbers = [row[0] for row in connection.execute("SELECT id FROM channel")]
        for number in numbers:
            with self._reading() as connection:
                looked += blocks.verify_channel(connection, number, self._damage)
                spans.verify(connection, number, self._damage)
        return looked

    def damaged_parts(self) -> Sequence[str]:
        """Return which parts of the history were found damaged so far; all others answer."""
        return sorted(self._damage.noted)

    def close(self) -> None:
        """Close; idempotent. Calls under way finish first, later ones are refused."""
        with self._lock:
            self._closed = True
            idle, self._idle = self._idle, []
        for connection in idle:
            connection.close()

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        connection = self._take()
        sound = True
        try:
            with own_errors(self._path):
                connection.execute("BEGIN")  # one state of the file for the whole call
                yield connection
                connection.execute("COMMIT")
        except BaseException:
            sound = False
            raise
        finally:
            self._give_back(connection, sound=sound)

    def _take(self) -> sqlite3.Connection:
        with self._lock:
            if self._closed:
                raise PermanentError(f"{self._path}: this archive was closed")
            if self._idle:
                return self._idle.pop()
        connection = open_reader(self._path)
        try:
            _check_version(connection, self._path)
        except BaseException:
            connection.close()
            raise
        return connection

    def _give_back(self, connection: sqlite3.Connection, *, sound: bool) -> None:
        with self._lock:
            keep = sound and not self._closed and len(self._idle) < _KEPT
            if keep:
                self._idle.append(connection)
        if not keep:
            connection.close()


def _check_version(connection: sqlite3.Connection, path: Path) -> None:
    version = version_of(connection, path)
    refuse_newer(version, path)
    if version < len(MIGRATIONS):
        raise TransientError(
            f"{path} is of an older Weirwatch (schema {version}): start the service once, it"
            " brings the file up to date"
        )


def number_of(connection: sqlite3.Connection, channel: str) -> int:
    """Return the channel's number.

    Raises:
        KeyError: no such channel.
    """
    found = connection.execute("SELECT id FROM channel WHERE name = ?", (channel,)).fetchone()
    if found is None:
        raise KeyError(channel)
    return int(found[0])


def longest_of(connection: sqlite3.Connection, channel: int) -> Micros:
    """Return how long a reading of the channel stands at most; see `standing`."""
    found = connection.execute("SELECT silent_after FROM channel WHERE id = ?", (channel,))
    silent_after = found.fetchone()[0]
    return LONGEST if silent_after is None else int(silent_after)


def _fit(number: int, low: int = -_FAR) -> int:
    """Bring a caller's number into the range of SQLite's integers; a limit also to ≥ 0."""
    return min(max(number, low), _FAR)
