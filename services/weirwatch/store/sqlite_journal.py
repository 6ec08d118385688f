"""The write side of the file: one group of the loop becomes one durable transaction."""

import logging
import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path

from weirwatch.domain.book import rule_mark
from weirwatch.domain.errors import ConfigError, PermanentError
from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Channel, Reading
from weirwatch.domain.rule import Rule
from weirwatch.ports import Clock, Group, Restored
from weirwatch.settings import RetentionSettings
from weirwatch.store import blocks, history, rows, state
from weirwatch.store.ageing import Ageing
from weirwatch.store.blocks import DamageNotes
from weirwatch.store.connection import (
    BUSY_TIMEOUT_MS,
    DiskFullError,
    open_writer,
    own_errors,
    transaction,
    wal_of,
)
from weirwatch.store.damage import find_damage, move_aside
from weirwatch.store.far.trimming import Trimmer
from weirwatch.store.packing import PCODEC, codec_here
from weirwatch.store.past import add_past
from weirwatch.store.quarantine import add_quarantined
from weirwatch.store.recorder import ReadingRow, Recorder
from weirwatch.store.reserve import Reserve
from weirwatch.store.retention import Retention
from weirwatch.store.schema import FILE_NAME, make_file, upgrade
from weirwatch.store.sealing import Sealer
from weirwatch.store.upkeep import Upkeep

log = logging.getLogger(__name__)

# SQLite empties the log by itself when no reader is in its way. With readers always in its way
# the log would grow without end: beyond this size we insist once per step, for as many
# milliseconds as there are units in the log, so that the log is bounded by how long reads last.
WAL_LIMIT = 16 * 1024 * 1024
_WAL_STEP = 4 * 1024 * 1024
_WAL_UNIT = WAL_LIMIT // 50
_INSIST_AT_MOST_MS = 1000

_SET_CHANNEL = rows.upsert_into("channel", rows.CHANNEL_COLUMNS, "name")
_ADD_EVENT = rows.insert_into("event", ("seq", "committed_at", *rows.EVENT_COLUMNS))
_SET_ALARM = rows.upsert_into("alarm", (*rows.ALARM_COLUMNS, "rule_mark"), "rule")
_ADD_NOTICE = rows.insert_into("notice", rows.NOTICE_COLUMNS, "ON CONFLICT (id) DO NOTHING")
_SET_CALLING = rows.upsert_into("calling", ("key", "state"), "key")
_SET_NODE = rows.upsert_into("node", rows.NODE_COLUMNS, "node")
_FOR_EVER = RetentionSettings()
_MARK_RUNNING = "UPDATE meta SET alive_at = ?, clean_stop = 0"


class SqliteJournal:
    """`ports.Journal` on the file; makes the file when there is none.

    Args:
        path: the file.
        clock: measures the budget of `maintain`; None: one small piece of work a call.
        retention: how long readings are kept, and the summaries of their hours.
        far: the history is on a server: readings stay recent until it was found to have them.

    Raises:
        ConfigError: the file was written by a newer version, or with a codec that is not here.
        TransientError, PermanentError: it cannot be opened.
    """

    def __init__(
        self,
        path: Path,
        *,
        clock: Clock | None = None,
        retention: RetentionSettings = _FOR_EVER,
        far: bool = False,
    ) -> None:
        if not path.exists():
            make_file(path)
        self._path = path
        self._connection = open_writer(path)
        self._numbers: Mapping[str, int] = {}
        self._marks: Mapping[str, str] = {}
        self._wal_limit = WAL_LIMIT
        self._damage = DamageNotes()
        self._recorder = Recorder(self._damage, far=far)
        self._far = far
        keeper = Trimmer(path, self._damage) if far else Sealer(path, self._damage)
        self._reserve = Reserve(path.parent)
        self._ageing = Ageing(path, clock)
        self._retention = Retention(path, retention, self._ageing, self._damage)
        self._upkeep = Upkeep(path, self._recorder, keeper, self._retention, clock, self._reserve)
        self._let_go_late = 0
        self._marked_running = False
        try:
            upgrade(self._connection, path)
            self._refuse_missing_codec()
            self._ageing.begin(self._connection)
        except BaseException:
            self._connection.close()
            raise

    def restore(self) -> Restored:
        """Return what the file remembers."""
        with own_errors(self._path):
            return state.restored(self._connection)

    def adopt(self, channels: Sequence[Channel], rules: Sequence[Rule]) -> Mapping[str, int]:
        """Register channels and the rules' fingerprints; return channel id → number.

        An alarm gets the fingerprint of its rule when it is next committed: until then
        `Restored.rule_marks` keeps saying by which rule it was judged.

        Raises:
            ConfigError: a channel that already has readings comes with another unit.
        """
        with transaction(self._connection, self._path):
            history.catch_up_latest(self._connection, self._damage)
            _refuse_other_units(self._connection, channels)
            self._connection.executemany(_SET_CHANNEL, map(rows.channel_row, channels))
            numbers = dict(self._connection.execute("SELECT name, id FROM channel").fetchall())
        self._numbers = {channel.id: numbers[channel.id] for channel in channels}
        self._marks = {rule.id: rule_mark(rule) for rule in rules}
        self._retention.adopt(channels, numbers)
        return self._numbers

    def commit(self, group: Group) -> int:
        """Make a group durable; return how many of its readings were already there.

        Those of hours of which nothing is kept any more count as already there.

        Raises:
            TransientError: locked, disk full, input/output error; the file is as it was.
            PermanentError: any other error; likewise.
        """
        try:
            return self._commit(group)
        except DiskFullError:
            if not self._made_room():
                raise
            return self._commit(group)

    def _commit(self, group: Group) -> int:
        duplicates = 0
        appended: Sequence[Micros] = ()
        rows = self._in_time(group.readings, group.committed_at)
        try:
            with transaction(self._connection, self._path):
                self._refuse_strangers(group)
                if rows:
                    duplicates, appended = self._recorder.add(
                        self._connection, rows, group.committed_at
                    )
                self._add_records(group)
                if not (appended and self._marked_running):  # readings carry the commit's time
                    self._connection.execute(_MARK_RUNNING, (group.committed_at,))
        except BaseException:
            self._recorder.forget()
            raise
        self._marked_running = True
        self._upkeep.arrived(appended, group.committed_at)
        self._bound_wal()
        return duplicates + self._too_late(group.readings, rows)

    def take_in(self, readings: Sequence[Reading], now: Micros) -> int:
        """Make readings of the past durable; return how many of them were already there.

        Those of hours of which nothing is kept any more count as already there.

        Raises:
            TransientError, PermanentError: nothing was changed.
        """
        unknown = sorted({reading.channel for reading in readings}.difference(self._numbers))
        if unknown:
            raise PermanentError(f"{self._path}: no channel {', '.join(unknown)}; nothing changed")
        numbers = self._numbers
        given = [(r.time, numbers[r.channel], r.value, int(r.quality), r.reason) for r in readings]
        rows = self._in_time(given, now)
        self._recorder.forget()
        try:
            with transaction(self._connection, self._path):
                # No sign of life: an import into a stopped service must not hide since when it is.
                at = state.alive_at(self._connection)
                at = now if at is None else at
                if self._far:  # the spool is the way to the server
                    added = self._recorder.add(self._connection, rows, at)
                else:
                    added = add_past(self._connection, rows, now, at, self._recorder, self._damage)
        finally:
            self._recorder.forget()
        self._upkeep.arrived(added.appended, now)
        self._bound_wal()
        return added.duplicates + self._too_late(given, rows)

    def maintain(self, now: Micros, budget_s: float) -> bool:
        """Seal, let go, make room for about so long; return whether there is more to do.

        Raises no error of ours: what fails has changed nothing and is tried again later.

        Args:
            now: service time.
            budget_s: real seconds; one piece of work takes a few milliseconds and is finished.
        """
        try:
            return self._upkeep.run(self._connection, now, budget_s)
        except DiskFullError as full:
            log.warning("store.upkeep_failed error=%s", full)
            self._made_room()
            return False

    def counters(self) -> Mapping[str, int]:
        """Return counts since the start; callable from any thread.

        Returns:
            damaged_parts; upkeep_failures; let_go_for_room: hours that had to go early on a full
            disk; let_go_late: readings that came when nothing is kept of their hours any more.
        """
        return {
            "damaged_parts": len(self._damage.noted),
            "upkeep_failures": self._upkeep.failures,
            "let_go_for_room": self._upkeep.let_go_for_room,
            "let_go_late": self._let_go_late,
        }

    def mark_alive(self, time: Micros) -> None:
        """Note that the service is alive at this time."""
        self._mark(time, clean_stop=False)

    def mark_stopped(self, time: Micros) -> None:
        """Note an orderly stop."""
        self._mark(time, clean_stop=True)

    def close(self) -> None:
        """Close the file; idempotent."""
        self._connection.close()

    def _in_time(self, rows: Sequence[ReadingRow], now: Micros) -> Sequence[ReadingRow]:
        """Return those to be stored; a server has a retention of its own."""
        return rows if self._far else self._retention.in_time(rows, now)

    def _too_late(self, rows: Sequence[ReadingRow], stored: Sequence[ReadingRow]) -> int:
        """Count those that were not even stored, and return how many it were."""
        late = len(rows) - len(stored)
        self._let_go_late += late
        return late

    def _refuse_strangers(self, group: Group) -> None:
        """Readings under a number that is no channel's would be there and never be found."""
        strangers = {row[1] for row in group.readings}.difference(self._numbers.values())
        if strangers:
            raise PermanentError(
                f"{self._path}: no channel was registered under the channel numbers"
                f" {sorted(strangers)}; nothing was changed"
            )

    def _add_records(self, group: Group) -> None:
        many = self._connection.executemany
        if group.events:
            at = group.committed_at
            many(_ADD_EVENT, [(seq, at, *rows.event_row(event)) for seq, event in group.events])
        if group.alarms:
            marks = self._marks
            many(
                _SET_ALARM,
                [(*rows.alarm_row(a), marks.get(a.rule, "")) for a in group.alarms.values()],
            )
        if group.closed:
            many("DELETE FROM alarm WHERE rule = ?", [(rule,) for rule in group.closed])
        if group.notices:
            many(_ADD_NOTICE, map(rows.notice_row, group.notices))
        if group.calling:
            items = group.calling.items()
            many(_SET_CALLING, [(key, text) for key, text in items if text is not None])
            over = [(key,) for key, text in items if text is None]
            many("DELETE FROM calling WHERE key = ?", over)
        if group.nodes:
            many(_SET_NODE, map(rows.node_row, group.nodes.values()))
        if group.quarantined:
            add_quarantined(self._connection, group.quarantined)

    def _refuse_missing_codec(self) -> None:
        if codec_here() != PCODEC and blocks.codec_in_use(self._connection, PCODEC):
            raise ConfigError(
                f"{self._path}: its history was packed with pcodec, which this Python does not"
                " have: install it (pip install pcodec)"
            )

    def _mark(self, time: Micros, *, clean_stop: bool) -> None:
        with transaction(self._connection, self._path):
            self._connection.execute(
                "UPDATE meta SET alive_at = ?, clean_stop = ?", (time, clean_stop)
            )
        self._marked_running = not clean_stop

    def _made_room(self) -> bool:
        """Give the reserve back and empty the log; return whether either was possible."""
        spent = self._reserve.spend()
        return self._emptied_wal(_INSIST_AT_MOST_MS) or spent

    def _bound_wal(self) -> None:
        """Empty a log that readers have kept from being emptied; give up after a moment."""
        try:
            size = wal_of(self._path).stat().st_size
        except OSError:
            return
        if size < self._wal_limit:
            return
        emptied = self._emptied_wal(min(size // _WAL_UNIT, _INSIST_AT_MOST_MS))
        self._wal_limit = WAL_LIMIT if emptied else size + _WAL_STEP

    def _emptied_wal(self, insist_ms: int) -> bool:
        """Empty the log; return whether it was possible, waiting for readers that long."""
        try:
            self._connection.execute(f"PRAGMA busy_timeout = {insist_ms}")
            busy, *_ = self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        except sqlite3.Error as error:  # what was committed is durable: nothing fails for this
            log.warning("store.wal_not_emptied error=%s", error)
            return False
        finally:
            self._connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
        return not busy


def open_journal(
    data_dir: Path,
    time_for_names: str,
    *,
    clock: Clock | None = None,
    retention: RetentionSettings = _FOR_EVER,
    far: bool = False,
    keep_damaged: bool = False,
) -> tuple[SqliteJournal, str | None]:
    """Check the data folder's file, move it aside if it is damaged, and open it or a new one.

    The caller holds the folder's `WriterLock`.

    Args:
        data_dir: the data folder.
        time_for_names: the time now as it may stand in a file name, as 20260501T120000Z.
        clock: as for `SqliteJournal`.
        retention: as for `SqliteJournal`.
        far: as for `SqliteJournal`.
        keep_damaged: refuse a damaged file and leave it where it is: the service must tell people.

    Returns:
        The journal; and, if a damaged file was moved aside, the sentences that say so.

    Raises:
        ConfigError: the file was written by a newer version.
        TransientError, PermanentError: the disk does not let us, or the file is damaged and kept.
    """
    path = data_dir / FILE_NAME
    damage = find_damage(path)
    message = None
    if damage is not None and keep_damaged:
        raise PermanentError(
            f"{path} is damaged: {damage}. Nothing was changed. Start the service: it moves the"
            " file aside, begins a new one and tells of it"
        )
    if damage is not None:
        message = move_aside(path, damage, time_for_names)
        log.error("store.damaged_file_moved_aside file=%s damage=%s", path, damage)
    return SqliteJournal(path, clock=clock, retention=retention, far=far), message


def _refuse_other_units(connection: sqlite3.Connection, channels: Sequence[Channel]) -> None:
    """Refuse to call what was stored in one unit by another."""
    stored = dict(
        connection.execute(
            "SELECT name, unit FROM channel JOIN newest ON newest.channel_id = channel.id"
        ).fetchall()
    )
    problems = [
        f"[[channel]] {channel.id}: unit = {channel.unit!r}, but its history is in"
        f" {stored[channel.id]!r}: keep that unit, or give the channel a new id"
        for channel in channels
        if channel.id in stored and stored[channel.id] != channel.unit
    ]
    if problems:
        raise ConfigError(problems)
