"""Sends the file's recent readings to the server, and believes it only when it was asked.

A thread of its own. What the server has not confirmed stays in the file, so that a server that is
away for an hour, or forgets its last seconds in a power cut, costs nothing. One reading that the
server refuses is put aside with its sentence; the rest goes on. Nothing is sent twice: where it
is not certain whether the server has a reading, it is asked first.
"""

import logging
import sqlite3
import threading
from collections import Counter, deque
from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from contextlib import closing
from pathlib import Path
from typing import Any

from weirwatch.domain.errors import PermanentError, WeirwatchError
from weirwatch.domain.instant import SECOND, Micros, to_rfc3339
from weirwatch.domain.reading import Quality, Reading
from weirwatch.ports import Clock, Quarantined
from weirwatch.store import history, hot
from weirwatch.store.block import HOUR, QUALITY_BITS, QUALITY_MASK
from weirwatch.store.blocks import DamageNotes
from weirwatch.store.connection import open_writer, own_errors, transaction
from weirwatch.store.far.history import FarHistory
from weirwatch.store.far.spool import Spool, note_spool, spool_of
from weirwatch.store.quarantine import add_quarantined
from weirwatch.store.sealing import MARGIN

log = logging.getLogger(__name__)

LOOK_EVERY_S = 1.0
CONFIRM_EVERY: Micros = 30 * SECOND  # real
SETTLED_AFTER: Micros = 60 * SECOND  # real; before, a server may hold it in memory alone
RETRY_FIRST_S, RETRY_LONGEST_S = 1.0, 60.0
MOST_COMMITS = 200  # sent at once
MOST_READINGS = 20_000
MOST_BYTES = 1024 * 1024  # of commits looked at together: some 75 000 readings
MISSING_REST: Micros = 600 * SECOND  # real; after a server showed none of what it took
TRIES = 3  # a reading that the server has taken so often and does not have is put aside

_QUALITIES = tuple(Quality)
_NAMES = "SELECT id, name, unit FROM channel"


class Forwarder:
    """`run` is a thread's target; `step` is one turn of it.

    Args:
        path: the file.
        far: the server.
        clock: service time for what is confirmed, real time for retries.
    """

    def __init__(self, path: Path, far: FarHistory, clock: Clock) -> None:
        self._path = path
        self._far = far
        self._clock = clock
        self._stopping = threading.Event()
        self._damage = DamageNotes()
        self._unsure = True  # what was sent last, before a stop, may be there or not
        self._unsure_upto: int | None = None  # what was in the file at the start: who knows
        self._retry_s = RETRY_FIRST_S
        self._confirmed_at: Micros | None = None
        self._confirm_again_at: Micros | None = None
        self._sent: deque[tuple[Micros, int]] = deque()  # when, and up to which commit
        self._settled_upto: int | None = None
        self._tries: Counter[tuple[str, int]] = Counter()
        self._put_by: set[tuple[str, int]] = set()
        self._missing = ""
        self._counts: Counter[str] = Counter()
        self._trouble = ""
        self._behind = 0

    def run(self) -> None:
        """Send until `stop`; no trouble ends it, be it the file's, the server's or our own."""
        while not self._stopping.is_set():
            try:
                opened = open_writer(self._path)
            except Exception as trouble:  # noqa: BLE001 - told, and tried again
                self._stopping.wait(self._troubled(trouble))
                continue
            with closing(opened) as connection:
                while not self._stopping.is_set():
                    self._stopping.wait(self.step(connection))

    def stop(self) -> None:
        """Ask the thread to end; from any thread."""
        self._stopping.set()

    def as_json(self) -> dict[str, Any]:
        """Return what health shows: counts, commits waiting, and the trouble if there is one."""
        counts = {name: self._counts[name] for name in ("sent", "resent", "refused", "failures")}
        return {
            **counts,
            "server": self._far.name,
            "behind": self._behind,
            "state": self._trouble or self._missing,
        }

    def step(self, connection: sqlite3.Connection) -> float:
        """Send and confirm what there is; return how many real seconds to wait."""
        try:
            with own_errors(self._path):
                more = self._send(connection)
                if not more:
                    self._confirm(connection)
        except Exception as trouble:  # noqa: BLE001 - told, and tried again
            return self._troubled(trouble)
        if self._trouble:
            log.info("history.server_answers")
        self._trouble, self._retry_s = "", RETRY_FIRST_S
        return 0.0 if more else LOOK_EVERY_S

    def _troubled(self, trouble: Exception) -> float:
        """Take note of it; return how many real seconds to wait."""
        self._counts["failures"] += 1
        self._unsure = True
        said = str(trouble)
        if not isinstance(trouble, WeirwatchError):  # an answer that nobody foresaw, or our mistake
            log.error("history.mistake", exc_info=trouble)
            said = f"{self._far.name} answers what is not understood ({trouble!r}); see the log"
        elif not self._trouble:
            log.warning("history.server_troubled error=%s", trouble)
        self._trouble = f"{said}; what it has not taken waits in the file, nothing is lost"
        wait, self._retry_s = self._retry_s, min(2 * self._retry_s, RETRY_LONGEST_S)
        return wait

    # --- sending ----------------------------------------------------------------------------

    def _send(self, connection: sqlite3.Connection) -> bool:
        """Send some commits; return whether there may be more."""
        spool = spool_of(connection)
        newest, _ = hot.last(connection) or (0, 0)
        if self._unsure_upto is None:
            self._unsure_upto = newest
        self._behind = max(0, newest - spool.sent_upto)
        groups = hot.next_after(connection, spool.sent_upto, MOST_COMMITS)
        for some in _portions(groups):
            self._send_portion(connection, some, spool)
        self._unsure = False
        return len(groups) == MOST_COMMITS

    def _send_portion(
        self, connection: sqlite3.Connection, groups: Sequence[hot.Group], spool: Spool
    ) -> None:
        readings, units = self._told(connection, groups)
        # Before anything was confirmed, a copy of the history may have brought the same ones.
        edge = spool.confirmed_end if spool.confirmed_end is not None else 2**62
        unsure = self._unsure or groups[0].id <= (self._unsure_upto or 0)
        if self._unsure:
            self._far.settle()  # what it took before the connection broke, it must show now
        doubtful = [r for r in readings if unsure or r.time < edge]
        known = self._known(doubtful)
        fresh = self._lacking(readings, known)
        for low in range(0, len(fresh), MOST_READINGS):
            self._write(connection, fresh[low : low + MOST_READINGS], units)
        with transaction(connection, self._path):
            note_spool(connection, spool_of(connection)._replace(sent_upto=groups[-1].id))
        self._counts["sent"] += len(fresh)

    def _write(
        self, connection: sqlite3.Connection, readings: Sequence[Reading], units: Mapping[str, str]
    ) -> None:
        """Write them; of those refused find each, and put it aside."""
        if not readings:
            return
        try:
            self._far.write(readings, units)
        except PermanentError as refusal:
            if len(readings) == 1:
                self._put_aside(connection, readings[0], str(refusal))
                return
            half = len(readings) // 2
            for some in (readings[:half], readings[half:]):
                # Of a refused lot the server may have taken some.
                known = self._known(some)
                rest = self._lacking(some, known)
                self._write(connection, rest, units)

    def _put_aside(self, connection: sqlite3.Connection, reading: Reading, why: str) -> None:
        self._counts["refused"] += 1
        self._put_by.add(self._key(reading))
        log.error("history.reading_refused channel=%s error=%s", reading.channel, why)
        told = f"{to_rfc3339(reading.time)} {reading.value!r} {reading.quality.word}"
        now = self._clock.now().utc
        item = Quarantined(now, reading.channel, "history-refused", why, told.encode())
        with transaction(connection, self._path):
            add_quarantined(connection, [item])

    # --- confirming -------------------------------------------------------------------------

    def _confirm(self, connection: sqlite3.Connection) -> None:
        """Ask the server for what is old enough to leave the file; send what it lacks again."""
        mono = self._clock.real_mono()
        spool = spool_of(connection)
        settled = self._settled(mono, spool.sent_upto)
        if self._confirmed_at is not None and mono - self._confirmed_at < CONFIRM_EVERY:
            return
        if self._confirm_again_at is not None and mono < self._confirm_again_at:
            return
        if settled is None:
            return
        end = (self._clock.now().utc - MARGIN) // HOUR * HOUR
        if spool.confirmed_end is not None:  # the clock may have gone back: nothing is forgotten
            end = max(end, spool.confirmed_end)
        groups = [
            group
            for group in hot.between(connection, -(2**63), end)
            if group.id <= settled and not _is_confirmed(group, spool)
        ]
        if groups and self._resent(connection, groups, end):
            return
        self._confirmed_at = mono
        if groups or spool.confirmed_end is None or end > spool.confirmed_end:
            with transaction(connection, self._path):
                note_spool(connection, Spool(spool_of(connection).sent_upto, settled, end))

    def _settled(self, mono: Micros, sent_upto: int) -> int | None:
        """Return up to which commit all was sent long enough ago; None: nobody knows yet."""
        if not self._sent or self._sent[-1][1] < sent_upto:
            self._sent.append((mono, sent_upto))
        while self._sent and mono - self._sent[0][0] >= SETTLED_AFTER:
            self._settled_upto = self._sent.popleft()[1]
        return self._settled_upto

    def _resent(
        self, connection: sqlite3.Connection, groups: Sequence[hot.Group], end: Micros
    ) -> bool:
        """Send again what the server lacks of these commits; return whether any may be left."""
        self._far.settle()
        resent = there = 0
        hopeless: list[Reading] = []
        for some in _portions(groups):
            readings, units = self._told(connection, some)
            due = [r for r in readings if r.time < end and self._key(r) not in self._put_by]
            known = self._known(due)
            lacking = self._lacking(due, known)
            there += sum(self._key(reading) in known for reading in due)
            self._tries.update(map(self._key, lacking))
            again = [reading for reading in lacking if self._tries[self._key(reading)] <= TRIES]
            hopeless += [reading for reading in lacking if self._tries[self._key(reading)] > TRIES]
            self._send_again(connection, again, units)
            resent += len(again)
        if hopeless and not there:
            self._rest(len(hopeless))
            return True
        for reading in hopeless:
            why = f"{self._far.name} took it {TRIES} times and does not have it: see whether"
            self._put_aside(connection, reading, f"{why} it keeps readings so old")
        if not resent:
            self._tries.clear()
            self._put_by = {key for key in self._put_by if key[1] * self._far.resolution >= end}
            self._missing = ""
        return bool(resent)

    def _send_again(
        self, connection: sqlite3.Connection, lacking: Sequence[Reading], units: Mapping[str, str]
    ) -> None:
        if not lacking:
            return
        log.warning("history.sent_again readings=%d", len(lacking))
        self._counts["resent"] += len(lacking)
        self._confirm_again_at = self._clock.real_mono() + SETTLED_AFTER
        for low in range(0, len(lacking), MOST_READINGS):
            self._write(connection, lacking[low : low + MOST_READINGS], units)

    def _rest(self, count: int) -> None:
        """Where the server shows nothing at all, the fault is not the readings': keep them."""
        self._missing = (
            f"{self._far.name} took {count} readings {TRIES} times and shows none of them: see"
            " whether it keeps readings so old, and whether url and query_url are one server;"
            " they wait in the file, nothing is lost"
        )
        log.error("history.server_shows_nothing readings=%d", count)
        self._tries.clear()
        self._confirm_again_at = self._clock.real_mono() + MISSING_REST

    # --- asking -----------------------------------------------------------------------------

    def _key(self, reading: Reading) -> tuple[str, int]:
        return reading.channel, reading.time // self._far.resolution

    def _known(self, readings: Iterable[Reading]) -> set[tuple[str, int]]:
        """Return which of them the server has."""
        spans: dict[tuple[str, int], list[Micros]] = {}
        for reading in readings:
            spans.setdefault((reading.channel, reading.time // HOUR), []).append(reading.time)
        found: set[tuple[str, int]] = set()
        for (channel, _), times in spans.items():
            low = min(times) // self._far.resolution * self._far.resolution
            there = self._far.readings(channel, low, max(times) + 1, 2**31)
            found.update(map(self._key, there))
        return found

    def _lacking(self, readings: Iterable[Reading], known: Set[tuple[str, int]]) -> list[Reading]:
        """Return those that the server does not have; of several that are one to it the first."""
        found: dict[tuple[str, int], Reading] = {}
        for reading in readings:
            key = self._key(reading)
            if key not in known:
                found.setdefault(key, reading)
        return list(found.values())

    def _told(
        self, connection: sqlite3.Connection, groups: Sequence[hot.Group]
    ) -> tuple[list[Reading], dict[str, str]]:
        """Return the readings of commits, in their order, and the unit of each channel."""
        rows = hot.unpack(groups, self._damage)
        texts = history.reasons(connection) if rows.code.any() else {0: ""}
        channels = {number: (name, unit) for number, name, unit in connection.execute(_NAMES)}
        readings = [
            Reading(
                channels[channel][0],
                time,
                value,
                _QUALITIES[code & QUALITY_MASK],
                texts[code >> QUALITY_BITS],
            )
            for time, channel, value, code in zip(*(c.tolist() for c in rows), strict=True)
        ]
        return readings, dict(channels.values())


def _is_confirmed(group: hot.Group, spool: Spool) -> bool:
    """Whether all of a commit's readings were found on the server."""
    end = spool.confirmed_end
    return end is not None and group.id <= spool.confirmed_upto and group.t_last < end


def _portions(groups: Sequence[hot.Group]) -> Iterator[list[hot.Group]]:
    """Yield the commits in portions that memory is enough for, at least one each."""
    portion: list[hot.Group] = []
    size = 0
    for group in groups:
        if portion and size + len(group.records) > MOST_BYTES:
            yield portion
            portion, size = [], 0
        portion.append(group)
        size += len(group.records)
    if portion:
        yield portion
