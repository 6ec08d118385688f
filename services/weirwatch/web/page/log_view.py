"""Home of the log page of one browser: what waits, what is written down, and the reports."""

import asyncio
import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from nicegui import background_tasks, run, ui

from weirwatch.domain.errors import WeirwatchError
from weirwatch.domain.instant import Micros
from weirwatch.domain.keeper_log import LogEntry
from weirwatch.pipeline.log_entries import entry_json
from weirwatch.pipeline.probe_report import probe_report_json
from weirwatch.pipeline.proofs import proofs_json
from weirwatch.pipeline.upkeep import upkeep_json
from weirwatch.pipeline.water_html import water_parts
from weirwatch.pipeline.water_report import DEFAULT_SPAN, current_entries, water_report_json
from weirwatch.ports import Archive, Clock, LogKeeper
from weirwatch.settings import Settings
from weirwatch.web.page import words
from weirwatch.web.page.log_list import LogList
from weirwatch.web.page.log_writing import WritePanel
from weirwatch.web.page.parts import Words, box, markup, section
from weirwatch.web.page.proof_list import ProofList
from weirwatch.web.page.report_leaves import job_html, probes_html, upkeep_html

log = logging.getLogger(__name__)
T = TypeVar("T")

_PATIENCE_S = 25.0
_READ_PATIENCE_S = 60.0
_AGAIN_S = 30.0  # what others write is shown so soon
_SHOWN: Micros = 90 * words.DAY


@dataclass(frozen=True, slots=True)
class LogParts:
    """What the page works with; without a keeper nothing can be written.

    Attributes:
        signed: who is signed in; empty: nobody need be.
    """

    settings: Settings
    archive: Archive
    keeper: LogKeeper | None
    clock: Clock
    signed: str = ""


class LogView:
    """One browser's log page."""

    def __init__(self, parts: LogParts) -> None:
        self._parts = parts
        self._zone = parts.settings.service.time_zone
        self._system = parts.settings.systems[0].id
        with box("div", "ww-main-part"):
            with box("div", "ww-left"):
                with section("Write into the log", "ww-write"):
                    if parts.keeper is None:
                        Words("p", "Nothing can be written here.", "ww-nothing")
                    self._write = WritePanel(parts.settings, self._send, self._soon, parts.signed)
                with section("Log"):
                    self._list = LogList(self._write.correct)
            with box("div", "ww-right"):
                with section("Upkeep"):
                    self._jobs = box("ul", "ww-entries ww-plain")
                    self._upkeep = markup()
                with section("Proof tests of the sensors"):
                    self._proofs = ProofList(self._proved if parts.keeper is not None else None)
                with section("Water, the last 30 days", "ww-report"):
                    self._water = markup('<p class="ww-nothing">Being reckoned…</p>')
                with section("Probes"):
                    self._probes = markup('<p class="ww-nothing">Being reckoned…</p>')
        ui.timer(_AGAIN_S, self._refresh)
        ui.timer(0.1, self._first, once=True)
        ui.run_javascript("weirwatch.recall()")

    async def _first(self) -> None:
        await self._refresh()
        await self._reports()

    def _soon(self) -> None:
        background_tasks.create(self._refresh(), name="read the log")

    # --- what is read ---------------------------------------------------------------------

    async def _refresh(self) -> None:
        now = self._parts.clock.now().utc
        entries = await self._read(lambda: self._entries(now))
        if entries is not None:
            self._list.show(entries, now, self._zone)
        upkeep = await self._read(
            lambda: upkeep_json(self._parts.archive, self._parts.settings, self._system, now)
        )
        if upkeep is not None:
            self._show_upkeep(upkeep, now)
        await self._refresh_proofs(now)

    async def _refresh_proofs(self, now: Micros) -> None:
        parts = self._parts
        proofs = await self._read(
            lambda: proofs_json(
                parts.settings, current_entries(parts.archive, "", now + 1), now, self._system
            )
        )
        if proofs is not None:
            self._proofs.show(proofs, now, self._zone)

    def _entries(self, now: Micros) -> list[dict[str, Any]]:
        """Return the entries of the last months, the newest first; corrected ones left out."""
        found: list[LogEntry] = []
        after = 0
        while more := self._parts.archive.log(now - _SHOWN, None, (), after, 1000):
            found.extend(entry for entry in more if entry.replaced_by is None)
            after = more[-1].number
        found.sort(key=lambda entry: (entry.time, entry.number), reverse=True)
        return [entry_json(entry) for entry in found]

    def _show_upkeep(self, upkeep: Mapping[str, Any], now: Micros) -> None:
        self._jobs.clear()
        with self._jobs:
            for job in upkeep["jobs"]:
                with box("li", "" if job["state"] == "done" else "ww-strong"):
                    markup(job_html(job, now, self._zone), "ww-what")
                    if self._parts.keeper is not None:
                        self._done_button(job)
        self._upkeep.set_content(upkeep_html(upkeep))

    def _done_button(self, job: Mapping[str, Any]) -> None:
        button = Words("button", "Done", "ww-button", type="button")
        button.props["aria-label"] = f"{job['title']}: done now"

        async def done(event: Any) -> None:
            who = str(event.args or "").strip()[:60]
            entry = {"kind": "maintenance", "subject": job["id"], "who": who}
            await self._write_down(entry, job["title"])

        button.on("click", done, js_handler="() => emit(weirwatch.operator())")

    async def _proved(self, channel: str, result: str, who: str) -> None:
        entry = {"kind": "proof", "channel": channel, "subject": result, "who": who}
        await self._write_down(entry, channel)

    async def _write_down(self, entry: Mapping[str, Any], what: str) -> None:
        problem = await self._send({"entries": [entry]})
        ui.notify(problem or f"{what}: written down")
        await self._refresh()

    async def _reports(self) -> None:
        parts, end = self._parts, self._parts.clock.now().utc
        start = end - DEFAULT_SPAN
        water = await self._read(
            lambda: water_report_json(parts.archive, parts.settings, self._system, start, end)
        )
        if water is not None:
            self._water.set_content("".join(water_parts(water)))
        probes = await self._read(
            lambda: probe_report_json(parts.archive, parts.settings, self._system, start, end)
        )
        if probes is not None:
            self._probes.set_content(probes_html(probes))

    async def _read(self, read: Callable[[], T]) -> T | None:
        try:
            return await asyncio.wait_for(run.io_bound(read), _READ_PATIENCE_S)
        except (WeirwatchError, OSError, TimeoutError) as error:
            log.warning("page.log_unread error=%s", error)
            return None

    # --- what is written ------------------------------------------------------------------

    async def _send(self, request: Mapping[str, Any]) -> str:
        """Return an empty text when it is done, else why not."""
        if self._parts.keeper is None:
            return "Nothing can be written here."
        try:
            answer = await asyncio.wait_for(
                run.io_bound(self._parts.keeper.log, request), _PATIENCE_S
            )
        except TimeoutError:
            answer = None
        except WeirwatchError as error:
            return f"Not stored: {error}"
        except Exception:
            log.exception("page.log_failed")
            answer = None
        return "" if answer is not None else "There was no answer. Look before you send it again."
