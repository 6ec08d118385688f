"""The home of what is done about the keeper's log: by the core while it runs, else by the command.

A request is one JSON object: `{"entries": [request, …], "check": false}`; each request as in
`pipeline.log_entries.LogRequest`. All of them are stored, or none. The answer is
`{"entries": [entry, …]}`, or a refusal that names each line. A photo for an entry that is stored is
a request of its own: `{"photo": {"entry": 12, "data": base64, "who": ""}}`.
"""

import logging
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from weirwatch.domain.errors import RefusedEntry
from weirwatch.domain.keeper_log import Correction, LogEntry, Photo
from weirwatch.pipeline.calibrating import correction_of
from weirwatch.pipeline.log_entries import LogWorld, entry_json, make_entry, request_from
from weirwatch.pipeline.photos import MOST_OF_ENTRY, photo_from, photo_json
from weirwatch.ports import Clock
from weirwatch.settings import Settings

log = logging.getLogger(__name__)

MOST_AT_ONCE = 1000
NewestTests = Mapping[str, Mapping[str, float]]  # system → quantity → value


class Book(Protocol):
    """Where the log is kept; see `store.log_book.LogBook`."""

    def add(self, entries: Sequence[LogEntry]) -> Sequence[LogEntry]:
        """Store all durably, or none; return them with their numbers."""
        ...

    def find(self, number: int) -> LogEntry | None:
        """Return one entry, or None."""
        ...

    def same(self, entry: LogEntry) -> LogEntry | None:
        """Return an entry that says the same of the same moment, or None."""
        ...

    def newest_tests(self) -> NewestTests:
        """Return the newest hand test of each quantity of each system, corrected ones left out."""
        ...

    def add_photo(self, photo: Photo, data: bytes) -> Photo:
        """Store a photo durably; the same one again for the same entry is the one that is there."""
        ...

    def corrections(self) -> dict[str, tuple[Correction, ...]]:
        """Return the corrections of every calibrated channel, oldest first."""
        ...


class LogDesk:
    """Carries out requests about the log. One at a time: the caller sees to that.

    `calibrated` is told each stored calibration's channel and correction, `tested` the newest hand
    tests when they have changed.
    """

    def __init__(
        self,
        book: Book,
        settings: Settings,
        clock: Clock,
        calibrated: Callable[[str, Correction], None] = lambda *_: None,
        tested: Callable[[NewestTests], None] = lambda _: None,
    ) -> None:
        self._book = book
        self._settings = settings
        self._clock = clock
        self._calibrated = calibrated
        self._tested = tested

    def handle(self, request: object) -> Mapping[str, Any]:
        """Carry out one request.

        Raises:
            RefusedEntry: with one sentence for each entry that cannot be; nothing was stored.
            TransientError, PermanentError: the file cannot be written; nothing was stored.
        """
        if isinstance(request, Mapping) and request.keys() == {"photo"}:
            return self._photo(request["photo"])
        wanted = request.get("entries") if isinstance(request, Mapping) else None
        if not isinstance(wanted, list) or not 1 <= len(wanted) <= MOST_AT_ONCE:
            raise RefusedEntry(f"a request about the log has 1 to {MOST_AT_ONCE} `entries`")
        made = self._make(wanted)
        if isinstance(request, Mapping) and request.get("check") is True:
            return {"entries": [entry_json(entry) for entry in made]}
        stored = self._book.add(made)
        for entry in stored:
            if entry.kind == "calibration":
                self._calibrated(entry.channel, correction_of(entry.detail))
                log.info("log.calibrated channel=%s number=%d", entry.channel, entry.number)
        if any(entry.kind == "test" or entry.replaces is not None for entry in stored):
            self._tested(self._book.newest_tests())
        return {"entries": [entry_json(entry) for entry in stored]}

    def _photo(self, wanted: object) -> Mapping[str, Any]:
        photo, data = photo_from(wanted, self._clock.now().utc)
        entry = self._book.find(photo.entry)
        if entry is None:
            raise RefusedEntry(f"there is no entry {photo.entry} to put a photo to")
        known = {other.sha256 for other in entry.photos}
        if len(known) >= MOST_OF_ENTRY and photo.sha256 not in known:
            raise RefusedEntry(f"entry {entry.number} has {MOST_OF_ENTRY} photos, and that is all")
        return {"photo": photo_json(self._book.add_photo(photo, data))}

    def _make(self, wanted: Sequence[object]) -> list[LogEntry]:
        now = self._clock.now().utc
        world = LogWorld(self._settings, now, self._book.find, self._book.corrections())
        made: list[LogEntry] = []
        problems: list[str] = []
        for at, item in enumerate(wanted, start=1):
            before = f"entry {at}: " if len(wanted) > 1 else ""
            try:
                made.append(self._entry(item, world, made))
            except RefusedEntry as refusal:
                problems.extend(f"{before}{problem}" for problem in refusal.problems)
        if problems:
            raise RefusedEntry(problems)
        return made

    def _entry(self, item: object, world: LogWorld, made: Sequence[LogEntry]) -> LogEntry:
        request = request_from(item)
        entry = make_entry(request, world)
        if entry.replaces is not None:
            if any(other.replaces == entry.replaces for other in made):
                raise RefusedEntry(f"entry {entry.replaces} is corrected twice")
            return entry
        twin = self._book.same(entry)
        if twin is not None and not request.sure:
            raise RefusedEntry(
                f"entry {twin.number} says the same of the same moment: say that you are sure"
                " (--sure) if it was done twice"
            )
        return entry
