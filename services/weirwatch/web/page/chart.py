"""Home of the dialog with one channel's chart."""

from collections.abc import Awaitable, Callable, Sequence

from nicegui import ui

from weirwatch.domain.instant import Micros
from weirwatch.domain.rule import Absolute, Forecast
from weirwatch.ports import Bucket
from weirwatch.web.page import trend, words
from weirwatch.web.page.alarm_list import channel_words
from weirwatch.web.page.parts import Words, box
from weirwatch.web.page.sight import Fixture

Series = Callable[[str, Micros, Micros, int], Awaitable[Sequence[Bucket] | None]]
"""Reads a series off the event loop; None when it could not be read."""

_SPANS = (("1 hour", words.HOUR), ("24 hours", words.DAY))


class TrendDialog:
    """Shows the last hour or day of one channel, and keeps it up to date while it is open."""

    def __init__(self, fixture: Fixture, series: Series, now: Callable[[], Micros]) -> None:
        self._fixture = fixture
        self._series = series
        self._now = now
        self._channel = ""
        self._span = words.HOUR
        self._chart: ui.echart | None = None
        with ui.dialog() as self._dialog, box("div", "ww-dialog", role="document"):
            with box("div", "ww-dialog-head"):
                self._title = Words("h2")
                close = Words("button", "Close", "ww-button", type="button")
                close.on("click", self._dialog.close, [])
            with box("div", "ww-spans", role="group", aria_label="How far back"):
                self._buttons = [self._span_button(label, span) for label, span in _SPANS]
            self._summary = Words("p", role="status")
            self._place = box("div", "ww-chart")
        ui.timer(10.0, self._refresh, immediate=False)

    def _span_button(self, label: str, span: Micros) -> tuple[Words, Micros]:
        button = Words("button", label, "ww-button", type="button")

        async def choose() -> None:
            self._span = span
            await self._draw()

        button.on("click", choose, [])
        return button, span

    async def open(self, channel: str) -> None:
        """Show a channel's chart."""
        self._channel = channel
        known = self._fixture.channels[channel]
        self._title.set_text(channel_words(known, self._fixture))
        self._summary.say("Reading…")
        self._dialog.open()
        await self._draw()

    async def _refresh(self) -> None:
        if self._dialog.value and self._channel:
            await self._draw()

    async def _draw(self) -> None:
        for button, span in self._buttons:
            button.props["aria-pressed"] = "true" if span == self._span else "false"
        wanted = (self._channel, self._span)
        end = self._now()
        start = end - self._span
        buckets = await self._series(self._channel, start, end, trend.POINTS)
        if wanted != (self._channel, self._span) or self._dialog.is_deleted:
            return  # meanwhile something else was asked for
        if buckets is None:
            self._summary.say("The record could not be read.")
            return
        channel = self._fixture.channels[self._channel]
        self._summary.say(trend.summary(buckets, channel))
        options = trend.options(
            buckets, channel, (start, end), self._fixture.zone, self._limits(channel.id)
        )
        self._place.props["aria-label"] = f"Chart of {channel.label}"
        if self._chart is None:
            with self._place:
                self._chart = ui.echart(options, renderer="svg")
        else:
            self._chart.options.clear()
            self._chart.options.update(options)
            self._chart.update()

    def _limits(self, channel: str) -> list[float]:
        return sorted(
            {
                rule.condition.limit
                for rule in self._fixture.rules.values()
                if rule.channel == channel and isinstance(rule.condition, Absolute | Forecast)
            }
        )
