"""Home of the first sentence of the page: the state of everything, and of what carries it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from weirwatch.domain.alarm import ServiceState
from weirwatch.domain.instant import Micros
from weirwatch.domain.rule import Priority
from weirwatch.domain.wording import counted
from weirwatch.pipeline.live_drill_words import drill_sentence
from weirwatch.web.page import words
from weirwatch.web.page.alarm_list import AlarmWords, alarm_lists, quiet_by_work
from weirwatch.web.page.marks import Mark, mark_of
from weirwatch.web.page.sight import Fixture, Sight
from weirwatch.web.page.work_words import under_way_words

_OF_A_NODE = "node-offline/"  # how the ids of its built-in rules begin


@dataclass(frozen=True, slots=True)
class Overall:
    """The first thing a keeper reads.

    Attributes:
        quiet: nothing stands, nothing is silent or set aside, and the core answers.
        worst: the most urgent alarm's priority and form; None: none.
    """

    quiet: bool
    sentence: str
    worst: tuple[Priority, str] | None = None


def overall_of(sight: Sight, fixture: Fixture, now: Micros) -> Overall:
    """Return the state of everything in one sentence."""
    if not sight.seen and sight.record_lost_at is None:
        return Overall(False, "Reading the record…")
    act, aside = alarm_lists(sight, fixture, now)
    parts = [
        *_lost_parts(sight, fixture, now),
        *_alarm_parts(act),
        *_problem_parts(sight, fixture),
        *_drill_parts(sight, fixture),
        *under_way_words(sight),
        *_channel_parts(sight, fixture, now),
        *_aside_parts(sight, aside),
    ]
    worst = (act[0].priority, act[0].form) if act else None
    if parts:
        return Overall(False, " ".join(parts), worst)
    return Overall(True, "All quiet.")


def core_words(sight: Sight, fixture: Fixture, now: Micros) -> str:
    """Return that the core does not answer and since when; empty while it does."""
    if sight.core_lost_at is None:
        return ""
    since = words.since_words(sight.core_lost_at, now, fixture.zone)
    return f"The core does not answer {since}: alarms and values below may be out of date."


def _lost_parts(sight: Sight, fixture: Fixture, now: Micros) -> list[str]:
    parts = []
    if sight.core_lost_at is not None:
        parts.append("The core does not answer.")
    elif not sight.health:
        parts.append("The core has not answered yet.")
    if sight.record_lost_at is not None:
        since = words.since_words(sight.record_lost_at, now, fixture.zone)
        parts.append(f"The record cannot be read {since}.")
    return parts


def _problem_parts(sight: Sight, fixture: Fixture) -> list[str]:
    """Return what the core itself finds wrong, or not done yet, as sentences."""
    problems = [*(sight.health.get("problems") or ()), sight.health.get("not_in_force") or ""]
    told = (_titled(text, fixture) for text in map(str, problems) if text)
    return [f"{text[:1].upper()}{text[1:].rstrip('.')}." for text in told]


def _titled(text: str, fixture: Fixture) -> str:
    """Return a problem that begins with a rule's id with its title instead; a node says its own."""
    name, colon, rest = text.partition(": ")
    if not colon or name not in fixture.rules:
        return text
    return rest if name.startswith(_OF_A_NODE) else f"{fixture.rules[name].title}: {rest}"


def _drill_parts(sight: Sight, fixture: Fixture) -> list[str]:
    """Return that a drill is under way: what rings now may be one."""
    sentence = drill_sentence(sight.health.get("drill"), fixture.zone)
    return [f"{sentence}."] if sentence else []


def broker_words(sight: Sight) -> str:
    """Return which broker is in use and its limits; empty when not known."""
    broker = sight.health.get("broker")
    if not isinstance(broker, Mapping):
        return ""
    kind, address = broker.get("kind", ""), broker.get("address", "")
    limits = str(broker.get("limits", "")).rstrip(".")
    return f"Broker: {kind} at {address}. {limits}." if limits else f"Broker: {kind} at {address}."


def _alarm_parts(act: Sequence[AlarmWords]) -> list[str]:
    parts = []
    new = [alarm for alarm in act if alarm.form == "new"]
    for priority in reversed(Priority):
        count = sum(alarm.priority is priority for alarm in new)
        if count:
            parts.append(f"{counted(count, f'{priority.value} alarm')}, not acknowledged.")
    known = sum(alarm.form == "known" for alarm in act)
    if known:
        parts.append(f"{counted(known, 'acknowledged alarm')} still {_stands(known)}.")
    gone = sum(alarm.form == "gone" for alarm in act)
    if gone:
        parts.append(f"{counted(gone, 'alarm')} back to normal, waiting for you.")
    return parts


def _channel_parts(sight: Sight, fixture: Fixture, now: Micros) -> list[str]:
    marks = [
        mark_of(c, sight.newest.get(c.id), now, fixture.lag)
        for c in fixture.channels.values()
        if c.id not in fixture.computed  # as good as what it is computed from, which counts here
    ]
    parts = []
    for mark, word in (
        (Mark.SILENT, "silent"),
        (Mark.NEVER, "never heard"),
        (Mark.BAD, "bad"),
        (Mark.UNCERTAIN, "uncertain"),
    ):
        count = marks.count(mark)
        if count:
            parts.append(f"{counted(count, 'channel')} {word}.")
    return parts


def _aside_parts(sight: Sight, aside: Sequence[AlarmWords]) -> list[str]:
    rules = [*(alarm.rule for alarm in aside), *quiet_by_work(sight)]
    states = [sight.alarms[rule].service_state for rule in rules]
    parts = []
    for state, word in (
        (ServiceState.SHELVED, "shelved"),
        (ServiceState.OUT_OF_SERVICE, "out of service"),
        (ServiceState.SUPPRESSED_BY_DESIGN, "suppressed by design"),
    ):
        count = states.count(state)
        if count:
            parts.append(f"{counted(count, 'alarm')} {word}.")
    return parts


def _stands(number: int) -> str:
    return "stands" if number == 1 else "stand"
