"""Home of "Why?" on the page: an explanation of the engine as HTML, on the keeper's clock."""

import re
from collections.abc import Iterator, Mapping
from html import escape
from typing import Any

from weirwatch.domain.instant import SECOND, Micros, from_rfc3339
from weirwatch.domain.wording import amount
from weirwatch.web.page import words
from weirwatch.web.page.alarm_list import channel_words
from weirwatch.web.page.sight import Fixture

_TIME = re.compile(r"\d{4}-\d\d-\d\dT[\d:.]+Z")
NO_ANSWER = "<p>The core gave no answer. Close this and ask again.</p>"


def reason_html(found: Mapping[str, Any], fixture: Fixture, now: Micros) -> str:
    """Return why an alarm is in its state: sentences, then the facts behind them."""

    def ours(text: str) -> str:
        return named(_TIME.sub(lambda hit: _moment(hit[0], fixture, now), text), fixture)

    sentences = "".join(f"<li>{escape(ours(line))}</li>" for line in found["why"])
    rows = "".join(
        f'<tr><th scope="row">{escape(name)}</th><td>{fact}</td></tr>'
        for name, fact in _facts(found, fixture, now)
    )
    table = f'<table class="ww-table"><tbody>{rows}</tbody></table>' if rows else ""
    return f'<ul class="ww-because">{sentences}</ul>{table}'


def _facts(found: Mapping[str, Any], fixture: Fixture, now: Micros) -> Iterator[tuple[str, str]]:
    if found["limit_text"]:
        yield "Limit", escape(found["limit_text"])
    if found["deadband"]:
        yield "Deadband", escape(amount(found["deadband"], found["unit"]))
    delay = found["delay"]
    if delay is not None:
        name = "On-delay" if delay["kind"] == "on-delay" else "Off-delay"
        left = words.span_words(round(delay["left_s"] * SECOND))
        yield name, escape(f"{left} left, ends {_moment(delay['ends'], fixture, now)}")
    terms = [_term(term, fixture) for term in found["while"]]
    if terms:
        yield "Only while", "<br>".join(terms)
    yield from _quieting(found["suppression"], fixture, now)
    readings = [_reading(reading, found, fixture) for reading in found.get("readings", ())]
    if readings:
        yield "Last readings", "<br>".join(readings)


def _quieting(
    suppression: Mapping[str, Any], fixture: Fixture, now: Micros
) -> Iterator[tuple[str, str]]:
    causes = [_cause(cause, fixture, now) for cause in suppression["causes"]]
    if causes:
        yield "Kept quiet by", "<br>".join(causes)
    elif suppression["never"]:
        yield "Kept quiet by", "nothing: it is never suppressed"
    left_s = suppression["hold_off_left_s"]
    if left_s:
        yield "Hold-off", escape(f"{words.span_words(round(left_s * SECOND))} left")


def _term(term: Mapping[str, Any], fixture: Fixture) -> str:
    text = named(str(term["term"]), fixture)
    if term["holds"]:
        return f"{escape(text)}: holds"
    return f"{escape(text)}: <b>does not hold</b>"


def _cause(cause: Mapping[str, Any], fixture: Fixture, now: Micros) -> str:
    title = escape(str(cause["title"]))
    if not cause["stands"]:
        return f"{title}: does not stand"
    at = cause["raised_at"]
    since = f" since {escape(_moment(at, fixture, now))}" if at else ""
    return f"{title}: <b>stands</b>{since}"


def _reading(reading: Mapping[str, Any], found: Mapping[str, Any], fixture: Fixture) -> str:
    channel = fixture.channels.get(str(found["channel"]))
    value = reading["value"]
    told = words.value_words(channel, value) if channel else amount(value, found["unit"])
    at = words.clock_words(from_rfc3339(reading["time"]), fixture.zone)
    doubt = "" if reading["quality"] == "good" else f" ({reading['quality']})"
    return escape(f"{at}  {told}{doubt}")


def named(text: str, fixture: Fixture) -> str:
    """Return the text with channels called as people call them."""
    for channel in sorted(fixture.channels.values(), key=lambda one: -len(one.id)):
        text = text.replace(channel.id, channel_words(channel, fixture))
    return text


def _moment(time: str, fixture: Fixture, now: Micros) -> str:
    return words.moment_words(from_rfc3339(time), now, fixture.zone)
