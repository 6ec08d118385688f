"""Home of the page's building blocks: plain HTML elements whose words change only when they must.

No component of a widget library is used where HTML has one: `details` keeps its state and inputs
keep their text in the browser, whatever the server refreshes around them.
"""

from collections.abc import Callable, Sequence
from typing import Any

from nicegui import ui
from nicegui.element import Element
from nicegui.elements.mixins.text_element import TextElement


class Words(TextElement):
    """An HTML element of plain words; it is sent again only when they change."""

    def __init__(self, tag: str, text: str = "", classes: str = "", **attributes: str) -> None:
        super().__init__(tag=tag, text=text)
        dress(self, classes, attributes)

    def say(self, text: str) -> None:
        """Set the words; without any, the element is not shown."""
        self.set_text(text)
        self.set_visibility(bool(text))


def box(tag: str, classes: str = "", **attributes: str) -> Element:
    """Return an empty element, to be filled in a `with` block."""
    element = ui.element(tag)
    dress(element, classes, attributes)
    return element


def markup(content: str = "", classes: str = "") -> ui.html:
    """Return an element of HTML made by `drawing` or `leaves`, which escape what they quote."""
    element = ui.html(content, sanitize=False)
    dress(element, classes, {})
    return element


def dress(element: Element, classes: str, attributes: dict[str, str]) -> None:
    """Give classes and attributes; `aria_label` stands for `aria-label`."""
    if classes:
        element.classes(classes)
    for name, value in attributes.items():
        element.props[name.rstrip("_").replace("_", "-")] = value


def reclass(element: Element, classes: str) -> None:
    """Replace the classes, if they differ."""
    if element.classes != classes.split():
        element.classes(replace=classes)


def section(heading: str, classes: str = "") -> Element:
    """Return a section that begins with its heading, to be filled in a `with` block."""
    element = box("section", classes, aria_label=heading)
    with element:
        Words("h2", heading)
    return element


def field(label: str, **attributes: str) -> Element:
    """Return an input inside its label; its name is the key it is submitted under."""
    with box("label", "ww-field"):
        Words("span", label)
        return box("input", autocomplete="off", **attributes)


def who_field(label: str, signed: str) -> None:
    """Ask for the operator's name; whoever is signed in is told the name that stands instead."""
    with box("div", "ww-who"):
        if signed:
            Words("p", f"On record as {signed}.", "ww-muted")
        else:
            field(label, name="operator", placeholder="page", maxlength="60", data_keep="operator")


def choice(label: str, options: Sequence[tuple[str, str]], name: str) -> Element:
    """Return a choice inside its label; options are (value, what people read)."""
    with box("label", "ww-field"):
        Words("span", label)
        with box("select", name=name) as select:
            for value, text in options:
                Words("option", text, value=value)
    return select


def tick(label: str, name: str) -> Element:
    """Return a box to tick, with its label."""
    with box("label", "ww-tick"):
        made = box("input", type="checkbox", name=name)
        Words("span", label)
    return made


def submit(label: str, classes: str = "") -> Words:
    """Return the button that sends a form."""
    return Words("button", label, f"ww-button {classes}".strip(), type="submit")


def on_submit(form: Element, handler: Callable[[dict[str, Any]], Any]) -> None:
    """Call the handler with a form's fields and the operator's name.

    The fields are read in the browser at that moment; nothing is sent while somebody types.
    """

    async def handle(event: Any) -> None:
        await handler(event.args if isinstance(event.args, dict) else {})

    form.on("submit.prevent", handle, js_handler="(e) => emit(weirwatch.fields(e.target))")
