"""Turning hours of recent readings into sealed blocks, a little at a time.

An hour is gathered and packed in memory, channel by channel; one transaction then writes all its
blocks and takes its readings out of the recent ones. (Hours of few readings go several at once.)
Until then nothing has changed, so that a stop at any moment only costs the work. A reading that
arrives for the hour meanwhile voids it.
"""

import logging
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.store import blocks, history, hot
from weirwatch.store.block import HOUR, Readings, hour_of
from weirwatch.store.blocks import DamageNotes, Found
from weirwatch.store.connection import transaction

log = logging.getLogger(__name__)

MARGIN: Micros = HOUR  # after an hour's end; what comes later is merged into its block
MOST_READINGS = 20_000  # of several hours at once; one hour is sealed whole however many it has
MOST_BLOCKS = 64
LATE_REST: Micros = 600 * SECOND  # an old hour is left alone so long after its last arrival


_SEALED = """
    UPDATE meta SET
      sealed_end = max(coalesce(sealed_end, :end), :end),
      alive_at = max(coalesce(alive_at, :alive_at), :alive_at)
"""


@dataclass(slots=True)
class _Prepared:
    """Hours on their way.

    Attributes:
        groups: the rows of the recent readings that they were gathered from.
        waiting: channel, hour and readings still to be packed.
    """

    hours: Sequence[int]
    groups: Sequence[hot.Group]
    waiting: list[tuple[int, int, Readings]]
    packed: list[tuple[Readings, Found]] = field(default_factory=list)


class Sealer:
    """Seals hours that ended more than MARGIN ago, the oldest first; the writing thread only."""

    def __init__(self, path: Path, damage: DamageNotes) -> None:
        self._path = path
        self._damage = damage
        self._prepared: _Prepared | None = None
        self._held: dict[int, Micros] = {}

    def arrived(self, times: Sequence[Micros], now: Micros) -> None:
        """Note that readings of these times were appended to the recent ones."""
        if not times or min(times) >= self._end(now):
            return
        for hour in {hour_of(time) for time in times}:
            self._held[hour] = now
            if self._prepared is not None and hour in self._prepared.hours:
                self._prepared = None

    def step(self, connection: sqlite3.Connection, now: Micros) -> bool:
        """Do one small piece of work; return whether there was any.

        Raises:
            TransientError, PermanentError: nothing was changed.
        """
        if self._prepared is None:
            self._prepared = self._gather(connection, now)
            return self._prepared is not None
        if self._prepared.waiting:
            channel, hour, readings = self._prepared.waiting.pop()
            block = blocks.prepared(channel, hour, readings)
            self._prepared.packed.append((readings, block))
            return True
        prepared, self._prepared = self._prepared, None
        self._seal(connection, prepared)
        return True

    def _end(self, now: Micros) -> Micros:
        """Return the end of the last hour that may be sealed."""
        return hour_of(now - MARGIN) * HOUR

    def _gather(self, connection: sqlite3.Connection, now: Micros) -> _Prepared | None:
        self._held = {hour: at for hour, at in self._held.items() if 0 <= now - at < LATE_REST}
        end = self._end(now)
        groups = hot.between(connection, -(2**63), end)
        rows = hot.unpack(groups, self._damage)
        due = (rows.ts < end) & ~np.isin(rows.ts // HOUR, list(self._held))
        waiting = hot.by_hour(hot.chosen(rows, due), MOST_READINGS, MOST_BLOCKS)
        if not waiting:
            return None
        hours = sorted({hour for _, hour, _ in waiting})
        low, high = hours[0] * HOUR, (hours[-1] + 1) * HOUR
        inside = [
            group
            for group in groups
            if group.t_first < high and group.t_last >= low and hot.is_sound(group)
        ]
        return _Prepared(hours, inside, waiting[::-1])

    def _seal(self, connection: sqlite3.Connection, prepared: _Prepared) -> None:
        with transaction(connection, self._path):
            history.catch_up_latest(connection, self._damage)
            for readings, block in prepared.packed:
                found = blocks.at(connection, block.channel, block.hour)
                if found is None:
                    blocks.add(connection, block)
                else:  # never, as a late reading goes into its block; but nothing may be lost
                    blocks.merge(connection, found, readings, self._damage)
            hot.take_out(connection, prepared.groups, prepared.hours)
            alive_at = max(group.at for group in prepared.groups)
            connection.execute(_SEALED, {"end": prepared.hours[-1] + 1, "alive_at": alive_at})
        log.debug(
            "store.sealed first=%s hours=%d blocks=%d",
            blocks.hour_name(prepared.hours[0]),
            len(prepared.hours),
            len(prepared.packed),
        )
