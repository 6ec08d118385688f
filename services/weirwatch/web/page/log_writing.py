"""Home of the forms of the log page: one entry each, questioned before anything odd is stored."""

import json
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from nicegui import ui
from nicegui.element import Element

from weirwatch.settings import Settings
from weirwatch.web.page import log_forms
from weirwatch.web.page.log_forms import Ask, Options, readable
from weirwatch.web.page.parts import (
    Words,
    box,
    choice,
    field,
    on_submit,
    submit,
    tick,
    who_field,
)
from weirwatch.web.page.report_leaves import entry_words

Send = Callable[[Mapping[str, Any]], Awaitable[str]]
_SURE = " (--sure)"  # how the command line says it; here it is a button


class WritePanel:
    """One form for each kind of entry; `correct` opens the one of an entry that was wrong."""

    def __init__(
        self, settings: Settings, send: Send, stored: Callable[[], None], signed: str = ""
    ) -> None:
        self._settings = settings
        self._send = send
        self._stored = stored
        self._replaces: int | None = None
        who_field("Your name, kept with every entry", signed)
        with box("p", "ww-correcting") as self._correcting:
            self._corrects = Words("span")
            drop = Words("button", "Do not correct it", "ww-button", type="button")
            drop.on("click", self._correct_none, [])
        self._correcting.set_visibility(False)
        for kind, title in log_forms.TITLES.items():
            if self._possible(kind):
                _Form(kind, title, self)

    def correct(self, entry: Mapping[str, Any]) -> None:
        """The next entry that is sent takes the place of this one; its form opens, filled in."""
        self._replaces = entry["number"]
        self._corrects.set_text(
            f"The next entry takes the place of no. {entry['number']}: {entry_words(entry)}"
        )
        self._correcting.set_visibility(True)
        filled = {key: entry[key] for key in ("subject", "value", "unit", "channel", "text")}
        ui.run_javascript(f"weirwatch.fill({json.dumps(entry['kind'])}, {json.dumps(filled)})")

    def _correct_none(self) -> None:
        self._replaces = None
        self._correcting.set_visibility(False)

    async def send(self, request: dict[str, Any], *, sure: bool) -> tuple[str, bool]:
        """Return why it was not stored (empty: it was), and whether it may be meant so."""
        asked = {**request, "sure": sure}
        if self._replaces is not None:
            asked["replaces"] = self._replaces
        problem = await self._send({"entries": [asked]})
        if not problem:
            self._correct_none()
            self._stored()
            return "", False
        if sure:
            return problem, False
        allowed = not await self._send({"entries": [{**asked, "sure": True}], "check": True})
        return problem.replace(_SURE, ""), allowed

    def choices(self, kind: str) -> tuple[str, str, Options] | None:
        """Return (key, label, options) of what a form is about; None: it has no choice."""
        settings = self._settings
        derived = {entry.channel for entry in settings.derived}
        match kind:
            case "test":
                return "subject", "What was tested", log_forms.quantities()
            case "dose":
                return "subject", "What was dosed", log_forms.doses()
            case "maintenance":
                jobs = [(job.id, job.title) for job in settings.jobs]
                return "subject", "Which job", [("", "None of the jobs: say it below"), *jobs]
            case "supply":
                supplies = [(s.id, f"{s.title} ({s.unit})") for s in settings.supplies]
                return "subject", "Of what", supplies
            case "calibration":
                probes = [
                    (channel.id, f"{channel.label} ({channel.id})")
                    for channel in settings.channels
                    if not channel.is_switch and channel.id not in derived
                ]
                return "channel", "Which probe", probes
            case _:
                return None

    def units(self, kind: str, subject: str) -> Options:
        """Return the units of a form's subject; none: the form has no unit to choose."""
        if kind == "supply":
            return [(s.unit, s.unit) for s in self._settings.supplies if s.id == subject]
        return [(unit, unit or "–") for unit in log_forms.units(kind, subject)]

    def form_request(self, kind: str, fields: Mapping[str, Any]) -> dict[str, Any]:
        """Return the request of a filled-in form; `ValueError` says what is missing."""
        return log_forms.request_of(kind, fields, self._settings.service.time_zone)

    @property
    def systems(self) -> Options:
        """The systems to choose from; none with only one."""
        systems = self._settings.systems
        return [(s.id, s.title or readable(s.id)) for s in systems] if len(systems) > 1 else ()

    @property
    def zone(self) -> str:
        """The keeper's time zone, as people know it."""
        return self._settings.service.time_zone.key

    def _possible(self, kind: str) -> bool:
        return kind != "supply" or bool(self._settings.supplies)


class _Form:
    """The form of one kind, closed until it is wanted."""

    def __init__(self, kind: str, title: str, panel: WritePanel) -> None:
        self._kind = kind
        self._panel = panel
        self._last: dict[str, Any] | None = None
        self._unit: Element | None = None
        with box("details", "ww-more", name="ww-write", data_kind=kind):
            Words("summary", title)
            with box("form", "ww-form ww-entry-form") as self._form:
                self._fields(kind)
                self._button = submit("Store", "ww-main")
            self._outcome = Words("p", classes="ww-outcome", role="status")
            self._outcome.say("")
            self._meant = Words(
                "button", "It is meant so: store it", "ww-button ww-meant", type="button"
            )
            self._meant.on("click", self._store_sure, [])
            self._meant.set_visibility(False)
        on_submit(self._form, self._store)

    def _fields(self, kind: str) -> None:
        panel = self._panel
        about = panel.choices(kind)
        if about is not None:
            key, label, options = about
            select = choice(label, options, key)
            units = panel.units(kind, options[0][0]) if options else ()
            rest = list(log_forms.asks(kind))
            if rest and key == "subject":
                _input(rest.pop(0))
                with box("div") as self._unit:
                    choice("Unit", units, "unit")
                select.on("change", self._subject, js_handler="(e) => emit(e.target.value)")
        else:
            rest = list(log_forms.asks(kind))
        for ask in rest:
            _input(ask)
        words = "In your own words" if kind in ("note", "maintenance") else "Remark"
        field(words, name="text", maxlength="4000", data_keep=f"log {kind}")
        field(f"When (empty: now), {panel.zone}", name="when", type="datetime-local")
        if panel.systems:
            choice("System", panel.systems, "system")

    def _subject(self, event: Any) -> None:
        if self._unit is None:
            return
        self._unit.clear()  # a new choice: an old one would keep the place that was chosen
        with self._unit:
            choice("Unit", self._panel.units(self._kind, str(event.args)), "unit")

    async def _store(self, fields: Mapping[str, Any]) -> None:
        self._meant.set_visibility(False)
        try:
            self._last = self._panel.form_request(self._kind, fields)
        except ValueError as error:
            self._outcome.say(str(error))
            return
        await self._put(sure=False)

    async def _store_sure(self) -> None:
        if self._last is not None:
            await self._put(sure=True)

    async def _put(self, *, sure: bool) -> None:
        self._button.props.set_bool("disabled", True)
        self._outcome.say("Storing…")
        problem, allowed = await self._panel.send(self._last or {}, sure=sure)
        if self._form.is_deleted:
            return
        self._button.props.set_bool("disabled", False)
        self._meant.set_visibility(allowed)
        self._outcome.say(problem or "Stored.")
        if not problem:
            ui.run_javascript(f"weirwatch.clear({self._form.id})")


def _input(ask: Ask) -> None:
    if ask.kind == "check":
        tick(ask.label, ask.name)
    else:
        field(ask.label, name=ask.name, inputmode="decimal", maxlength="20")
