"""Home of the alarms on the page: cards that stay in place while they are read and written in."""

from collections.abc import Awaitable, Callable, Sequence
from typing import Any

from nicegui import ui
from nicegui.element import Element

from weirwatch.ports import Command
from weirwatch.web.page.alarm_list import AlarmWords
from weirwatch.web.page.drawing import alarm_svg
from weirwatch.web.page.kept import Kept
from weirwatch.web.page.leaves import card_html
from weirwatch.web.page.parts import (
    Words,
    box,
    field,
    markup,
    reclass,
    section,
    who_field,
)
from weirwatch.web.page.sending import Fields, Sending, comment_of, minutes_of, who_of

Send = Callable[[Command], Awaitable[str]]
"""Carries out a command; returns an empty text when it is done, else why not."""
Explain = Callable[[str], Awaitable[str]]
"""Returns as HTML why a rule's alarm is in its state."""
_WHY_EVERY_S = 5.0  # while it is open: the time that a delay has left moves on


class AlarmPanel:
    """The standing alarms, the ones set aside, and the name commands are recorded under."""

    def __init__(self, send: Send, explain: Explain, signed: str = "") -> None:
        self._standing = section("Alarms", "ww-alarms")
        with self._standing:
            self._act = _cards(send, explain)
            who_field("Your name, kept on record with every command", signed)
        self._set_aside = section("Set aside", "ww-alarms ww-aside")
        with self._set_aside:
            self._aside = _cards(send, explain)

    def show(self, act: Sequence[AlarmWords], aside: Sequence[AlarmWords]) -> None:
        """Bring both lists up to date."""
        self._standing.set_visibility(bool(act or aside))
        self._act.show(act)
        self._set_aside.set_visibility(bool(aside))
        self._aside.show(aside)


def _cards(send: Send, explain: Explain) -> Kept[AlarmWords]:
    return Kept(
        box("div", "ww-cards"), lambda alarm: alarm.rule, lambda alarm: _Card(alarm, send, explain)
    )


class _Card:
    """One alarm: what, how bad, since when; what to do; the safety card; the commands."""

    def __init__(self, alarm: AlarmWords, send: Send, explain: Explain) -> None:
        self._rule = alarm.rule
        self._send = send
        self._explain = explain
        self._forms: dict[str, Element] = {}
        self._sending = Sending()
        self.root = box("article", "ww-alarm", data_rule=alarm.rule, aria_label=alarm.title)
        with self.root:
            with box("div", "ww-facts"):
                self._facts(alarm)
            with box("div", "ww-advice"):
                self._advice(alarm)
            with box("div", "ww-commands"):
                self._commands(alarm)

    def _facts(self, alarm: AlarmWords) -> None:
        with box("div") as self._pennant:
            self._shape = markup()
            Words("strong", alarm.priority.value.capitalize())
            self._state = Words("span")
        Words("h3", alarm.title)
        self._aside = Words("p", classes="ww-why")
        with box("p", "ww-measure"):
            self._channel = Words("span")
            self._value = Words("b")
            self._limit = Words("span", classes="ww-muted")
        self._since = Words("p")
        self._message = Words("p", classes="ww-muted")
        self._check_in = Words("p", classes="ww-why")

    def _advice(self, alarm: AlarmWords) -> None:
        if alarm.card:
            Words("p", alarm.card.first_line, "ww-first")
        for sentence in alarm.where:
            Words("p", sentence, "ww-where")
        if alarm.response:
            Words("p", alarm.response, "ww-response")
        if alarm.card:
            with box("details", "ww-card"):
                Words("summary", "Safety card")
                markup(card_html(alarm.card))
        with box("details", "ww-reason") as why:
            Words("summary", "Why?")
            self._why = markup("<p>Asking…</p>")
        self._asking = ui.timer(_WHY_EVERY_S, self._ask, active=False, immediate=False)
        why.on("toggle", self._asked, js_handler="(e) => emit(e.target.open)")

    async def _asked(self, event: Any) -> None:
        self._asking.active = event.args is True
        if event.args is True:
            await self._ask()

    async def _ask(self) -> None:
        answer = await self._explain(self._rule)
        if not self.root.is_deleted:
            self._why.set_content(answer)

    def _commands(self, alarm: AlarmWords) -> None:
        with self._form("acknowledge"):
            field("Comment", name="comment", maxlength="1000", data_keep=f"say {alarm.rule}")
            field(
                "On my way: next word in (min)",
                name="check_in_minutes",
                type="number",
                min="1",
                max="1440",
                inputmode="numeric",
            )
            self._sending.button("Acknowledge", "ww-main")
        with self._form("check-in"):
            field("Comment", name="comment", maxlength="1000")
            field(
                "Next word in (min; empty: none promised)",
                name="check_in_minutes",
                type="number",
                min="1",
                max="1440",
                inputmode="numeric",
            )
            self._sending.button("Check in")
        with box("details", "ww-more") as more:
            self._forms["shelve"] = more
            Words("summary", "Shelve")
            with self._form("shelve", keep=False):
                field("Comment", name="comment", maxlength="1000")
                field(
                    f"Minutes, at most {alarm.shelve_max} (empty: until it returns)",
                    name="minutes",
                    type="number",
                    min="1",
                    max=str(alarm.shelve_max),
                    inputmode="numeric",
                )
                self._sending.button("Shelve")
        for command, label in (
            ("reset", "Reset"),
            ("unshelve", "Unshelve"),
            ("return-to-service", "Return to service"),
        ):
            with self._form(command):
                field("Comment", name="comment", maxlength="1000")
                self._sending.button(label)
        self._sending.outcome()

    def _form(self, command: str, *, keep: bool = True) -> Element:
        form = box("form", "ww-form", data_command=command)
        if keep:
            self._forms[command] = form

        self._sending.on_submit(
            form, lambda fields: _command(command, self._rule, fields), self._send
        )
        return form

    def show(self, alarm: AlarmWords) -> None:
        """Bring the words up to date; what somebody has typed or opened stays."""
        reclass(self._pennant, f"ww-pennant ww-{alarm.priority.value} ww-form-{alarm.form}")
        self._shape.set_content(alarm_svg(alarm.priority, alarm.form))
        self._state.say(alarm.state)
        self._aside.say(alarm.aside)
        self._channel.say(alarm.channel)
        self._value.say(alarm.value)
        self._limit.say(alarm.limit)
        self._since.say(alarm.since)
        self._message.say(alarm.message)
        self._check_in.say(alarm.check_in)
        for command, form in self._forms.items():
            form.set_visibility(command in alarm.commands)


def _command(name: str, rule: str, fields: Fields) -> Command:
    """Return the command of a form.

    Raises:
        ValueError: with a sentence for the person who filled it in.
    """
    return Command(
        name=name,
        rule=rule,
        who=who_of(fields),
        comment=comment_of(fields),
        minutes=minutes_of(fields.get("minutes")),
        check_in_minutes=minutes_of(fields.get("check_in_minutes")),
    )
