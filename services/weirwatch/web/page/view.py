"""Home of one open page: it lays the parts out and refreshes them once a second."""

import asyncio
import json
import logging
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from nicegui import background_tasks, run, ui

from weirwatch.domain.errors import WeirwatchError
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.pipeline.explain import with_record
from weirwatch.ports import Archive, Bucket, Clock, Command, Core
from weirwatch.web.page import words
from weirwatch.web.page.alarm_list import alarm_lists
from weirwatch.web.page.alarms import AlarmPanel
from weirwatch.web.page.chart import TrendDialog
from weirwatch.web.page.drawing import alarm_svg
from weirwatch.web.page.overall import broker_words, core_words, overall_of
from weirwatch.web.page.parts import Words, box, markup, reclass
from weirwatch.web.page.places import places
from weirwatch.web.page.reason import NO_ANSWER, reason_html
from weirwatch.web.page.records import RecordPanel
from weirwatch.web.page.sight import Fixture, Sight
from weirwatch.web.page.watch import Watch
from weirwatch.web.page.water import RoomPanel, WaterPanel
from weirwatch.web.page.work_panel import WorkPanel, WorkStrip
from weirwatch.web.page.work_words import work_list

log = logging.getLogger(__name__)

_GOOD_FOR: Micros = 5 * SECOND  # how long words are right if nothing happens: ages move on
_COMMAND_PATIENCE_S = 25.0
_READ_PATIENCE_S = 15.0


class PageView:
    """One browser's page; `signed`: who is signed in, empty where nobody need be."""

    def __init__(
        self,
        fixture: Fixture,
        watch: Watch,
        archive: Archive,
        core: Core,
        clock: Clock,
        signed: str = "",
    ) -> None:
        self._fixture = fixture
        self._watch = watch
        self._archive = archive
        self._core = core
        self._clock = clock
        self._shown: Sight | None = None
        self._good_until: Micros = 0
        self._title = ""
        sight, now = watch.sight(), clock.now().utc
        plant = places(sight, fixture, now)
        with box("header", "ww-top"):
            self._header()
        with box("div", "ww-main-part"):
            self._alarms = AlarmPanel(self._send, self._reason, signed)
            with box("div", "ww-left"):
                self._works = WorkPanel(self._send_work, signed)
                self._water = WaterPanel(plant, self._open_trend)
            with box("div", "ww-right"):
                self._room = RoomPanel(plant, self._open_trend)
                self._records = RecordPanel(fixture)
        self._trend = TrendDialog(fixture, self._read_series, lambda: clock.now().utc)
        self._refresh(sight, now)
        ui.timer(1.0, self._tick)
        ui.run_javascript("weirwatch.start()")

    def _header(self) -> None:
        with box("div", "ww-name"):
            Words("h1", self._fixture.title)
            self._time = Words("span", classes="ww-clock", aria_label="Time of the newest look")
        with box("div", "ww-overall", role="status") as self._overall:
            self._overall_shape = markup(classes="ww-icon")
            self._sentence = Words("p")
        self._strip = WorkStrip()
        self._core_lost = Words("p", classes="ww-lost", role="alert")
        self._broker = Words("p", classes="ww-broker")
        if self._clock.speed != 1:
            speed = f"{self._clock.speed:g}"
            Words("p", f"A rehearsal: time runs {speed} times faster than real time.", "ww-broker")

    # --- keeping up ----------------------------------------------------------------------

    def _tick(self) -> None:
        self._refresh(self._watch.sight(), self._clock.now().utc)

    def _refresh(self, sight: Sight, now: Micros) -> None:
        self._time.set_text(words.clock_words(now, self._fixture.zone))
        if sight is self._shown and now < self._good_until:
            return
        self._shown = sight
        self._good_until = now + _GOOD_FOR
        self._show_overall(sight, now)
        self._alarms.show(*alarm_lists(sight, self._fixture, now))
        works = work_list(sight, self._fixture, now)
        self._strip.show(works)
        self._works.show(works)
        plant = places(sight, self._fixture, now)
        self._water.show(plant)
        self._room.show(plant)
        self._records.show(sight, now)

    def _show_overall(self, sight: Sight, now: Micros) -> None:
        overall = overall_of(sight, self._fixture, now)
        self._sentence.set_text(overall.sentence)
        self._overall_shape.set_content(alarm_svg(*overall.worst) if overall.worst else "")
        reclass(self._overall, "ww-overall" if overall.quiet else "ww-overall ww-not-quiet")
        self._core_lost.say(core_words(sight, self._fixture, now))
        self._broker.say(broker_words(sight))
        title = f"{overall.sentence} {self._fixture.title}"
        if title != self._title:
            self._title = title
            ui.run_javascript(f"document.title = {json.dumps(title)}")

    # --- what the keeper asks for --------------------------------------------------------

    async def _send(self, command: Command) -> str:
        answer = await self._ask(lambda: self._core.command(command), "the alarm")
        return answer if isinstance(answer, str) else ""

    async def _send_work(self, request: Mapping[str, Any]) -> str:
        answer = await self._ask(lambda: self._core.work(request), "the work")
        if isinstance(answer, str):
            return answer
        self._watch.take_work(answer)
        self._tick()
        return ""

    async def _ask(
        self, ask: Callable[[], Mapping[str, Any]], what: str
    ) -> Mapping[str, Any] | str:
        """Return the core's answer, or why there is none."""
        try:
            answer = await asyncio.wait_for(run.io_bound(ask), _COMMAND_PATIENCE_S)
        except TimeoutError:
            answer = None
        except WeirwatchError as error:
            return f"Not done: {error}"
        except Exception:
            log.exception("page.command_failed about=%s", what)
            answer = None
        self._watch.nudge()
        if answer is None:
            return f"There was no answer. Look at {what} before you send it again."
        return answer

    def _open_trend(self, channel: str) -> None:
        background_tasks.create(self._trend.open(channel), name="open trend")

    async def _reason(self, rule: str) -> str:
        def ask() -> Mapping[str, Any]:
            return with_record(self._core.explain(rule), self._archive)

        try:
            found = await asyncio.wait_for(run.io_bound(ask), _READ_PATIENCE_S)
        except (WeirwatchError, OSError, TimeoutError):
            return NO_ANSWER
        if found is None:  # the page is closing
            return NO_ANSWER
        return reason_html(found, self._fixture, self._clock.now().utc)

    async def _read_series(
        self, channel: str, start: Micros, end: Micros, points: int
    ) -> Sequence[Bucket] | None:
        try:
            return await asyncio.wait_for(
                run.io_bound(self._archive.series, channel, start, end, points), _READ_PATIENCE_S
            )
        except KeyError:
            return ()
        except (WeirwatchError, OSError, TimeoutError):
            return None
