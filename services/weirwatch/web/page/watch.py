"""Home of the page's background work: it listens to the core and reads the record.

Four threads serve every open page of the process, so that neither a slow core nor a slow disk
ever holds up a browser: one listens (newest readings, and word that something happened), one
asks for health, one for planned work, one reads the record. `sight` hands out what they know, and
never waits.
"""

import contextlib
import logging
import threading
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from weirwatch.domain.errors import TransientError, WeirwatchError
from weirwatch.domain.instant import SECOND, Micros, from_rfc3339
from weirwatch.domain.planned_work import NOT_ENDED
from weirwatch.domain.reading import Quality
from weirwatch.ports import Archive, Clock, Core, Newest, Notice, StoredEvent
from weirwatch.web.page.sight import Sight

log = logging.getLogger(__name__)

SHOWN = 50  # events, notices and quarantined payloads kept for the page
_ASK_EVERY_S = 3.0  # health
_WORKS_EVERY_S = 5.0  # planned work, when nothing was heard of it meanwhile
_READ_EVERY_S = 5.0  # the record, when nothing was heard meanwhile
_RETRY_S = 1.0
_HUNG_AFTER: Micros = 6 * SECOND  # real time; a question so long unanswered means: not answering
_PAGE = 500


class Watch:
    """Keeps one `Sight` of the system up to date for all open pages.

    `start` once; `close` is idempotent and safe before `start`.
    """

    def __init__(self, archive: Archive, core: Core, clock: Clock) -> None:
        self._archive = archive
        self._core = core
        self._clock = clock
        self._lock = threading.Lock()
        self._sight = Sight()
        self._asked: tuple[Micros, Micros] | None = None
        self._stop = threading.Event()
        self._dirty = threading.Event()
        self._works_moved = threading.Event()
        self._works_told = 0
        self._listening: contextlib.ExitStack | None = None
        self._threads: list[threading.Thread] = []
        self._tail = _Tail(archive)

    def start(self) -> None:
        """Begin to listen, to ask and to read."""
        for name, work in (
            ("listen", self._listen),
            ("ask", self._ask),
            ("ask-works", self._ask_works),
            ("read", self._read),
        ):
            thread = threading.Thread(
                target=self._forever, args=(work,), name=f"page-{name}", daemon=True
            )
            self._threads.append(thread)
            thread.start()

    def close(self) -> None:
        """Stop; a thread that waits for a hung core is left behind as a daemon."""
        self._stop.set()
        self._dirty.set()
        self._works_moved.set()
        if self._listening is not None:
            self._listening.close()  # ends the iteration that waits in the other thread
        for thread in self._threads:
            thread.join(timeout=0.5)
        self._threads.clear()

    def sight(self) -> Sight:
        """Return what is known now; never waits for the core or the disk."""
        with self._lock:
            sight, asked = self._sight, self._asked
        if asked and sight.core_lost_at is None:
            real, utc = asked
            if self._clock.real_mono() - real > _HUNG_AFTER:
                return replace(sight, core_lost_at=utc)
        return sight

    def nudge(self) -> None:
        """Read the record soon: something was just changed."""
        self._dirty.set()

    def take_work(self, work: Mapping[str, Any]) -> None:
        """Show planned work as the core has just confirmed it."""
        with self._lock:
            self._works_told += 1
            works = (work if w["id"] == work["id"] else w for w in self._sight.works)
            self._sight = replace(self._sight, works=tuple(works))
        self._works_moved.set()

    # --- the threads ---------------------------------------------------------------------

    def _forever(self, work: Callable[[], None]) -> None:
        while not self._stop.is_set():
            try:
                work()
            except Exception:
                log.exception("page.watch_failed thread=%s", threading.current_thread().name)
            self._stop.wait(_RETRY_S)

    def _listen(self) -> None:
        with contextlib.suppress(TransientError), contextlib.ExitStack() as stack:
            # `_ask` finds a lost core as well, and says so on the page.
            messages = stack.enter_context(self._core.listen())
            self._listening = stack
            self._dirty.set()  # what was told before is not told again
            self._works_moved.set()
            for message in messages:
                if self._stop.is_set():
                    return
                self._take(message)

    def _take(self, message: Mapping[str, Any]) -> None:
        if "event" in message or "dropped" in message:
            self._dirty.set()
        if "dropped" in message or _moves_works(message.get("event")):
            self._works_moved.set()
        readings = message.get("readings")
        if readings:
            fresh = {channel: _newest(*entry) for channel, entry in readings.items()}
            with self._lock:
                newest = _merged(self._sight.newest, fresh)
                self._sight = replace(self._sight, newest=newest)

    def _ask(self) -> None:
        while not self._stop.is_set():
            self._asked = (self._clock.real_mono(), self._clock.now().utc)
            try:
                health = self._core.health()
            except WeirwatchError:
                self._core_is_lost()
            else:
                self._change(health=health, core_lost_at=None)
            self._asked = None
            self._stop.wait(_ASK_EVERY_S)

    def _ask_works(self) -> None:
        while not self._stop.is_set():
            self._works_moved.clear()
            told = self._works_told
            with contextlib.suppress(WeirwatchError):  # `_ask` says that the core is lost
                works = tuple(self._core.work({"name": "list"})["items"])
                with self._lock:
                    if told == self._works_told:  # else this may be older than what was confirmed
                        self._set(works=works)
            self._works_moved.wait(_WORKS_EVERY_S)

    def _core_is_lost(self) -> None:
        if self._sight.core_lost_at is None:
            asked = self._asked
            self._change(core_lost_at=asked[1] if asked else self._clock.now().utc)
            log.info("page.core_lost")

    def _read(self) -> None:
        while not self._stop.is_set():
            self._dirty.clear()
            try:
                self._read_once()
            except Exception as error:  # noqa: BLE001 - whatever the store raises, the page says so
                self._record_is_lost(error)
            self._dirty.wait(_READ_EVERY_S)

    def _read_once(self) -> None:
        archive = self._archive
        events, notices = self._tail.read()
        newest = archive.newest()
        changes = {
            "alarms": archive.alarms(),
            "nodes": archive.nodes(),
            "events": events,
            "notices": notices,
            "quarantined": tuple(archive.quarantined(SHOWN)),
            "quarantine_counts": archive.quarantine_counts(),
        }
        with self._lock:  # to the end: what is heard meanwhile must not be undone
            merged = _merged(newest, self._sight.newest)
            self._set(**changes, newest=merged, seen=True, record_lost_at=None)

    def _record_is_lost(self, error: Exception) -> None:
        if self._sight.record_lost_at is None:
            log.warning("page.record_unreadable error=%r", error)
            self._change(record_lost_at=self._clock.now().utc)

    def _change(self, **changes: Any) -> None:
        with self._lock:
            self._set(**changes)

    def _set(self, **changes: Any) -> None:
        """Change the sight, if that is one; call with the lock held."""
        new = replace(self._sight, **changes)
        if new != self._sight:
            self._sight = new


class _Tail:
    """Follows the ends of the event and notice lists; used by the reading thread only."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._notice_row = 0

    def read(self) -> tuple[tuple[StoredEvent, ...], tuple[Notice, ...]]:
        last = self._archive.last_seq()
        events = self._archive.events(None, None, max(0, last - SHOWN), SHOWN)
        return tuple(reversed(events)), self._notices()

    def _notices(self) -> tuple[Notice, ...]:
        # Rows known before are read again: their delivery state may have moved on.
        rows: list[tuple[int, Notice]] = []
        after = max(0, self._notice_row - SHOWN)
        while page := self._archive.notices(after, _PAGE):
            rows = [*rows, *page][-SHOWN:]
            after = page[-1][0]
        self._notice_row = after if rows else 0
        return tuple(notice for _, notice in reversed(rows))


def _moves_works(event: Mapping[str, Any] | None) -> bool:
    """Return whether an event may change how planned work stands."""
    if event is None:
        return False
    return event["kind"].startswith("planned-work") or event.get("rule") == NOT_ENDED


def _newest(time: Micros | str, value: float, quality: int | str, reason: str = "") -> Newest:
    moment = from_rfc3339(time) if isinstance(time, str) else int(time)
    known = Quality[quality.upper()] if isinstance(quality, str) else Quality(quality)
    return Newest(moment, value, known, reason)


def _merged(first: Mapping[str, Newest], second: Mapping[str, Newest]) -> Mapping[str, Newest]:
    """Return the newer of each channel; at the same time the first one's."""
    merged = dict(first)
    for channel, newest in second.items():
        known = merged.get(channel)
        if known is None or newest.time > known.time:
            merged[channel] = newest
    return merged
