"""Home of how a form of the page reaches the core: busy meanwhile, and told why not afterwards."""

from collections.abc import Awaitable, Callable, Mapping
from typing import Any, TypeVar

from nicegui import ui
from nicegui.element import Element

from weirwatch.web.page.parts import Words, on_submit, submit

T = TypeVar("T")
Fields = Mapping[str, Any]


class Sending:
    """Forms that belong together, and their one outcome: nothing is sent twice by haste."""

    def __init__(self) -> None:
        self._buttons: list[Words] = []
        self._outcome: Words | None = None

    def button(self, label: str, classes: str = "") -> Words:
        """Return the button that sends the form in whose `with` block this is called."""
        made = submit(label, classes)
        self._buttons.append(made)
        return made

    def outcome(self) -> None:
        """Place the words for what came of it, beside the buttons."""
        self._outcome = Words("p", classes="ww-outcome", role="status")
        self._outcome.say("")

    def on_submit(
        self, form: Element, read: Callable[[Fields], T], send: Callable[[T], Awaitable[str]]
    ) -> None:
        """When the form is sent, send what `read` makes of its fields.

        `read` raises `ValueError` with a sentence for the person who filled it in; `send` returns
        an empty text when it is done, else why not. What was typed stays until it is done.
        """

        async def handle(fields: dict[str, Any]) -> None:
            try:
                asked = read(fields)
            except ValueError as error:
                self._say(str(error))
                return
            self._busy(True)
            self._say("Sending…")
            problem = await send(asked)
            if form.is_deleted:
                return
            self._busy(False)
            self._say(problem)
            if not problem:
                ui.run_javascript(f"weirwatch.clear({form.id})")

        on_submit(form, handle)

    def _say(self, text: str) -> None:
        if self._outcome is not None:
            self._outcome.say(text)

    def _busy(self, busy: bool) -> None:
        for button in self._buttons:
            button.props.set_bool("disabled", busy)


def who_of(fields: Fields) -> str:
    """Return the name that goes on record; whoever gives none is "page"."""
    return str(fields.get("operator") or "").strip()[:60] or "page"


def comment_of(fields: Fields) -> str:
    """Return the comment that goes on record."""
    return str(fields.get("comment") or "").strip()[:1000]


def minutes_of(text: object) -> float | None:
    """Return minutes as somebody wrote them; None when nothing is written.

    Raises:
        ValueError: with a sentence for the person who filled it in.
    """
    if text is None or str(text).strip() == "":
        return None
    try:
        minutes = float(str(text))
    except ValueError:
        minutes = 0.0
    if not 0 < minutes < float("inf"):
        raise ValueError("Minutes must be a number above 0; nothing was changed.")
    return minutes
