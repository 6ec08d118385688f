"""Home of the list of the log's entries on the page, with their photos and what can be done."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

from nicegui.element import Element

from weirwatch.domain.instant import Micros
from weirwatch.web.page.parts import Words, box, markup
from weirwatch.web.page.report_leaves import entry_html, entry_words

Json = Mapping[str, Any]
_AT_ONCE = 30


class LogList:
    """The newest entries, and as many more as are asked for; kept so that nothing in use jumps."""

    def __init__(self, correct: Callable[[Json], None]) -> None:
        self._correct = correct
        self._most = _AT_ONCE
        self._last: tuple[Sequence[Json], Micros, ZoneInfo] | None = None
        self._empty = Words("p", "Nothing is in the log yet.", "ww-nothing")
        self._root = box("ul", "ww-entries ww-log")
        self._rows: dict[int, tuple[Json, Element]] = {}
        self._more = Words("button", "Older entries", "ww-button", type="button")
        self._more.on("click", self._show_more, [])

    def show(self, entries: Sequence[Json], now: Micros, zone: ZoneInfo) -> None:
        """Bring the list up to date; newest first."""
        self._last = (entries, now, zone)
        shown = {entry["number"]: entry for entry in entries[: self._most]}
        for number in list(self._rows):
            if shown.get(number) != self._rows[number][0]:
                self._rows.pop(number)[1].delete()
        for place, (number, entry) in enumerate(shown.items()):
            if number not in self._rows:
                with self._root:
                    self._rows[number] = (entry, self._row(entry, now, zone))
            row = self._rows[number][1]
            if self._root.default_slot.children[place] is not row:
                row.move(self._root, place)
        self._empty.set_visibility(not entries)
        self._more.set_visibility(len(entries) > self._most)

    def _show_more(self) -> None:
        self._most += 4 * _AT_ONCE
        if self._last is not None:
            self.show(*self._last)

    def _row(self, entry: Json, now: Micros, zone: ZoneInfo) -> Element:
        row = box("li", "", data_number=str(entry["number"]))
        with row:
            markup(entry_html(entry, now, zone), "ww-entry")
            with box("details", "ww-more"):
                Words("summary", "Correct it, or add a photo")
                with box("div", "ww-form"):
                    with box("label", "ww-button ww-photo"):
                        Words("span", "Add a photo")
                        picture = box("input", type="file", accept="image/*")
                        picture.props["aria-label"] = f"Photo for entry {entry['number']}"
                        picture.on(
                            "change",
                            js_handler=f"(e) => weirwatch.photo(e.target, {entry['number']})",
                        )
                    button = Words("button", "Correct", "ww-button", type="button")
                    button.props["aria-label"] = f"Correct: {entry_words(entry)}"
                    button.on("click", lambda: self._correct(entry), [])
                Words("p", classes="ww-outcome", role="status")
        return row
