"""Home of planned work on the page: what is under way at the top, and begun and ended below."""

import json
from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import Any

from nicegui.element import Element

from weirwatch.web.page.kept import Kept
from weirwatch.web.page.parts import Words, box, field, reclass, section, who_field
from weirwatch.web.page.sending import Fields, Sending, comment_of, minutes_of, who_of
from weirwatch.web.page.work_words import WorkWords

Send = Callable[[Mapping[str, Any]], Awaitable[str]]
"""Asks the core (see `pipeline.work_desk`); returns an empty text when it is done, else why not."""


class WorkStrip:
    """What is under way, at the top of the page; nothing at all when nothing is."""

    def __init__(self) -> None:
        # No live region: the minutes left would be read out one by one; the first words tell it.
        self._root = box("div", "ww-strip", role="group", aria_label="Planned work under way")
        self._kept = Kept[WorkWords](self._root, lambda work: work.work, _Glance)

    def show(self, works: Sequence[WorkWords]) -> None:
        """Bring it up to date."""
        told = [work for work in works if work.glance]
        self._root.set_visibility(bool(told))
        self._kept.show(told)


class _Glance:
    """One work under way, as a button that leads to it."""

    def __init__(self, work: WorkWords) -> None:
        self.root = box("button", "ww-glance", type="button", data_glance=work.work)
        self.root.on("click", js_handler=f"() => weirwatch.openWork({json.dumps(work.work)})")
        with self.root:
            self._glance = Words("b")
            self._quiet = Words("span", classes="ww-muted")

    def show(self, work: WorkWords) -> None:
        self._glance.say(work.glance)
        self._quiet.say(work.quiet)
        reclass(self.root, "ww-glance ww-amiss" if work.amiss else "ww-glance")


class WorkPanel:
    """Every planned work that is configured: what it does, begun and ended here."""

    def __init__(self, send: Send, signed: str = "") -> None:
        self._root = section("Planned work", "ww-works")
        with self._root:
            self._kept = Kept[WorkWords](
                box("div"), lambda work: work.work, lambda work: _Work(work, send, signed)
            )

    def show(self, works: Sequence[WorkWords]) -> None:
        """Bring it up to date; without any configured there is nothing to see."""
        self._root.set_visibility(bool(works))
        self._kept.show(works)


class _Work:
    """One planned work: closed it says how it stands; open what it does, with its forms."""

    def __init__(self, work: WorkWords, send: Send, signed: str) -> None:
        self._work = work.work
        self._send = send
        self._sending = Sending()
        self.root = box("details", "ww-work", data_work=work.work)
        with self.root:
            with box("summary"):
                Words("span", work.title, "ww-label")
                self._head = Words("small")
            self._facts = _lines(work.facts)
            who_field("Your name, kept on record", signed)
            self._end = self._form("end")
            with self._end:
                self._comment("end")
                button = self._sending.button("End it now", "ww-main")
                button.props["aria-label"] = f"End it now: {work.title}"
            self._start = self._form("start")
            with self._start:
                self._minutes(work)
                self._comment("start")
                self._begin = self._sending.button(work.begin)
            self._sending.outcome()
            with box("details", "ww-more") as self._more:
                Words("summary", "Every alarm by name")
                self._in_full = _lines(work.in_full)

    def _form(self, name: str) -> Element:
        form = box("form", "ww-form ww-work-form", data_command=name)

        def read(fields: Fields) -> Mapping[str, Any]:
            return request_of(name, self._work, fields)

        self._sending.on_submit(form, read, self._send)
        return form

    def _comment(self, name: str) -> None:
        keep = f"work {name} {self._work}"
        field("Comment", name="comment", maxlength="1000", data_keep=keep)

    def _minutes(self, work: WorkWords) -> None:
        field(
            f"Minutes from now, at most {work.most}",
            name="minutes",
            type="number",
            min="0",
            max=work.most or "",
            step="any",
            inputmode="decimal",
            defaultValue=work.minutes,  # not `value`, which would be put back while somebody types
        )

    def show(self, work: WorkWords) -> None:
        """Bring the words up to date; what somebody has typed or opened stays."""
        self._head.say(work.head)
        _say(self._facts, work.facts)
        _say(self._in_full, work.in_full)
        self._more.set_visibility(not set(work.in_full) <= set(work.facts))
        self._end.set_visibility(work.under_way)
        self._start.set_visibility(work.most is not None)
        self._begin.set_text(work.begin)
        spoken = f"{work.begin}: {work.title}"
        if self._begin.props.get("aria-label") != spoken:
            self._begin.props["aria-label"] = spoken
        reclass(self._begin, "ww-button" if work.under_way else "ww-button ww-main")
        reclass(self.root, "ww-work" if work.state == "idle" else "ww-work ww-now")


def _lines(sentences: Sequence[str]) -> list[Words]:
    return [Words("p", classes="ww-fact") for _ in sentences]


def _say(lines: Sequence[Words], sentences: Sequence[str]) -> None:
    for line, sentence in zip(lines, sentences, strict=True):
        line.say(sentence)


def request_of(name: str, work: str, fields: Fields) -> dict[str, Any]:
    """Return the request of a form, as `pipeline.work_desk` takes it.

    Raises:
        ValueError: with a sentence for the person who filled it in.
    """
    asked = {"name": name, "work": work, "who": who_of(fields), "comment": comment_of(fields)}
    return asked | {"minutes": minutes_of(fields.get("minutes"))} if name == "start" else asked
