"""How long a channel is kept: each reading for so many days, the summary of its hour for years.

Readings go hour by hour. Summaries go by whole spans of 512 hours (three weeks), as they are
packed: none has ever to be packed anew because a part of it is too old.
"""

import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path

from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Channel
from weirwatch.settings import Kept, RetentionSettings
from weirwatch.store import history, old_blocks, spans
from weirwatch.store.ageing import Ageing
from weirwatch.store.block import HOUR, hour_of
from weirwatch.store.blocks import SPAN, DamageNotes
from weirwatch.store.connection import transaction
from weirwatch.store.old_blocks import Oldest
from weirwatch.store.recorder import ReadingRow

DAY: Micros = 24 * HOUR
YEAR: Micros = 8766 * HOUR  # 365.25 days

_EVER = -(2**62)
_MOST = 64  # channels whose hour goes in one transaction


def readings_from(kept: Kept, now: Micros) -> int:
    """Return the first hour since 1970 whose readings are kept."""
    return _EVER if kept.raw_days is None else hour_of(now - round(kept.raw_days * DAY))


def summaries_from(kept: Kept, now: Micros) -> int:
    """Return the first hour since 1970 whose summary is kept: the first of a span."""
    if kept.hourly_years is None:
        return _EVER
    return hour_of(now - round(kept.hourly_years * YEAR)) // SPAN * SPAN


class Retention:
    """Lets go what is old enough, a little at a time, the oldest first; the writing thread only.

    Args:
        path: the file.
        settings: how long what is kept.
        ageing: says how late it is for that.
        damage: where damage is noted.
    """

    def __init__(
        self, path: Path, settings: RetentionSettings, ageing: Ageing, damage: DamageNotes
    ) -> None:
        self._path = path
        self._settings = settings
        self._ageing = ageing
        self._damage = damage
        self._bounded: Mapping[int, Kept] = {}

    def adopt(self, channels: Sequence[Channel], numbers: Mapping[str, int]) -> None:
        """Learn whose readings may come too late to be kept at all."""
        kept = {numbers[c.id]: self._settings.of(c.id, c.quantity) for c in channels}
        self._bounded = {n: each for n, each in kept.items() if each.hourly_years is not None}

    def in_time(self, rows: Sequence[ReadingRow], now: Micros) -> Sequence[ReadingRow]:
        """Return the rows of hours that anything is kept of: the others need not even come in."""
        if not rows or not self._bounded:
            return rows
        day = self._ageing.day(now)
        since = {n: summaries_from(kept, day) * HOUR for n, kept in self._bounded.items()}
        if min(rows)[0] >= max(since.values()):
            return rows
        return [row for row in rows if row[0] >= since.get(row[1], row[0])]

    def let_oldest_go(self, connection: sqlite3.Connection, before: Micros) -> bool:
        """Let the oldest readings of all go, an hour, if it ended before this time.

        Returns:
            Whether there were any.

        Raises:
            TransientError, PermanentError: nothing was changed.
        """
        end = hour_of(before)
        return self._let_readings_go(
            connection, [o for o in old_blocks.oldest(connection) if o.with_readings < end]
        )

    def step(self, connection: sqlite3.Connection, now: Micros) -> bool:
        """Let the oldest that is old enough go; return whether there was anything.

        One transaction: readings of an hour, or what is left of three weeks of a channel.

        Raises:
            TransientError, PermanentError: nothing was changed.
        """
        day = self._ageing.day(now)
        self._ageing.keep(connection)
        found = [(o, self._settings.of(o.name, o.quantity)) for o in old_blocks.oldest(connection)]
        if self._let_readings_go(
            connection, [o for o, kept in found if o.with_readings < readings_from(kept, day)]
        ):
            return True
        for each, kept in found:
            if each.hour < summaries_from(kept, day):
                self._let_span_go(connection, each.channel, each.hour // SPAN)
                return True
        return False

    def _let_readings_go(self, connection: sqlite3.Connection, due: Sequence[Oldest]) -> bool:
        if not due:
            return False
        hour = min(each.with_readings for each in due)
        channels = [each.channel for each in due if each.with_readings == hour]
        with transaction(connection, self._path):
            for channel in channels[:_MOST]:
                old_blocks.let_go(connection, channel, hour, self._damage)
        return True

    def _let_span_go(self, connection: sqlite3.Connection, channel: int, span: int) -> None:
        with transaction(connection, self._path):
            first = old_blocks.forget(connection, channel, span * SPAN, (span + 1) * SPAN)
            spans.let_go(connection, channel, span)
            history.note_first(connection, channel, first, self._damage)
