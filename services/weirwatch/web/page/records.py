"""Home of the record on the page: events, notices, nodes, quarantine and health."""

from collections.abc import Callable, Sequence
from typing import Generic, TypeVar

from weirwatch.domain.instant import Micros
from weirwatch.ports import Notice, StoredEvent
from weirwatch.web.page import leaves
from weirwatch.web.page.parts import Words, box, markup, section
from weirwatch.web.page.sight import Fixture, Sight

_AT_ONCE = 8
Item = TypeVar("Item", StoredEvent, Notice)


class RecordPanel:
    """What happened, who was told, and how the service fares."""

    def __init__(self, fixture: Fixture) -> None:
        self._fixture = fixture
        with section("Events"):
            self._events = _Listing(leaves.events_html, "Older events")
        with section("Notices"):
            self._notices = _Listing(leaves.notices_html, "Older notices")
        with section("Service", "ww-service"):
            Words("h3", "Nodes")
            self._nodes = markup()
            Words("h3", "Quarantine: what could not be used")
            self._quarantine = markup()
            with box("details", "ww-more"):
                Words("summary", "Health numbers")
                self._health = markup()

    def show(self, sight: Sight, now: Micros) -> None:
        """Bring everything up to date."""
        self._events.show(sight.events, self._fixture, now)
        self._notices.show(sight.notices, self._fixture, now)
        self._nodes.set_content(leaves.nodes_html(sight, self._fixture, now))
        self._quarantine.set_content(leaves.quarantine_html(sight, self._fixture, now))
        self._health.set_content(leaves.health_html(sight))


class _Listing(Generic[Item]):
    """A list of which the newest entries are in view and the rest can be opened."""

    def __init__(self, html: Callable[[Sequence[Item], Fixture, Micros], str], older: str) -> None:
        self._html: Callable[[Sequence[Item], Fixture, Micros], str] = html
        self._newest = markup()
        self._more = box("details", "ww-more")
        with self._more:
            Words("summary", older)
            self._older = markup()

    def show(self, items: Sequence[Item], fixture: Fixture, now: Micros) -> None:
        self._newest.set_content(self._html(items[:_AT_ONCE], fixture, now))
        older = items[_AT_ONCE:]
        self._older.set_content(self._html(older, fixture, now) if older else "")
        self._more.set_visibility(bool(older))
