"""Home of the page's longer texts as HTML: safety card, events, notices, quarantine, service.

Everything that comes from outside is escaped here; nothing else of the page writes HTML by hand
but `drawing`.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from html import escape
from typing import Any

from weirwatch.domain.failures import SafetyCard, SignalWord
from weirwatch.domain.instant import Micros
from weirwatch.domain.reading import Channel
from weirwatch.ports import Notice, StoredEvent
from weirwatch.web.page import words
from weirwatch.web.page.drawing import ALERT_SVG
from weirwatch.web.page.sight import Fixture, Sight

# --- the safety card -------------------------------------------------------------------------


def card_html(card: SafetyCard) -> str:
    """Return a whole safety card, in the order to read it."""
    parts = [
        *(_hazard(hazard.signal_word, hazard.text) for hazard in card.hazards),
        _paragraph("What it means", card.meaning),
        _list("Check first, touch nothing", card.check_first, "ul"),
        _list("Then, in this order", card.response, "ol"),
        _list("Call", (f"{call.who}: {call.when}" for call in card.call), "ul"),
        f'<p class="ww-codes">{escape(card.last_line)}</p>',
        _list("Sources", card.sources, "ul", "ww-sources"),
    ]
    return "".join(parts)


def _hazard(word: SignalWord, text: str) -> str:
    symbol = "" if word is SignalWord.NOTICE else ALERT_SVG
    return (
        f'<p class="ww-hazard ww-{word.value.lower()}"><strong>{symbol}{word.value}</strong>'
        f"<span>{escape(text)}</span></p>"
    )


def _paragraph(heading: str, text: str) -> str:
    return f"<h4>{escape(heading)}</h4><p>{escape(text)}</p>" if text else ""


def _list(heading: str, items: Iterable[str], tag: str, classes: str = "") -> str:
    inner = "".join(f"<li>{escape(item)}</li>" for item in items)
    if not inner:
        return ""
    return f'<h4>{escape(heading)}</h4><{tag} class="{classes}">{inner}</{tag}>'


# --- what happened ---------------------------------------------------------------------------

_STATE_WORDS = {
    "raised": "raised",
    "returned": "back to normal",
    "removed-from-service": "taken out of service",
    "returned-to-service": "back in service",
    "re-alarmed": "announced again",
    "checked-in": "word from whoever attends to it",
    "suppressed": "suppressed by design",
    "released": "no longer suppressed",
}


def events_html(events: Sequence[StoredEvent], fixture: Fixture, now: Micros) -> str:
    """Return events in the order given."""
    if not events:
        return _nothing("Nothing has happened yet.")
    return _entries(_event(stored, fixture, now) for stored in events)


def _event(stored: StoredEvent, fixture: Fixture, now: Micros) -> str:
    event = stored.event
    rule = fixture.rules.get(event.rule)
    channel = fixture.channels.get(event.channel)
    what = _STATE_WORDS.get(event.kind, event.kind.replace("-", " "))
    title = rule.title if rule else event.rule
    details = [
        event.message or _value(channel, event.value),
        f"by {event.who}" if event.who else "",
        f"“{event.comment}”" if event.comment else "",
        "reported late" if event.late else "",
        "drill" if event.drill else "",
    ]
    head = f"{title}: {what}" if title else what.capitalize()
    when = words.moment_words(event.time, now, fixture.zone)
    return _entry(when, head, details, strong=event.annunciated)


def _value(channel: Channel | None, value: float | None) -> str:
    return words.value_words(channel, value) if channel and value is not None else ""


def notices_html(notices: Sequence[Notice], fixture: Fixture, now: Micros) -> str:
    """Return notices in the order given, with how far each has got."""
    if not notices:
        return _nothing("No notice has been sent yet.")
    return _entries(_notice(notice, fixture, now) for notice in notices)


def _notice(notice: Notice, fixture: Fixture, now: Micros) -> str:
    when = words.moment_words(notice.created, now, fixture.zone)
    first_line = notice.text.splitlines()[0] if notice.text else ""
    return _entry(
        when,
        first_line,
        [f"to {notice.recipient}", _delivery(notice, fixture, now)],
        strong=notice.state == "given-up",
    )


def _delivery(notice: Notice, fixture: Fixture, now: Micros) -> str:
    error = f": {notice.last_error}" if notice.last_error else ""
    tries = f" after {notice.attempts} attempts" if notice.attempts > 1 else ""
    if notice.state == "delivered":
        if notice.delivered_at is None:
            return "delivered"
        return f"delivered {words.moment_words(notice.delivered_at, now, fixture.zone)}{tries}"
    if notice.state == "given-up":
        return f"NOT delivered, given up{tries}{error}"
    if notice.state in ("expired", "folded"):
        return f"{notice.state}{error}"
    if notice.attempts:
        return f"not delivered yet, will be tried again{tries}{error}"
    return "on its way"


# --- the service -----------------------------------------------------------------------------


def quarantine_html(sight: Sight, fixture: Fixture, now: Micros) -> str:
    """Return how many payloads could not be used, and the newest of them with the reason."""
    if not sight.quarantine_counts:
        return _nothing("Every payload so far could be used.")
    counts = _table(
        (code.replace("-", " "), str(count))
        for code, count in sorted(sight.quarantine_counts.items(), key=lambda item: -item[1])
    )
    newest = _entries(
        _entry(words.moment_words(item.received, now, fixture.zone), item.reason, [item.topic])
        for item in sight.quarantined[:10]
    )
    return counts + newest


def nodes_html(sight: Sight, fixture: Fixture, now: Micros) -> str:
    """Return what each node last said of its connection."""
    if not sight.nodes:
        return _nothing("No node has reported its connection yet.")
    return _table(
        (
            node.node,
            f"{'connected' if node.connected else 'NOT connected'} "
            f"{words.since_words(node.since, now, fixture.zone)}"
            + (f", on {node.power}" if node.power else ""),
        )
        for _, node in sorted(sight.nodes.items())
    )


def health_html(sight: Sight) -> str:
    """Return the core's health document as a table of names and numbers."""
    if not sight.health:
        return _nothing("The core has not reported its health yet.")
    return _table(_flat(sight.health))


def _flat(document: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, str]]:
    for key, value in document.items():
        name = f"{above} {key}".strip().replace("_", " ")
        if isinstance(value, Mapping):
            yield from _flat(value, name)
        elif isinstance(value, list | tuple):
            yield name, ", ".join(_plain(item) for item in value) or "none"
        else:
            yield name, _plain(value)


def _plain(value: object) -> str:
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, Mapping):
        return " ".join(f"{key} {_plain(inner)}" for key, inner in value.items())
    return str(value)


# --- pieces ----------------------------------------------------------------------------------


def _entries(items: Iterable[str]) -> str:
    return f'<ol class="ww-entries">{"".join(items)}</ol>'


def _entry(when: str, head: str, details: Iterable[str], *, strong: bool = False) -> str:
    text = " · ".join(escape(detail) for detail in details if detail)
    classes = ' class="ww-strong"' if strong else ""
    return (
        f'<li{classes}><span class="ww-when">{escape(when)}</span>'
        f'<span class="ww-what"><b>{escape(head)}</b>'
        f"{'<br>' if text else ''}<span>{text}</span></span></li>"
    )


def _table(rows: Iterable[tuple[str, str]]) -> str:
    inner = "".join(
        f'<tr><th scope="row">{escape(name)}</th><td>{escape(value)}</td></tr>'
        for name, value in rows
    )
    return f'<table class="ww-table"><tbody>{inner}</tbody></table>'


def _nothing(text: str) -> str:
    return f'<p class="ww-nothing">{escape(text)}</p>'
