"""Home of the alarms on the page: cards that stay in place while they are read and written in."""

from collections.abc import Awaitable, Callable, Sequence
from typing import Any

from nicegui import ui
from nicegui.element import Element

from weirwatch.ports import Command
from weirwatch.web.page.alarm_list import AlarmWords
from weirwatch.web.page.drawing import alarm_svg
from weirwatch.web.page.leaves import card_html
from weirwatch.web.page.parts import (
    Words,
    box,
    field,
    markup,
    on_submit,
    reclass,
    section,
    submit,
)

Send = Callable[[Command], Awaitable[str]]
"""Carries out a command; returns an empty text when it is done, else why not."""
Explain = Callable[[str], Awaitable[str]]
"""Returns as HTML why a rule's alarm is in its state."""
_WHY_EVERY_S = 5.0  # while it is open: the time that a delay has left moves on


class AlarmPanel:
    """The standing alarms, the ones set aside, and the name commands are recorded under."""

    def __init__(self, send: Send, explain: Explain) -> None:
        self._standing = section("Alarms", "ww-alarms")
        with self._standing:
            self._act = _Cards(send, explain)
            with box("div", "ww-who"):
                field(
                    "Your name, kept on record with every command",
                    name="operator",
                    placeholder="page",
                    maxlength="60",
                    data_keep="operator",
                )
        self._set_aside = section("Set aside", "ww-alarms ww-aside")
        with self._set_aside:
            self._aside = _Cards(send, explain)

    def show(self, act: Sequence[AlarmWords], aside: Sequence[AlarmWords]) -> None:
        """Bring both lists up to date."""
        self._standing.set_visibility(bool(act or aside))
        self._act.show(act)
        self._set_aside.set_visibility(bool(aside))
        self._aside.show(aside)


class _Cards:
    """One list of cards, kept by rule id so that a card in use is never built anew."""

    def __init__(self, send: Send, explain: Explain) -> None:
        self._send = send
        self._explain = explain
        self._root = box("div", "ww-cards")
        self._cards: dict[str, _Card] = {}

    def show(self, alarms: Sequence[AlarmWords]) -> None:
        for rule in self._cards.keys() - {alarm.rule for alarm in alarms}:
            self._cards.pop(rule).root.delete()
        for place, alarm in enumerate(alarms):
            card = self._cards.get(alarm.rule)
            if card is None:
                with self._root:
                    card = self._cards[alarm.rule] = _Card(alarm, self._send, self._explain)
            card.show(alarm)
            if self._root.default_slot.children[place] is not card.root:
                card.root.move(self._root, place)


class _Card:
    """One alarm: what, how bad, since when; what to do; the safety card; the commands."""

    def __init__(self, alarm: AlarmWords, send: Send, explain: Explain) -> None:
        self._rule = alarm.rule
        self._send = send
        self._explain = explain
        self._forms: dict[str, Element] = {}
        self._buttons: list[Words] = []
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
                "On my way, back in (min)",
                name="check_in_minutes",
                type="number",
                min="1",
                max="1440",
                inputmode="numeric",
            )
            self._buttons.append(submit("Acknowledge", "ww-main"))
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
            self._buttons.append(submit("Check in"))
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
                self._buttons.append(submit("Shelve"))
        for command, label in (
            ("reset", "Reset"),
            ("unshelve", "Unshelve"),
            ("return-to-service", "Return to service"),
        ):
            with self._form(command):
                field("Comment", name="comment", maxlength="1000")
                self._buttons.append(submit(label))
        self._outcome = Words("p", classes="ww-outcome", role="status")
        self._outcome.say("")

    def _form(self, command: str, *, keep: bool = True) -> Element:
        form = box("form", "ww-form", data_command=command)
        if keep:
            self._forms[command] = form

        async def handle(fields: dict[str, Any]) -> None:
            await self._carry_out(command, form, fields)

        on_submit(form, handle)
        return form

    async def _carry_out(self, name: str, form: Element, fields: dict[str, Any]) -> None:
        try:
            command = _command(name, self._rule, fields)
        except ValueError as error:
            self._outcome.say(str(error))
            return
        self._busy(True)
        self._outcome.say("Sending…")
        problem = await self._send(command)
        if self.root.is_deleted:
            return
        self._busy(False)
        self._outcome.say(problem)
        if not problem:
            ui.run_javascript(f"weirwatch.clear({form.id})")

    def _busy(self, busy: bool) -> None:
        for button in self._buttons:
            button.props.set_bool("disabled", busy)

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


def _command(name: str, rule: str, fields: dict[str, Any]) -> Command:
    """Return the command of a form.

    Raises:
        ValueError: with a sentence for the person who filled it in.
    """
    return Command(
        name=name,
        rule=rule,
        who=str(fields.get("operator") or "").strip()[:60] or "page",
        comment=str(fields.get("comment") or "").strip()[:1000],
        minutes=_minutes(fields.get("minutes")),
        check_in_minutes=_minutes(fields.get("check_in_minutes")),
    )


def _minutes(text: object) -> float | None:
    if text is None or str(text).strip() == "":
        return None
    try:
        minutes = float(str(text))
    except ValueError:
        minutes = 0.0
    if not 0 < minutes < float("inf"):
        raise ValueError("Minutes must be a number above 0; nothing was changed.")
    return minutes
