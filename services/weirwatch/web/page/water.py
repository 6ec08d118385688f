"""Home of the water on the page: the vessels in the order of the flow, and what the probes say."""

from collections.abc import Callable, Mapping, Sequence

from nicegui.element import Element

from weirwatch.web.page.drawing import alarm_svg, mark_svg, vessel_svg, width_m
from weirwatch.web.page.parts import Words, box, markup, reclass, section
from weirwatch.web.page.places import ChannelWords, Place
from weirwatch.web.page.words import JUST_NOW, number_words


class WaterPanel:
    """The vessels; their number never changes while the page is open."""

    def __init__(self, places: Sequence[Place], open_trend: Callable[[str], None]) -> None:
        vessels = [place for place in places if place.vessel]
        self._places: dict[str, _PlaceView] = {}
        widest = max((width_m(place.vessel) for place in vessels if place.vessel), default=1.0)
        if vessels:
            with section("The water", "ww-water-line"), box("ol", "ww-flow"):
                for place in vessels:
                    with box("li", f"ww-to-{place.vessel.role}" if place.vessel else ""):
                        Words("p", place.leg, "ww-leg")
                        self._places[place.key] = _PlaceView(place, widest, open_trend)

    def show(self, places: Sequence[Place]) -> None:
        """Bring every value up to date."""
        _show(self._places, places)


class RoomPanel:
    """What belongs to no vessel of the plant: room and power, or all channels without a plant."""

    def __init__(self, places: Sequence[Place], open_trend: Callable[[str], None]) -> None:
        self._places: dict[str, _PlaceView] = {}
        for place in places:
            if not place.vessel:
                with section(place.title, "ww-room"):
                    self._places[place.key] = _PlaceView(place, 1.0, open_trend, headed=False)

    def show(self, places: Sequence[Place]) -> None:
        """Bring every value up to date."""
        _show(self._places, places)


def _show(views: Mapping[str, "_PlaceView"], places: Sequence[Place]) -> None:
    for place in places:
        view = views.get(place.key)
        if view is not None:
            view.show(place)


class _PlaceView:
    """One vessel with its drawing and values, or the room with its values."""

    def __init__(
        self,
        place: Place,
        widest_m: float,
        open_trend: Callable[[str], None],
        *,
        headed: bool = True,
    ) -> None:
        self._widest_m = widest_m
        self._drawing = None
        self._small: Words | None = None
        with box("div", "ww-place" if place.vessel else "ww-place ww-no-vessel"):
            if place.vessel:
                self._drawing = markup(classes="ww-drawing")
            with box("div", "ww-values"):
                with box("h3" if headed else "p", "ww-head"):
                    Words("span", place.title if headed else "")
                    self._small = Words("small")
                self._rows = [_Row(row, open_trend) for row in place.channels]
                if not place.channels:
                    Words("p", "No probe in this vessel.", "ww-nothing")

    def show(self, place: Place) -> None:
        if self._drawing and place.vessel:
            self._drawing.set_content(
                vessel_svg(place.vessel, self._widest_m, place.level, place.limits)
            )
        if self._small is not None:
            self._small.say(_heading_words(place))
        for view, row in zip(self._rows, place.channels, strict=True):
            view.show(row)


def _heading_words(place: Place) -> str:
    """Return the volume, and how old the values are when none is old."""
    volume = f"{number_words(place.vessel.volume_l, 0)}\N{NO-BREAK SPACE}L" if place.vessel else ""
    if place.channels and all(row.age == JUST_NOW for row in place.channels):
        return f"{volume}, {JUST_NOW}" if volume else JUST_NOW
    return volume


class _Row:
    """One channel: a button that opens its chart."""

    def __init__(self, row: ChannelWords, open_trend: Callable[[str], None]) -> None:
        self._channel = row.channel
        self.root: Element = box("button", "ww-row", type="button", data_channel=row.channel)
        self.root.on("click", lambda: open_trend(row.channel), [])
        with self.root:
            Words("span", row.label, "ww-label")
            with box("span", "ww-reading"):
                self._shape = markup(classes="ww-icon")
                self._value = Words("b", classes="ww-value")
            self._note = Words("span", classes="ww-note")

    def show(self, row: ChannelWords) -> None:
        shape = ""
        if row.mark:
            shape = mark_svg(row.mark.value)
        elif row.alarm:
            shape = alarm_svg(*row.alarm)
        self._shape.set_content(shape)
        self._value.set_text(row.value)
        self._note.say(row.note)
        alarm = f", {row.alarm[0].value} priority alarm" if row.alarm else ""
        spoken = f"{row.label}: {row.value}, {row.age}{alarm}. Show the chart."
        if self.root.props.get("aria-label") != spoken:
            self.root.props["aria-label"] = spoken
        kind = f" ww-is-{row.mark.value}" if row.mark else ""
        reclass(self.root, f"ww-row{kind}{' ww-in-alarm' if row.alarm else ''}")
