"""Home of planned work in the words of the page: what it does, how it stands, what came of it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from weirwatch.domain.instant import SECOND, Micros, from_rfc3339, seconds
from weirwatch.domain.planned_work import PlannedWork
from weirwatch.ports import StoredEvent
from weirwatch.web.page import words
from weirwatch.web.page.alarm_list import shelved_by
from weirwatch.web.page.reason import named
from weirwatch.web.page.sight import Fixture, Sight

Json = Mapping[str, Any]
CHECKED = "planned-work-checked"
_FRESH: Micros = 10 * words.MINUTE  # so long the outcome of a check stays at the top
_AT_A_GLANCE = 3  # titles; every one of them stands with the work itself, unfolded


@dataclass(frozen=True, slots=True)
class WorkWords:
    """One planned work in the words of the page.

    Attributes:
        work: its id.
        state: idle, under-way, settling or not-back-to-normal.
        head: how it stands, beside its title.
        glance: the same as a sentence for the top of the page; empty when nothing is under way.
        quiet: what is kept quiet and until when, for the top of the page; may be empty.
        facts: sentences for whoever looks closer; each has its place, empty ones are not shown.
        in_full: those of them that the facts cut short.
        minutes: how long it takes if nobody says otherwise.
        most: the most minutes that it may take; None: it cannot be begun here.
        begin: what its button says.
    """

    work: str
    title: str
    state: str
    head: str
    glance: str
    quiet: str
    facts: tuple[str, ...]
    in_full: tuple[str, ...]
    minutes: str
    most: str | None
    begin: str

    @property
    def under_way(self) -> bool:
        """Return whether there is something to end."""
        return self.state == "under-way"

    @property
    def amiss(self) -> bool:
        """Return whether it has ended and something is not back to normal."""
        return self.state == "not-back-to-normal"


def work_list(sight: Sight, fixture: Fixture, now: Micros) -> list[WorkWords]:
    """Return the planned work that the core has told of, in its order."""
    return [_work_words(work, sight, fixture, now) for work in sight.works]


def under_way_words(sight: Sight) -> list[str]:
    """Return what is under way, a sentence each, for the page's first words."""
    return [
        f"{work['title']} is under way." for work in sight.works if work["state"] == "under-way"
    ]


def most_minutes(work: PlannedWork) -> float:
    """Return the most minutes that planned work may take: its alarms are shelved until settled."""
    return seconds(work.longest - work.settle) / 60


def _work_words(work: Json, sight: Sight, fixture: Fixture, now: Micros) -> WorkWords:
    known = fixture.works.get(work["id"])
    checked = _checked_at(work["title"], sight.events) if work["state"] == "idle" else None
    return WorkWords(
        work=work["id"],
        title=work["title"],
        state=work["state"],
        head=_head(work, checked, fixture, now),
        glance=_glance(work, checked, fixture, now),
        quiet="" if work["state"] == "idle" else _quiet(work, fixture, now, _AT_A_GLANCE),
        facts=(
            _begun(work, fixture, now),
            _quiet(work, fixture, now, _AT_A_GLANCE),
            _left_alone(work, fixture),
            _never_quiet(fixture, _AT_A_GLANCE),
            _uncertain(work, fixture),
            _check(work, fixture),
        ),
        in_full=(_quiet(work, fixture, now), _never_quiet(fixture)),
        minutes=f"{work['minutes']:g}",
        most=None if known is None else f"{most_minutes(known):g}",
        begin={"idle": "Begin", "under-way": "Move its end"}.get(work["state"], "Begin again"),
    )


# --- how it stands ---------------------------------------------------------------------------


def _head(work: Json, checked: Micros | None, fixture: Fixture, now: Micros) -> str:
    match work["state"]:
        case "under-way":
            return f"under way until {_at(work['ends_at'], fixture, now)}"
        case "settling":
            return f"has ended, checked at {_at(work['check_at'], fixture, now)}"
        case "not-back-to-normal":
            return "has ended, NOT back to normal"
        case _:
            again = ""
            if checked is not None:
                again = f", back to normal {words.moment_words(checked, now, fixture.zone)}"
            return f"{work['minutes']:g} min{again}"


def _glance(work: Json, checked: Micros | None, fixture: Fixture, now: Micros) -> str:
    title = work["title"]
    match work["state"]:
        case "under-way":
            until = _at(work["ends_at"], fixture, now)
            left = _left(from_rfc3339(work["ends_at"]) - now)
            begun = _begun(work, fixture, now)
            return f"{title} is under way until {until} ({left}). {begun}"
        case "settling":
            at = _at(work["check_at"], fixture, now)
            return f"{title} has ended. At {at} it is checked whether all is back to normal."
        case "not-back-to-normal":
            return f"{title} has ended, but {' and '.join(map(str, work['unmet']))}."
        case _ if checked is not None and now - checked < _FRESH:
            at = words.moment_words(checked, now, fixture.zone)
            return f"{title} has ended, and all is back to normal ({at})."
        case _:
            return ""


def _left(span: Micros) -> str:
    if span < words.MINUTE:
        return "less than a minute left"
    return f"{words.span_words(span)} left"


def _begun(work: Json, fixture: Fixture, now: Micros) -> str:
    if work["started_at"] is None:
        return ""
    by = f" by {work['who']}" if work["who"] else ""
    said = f", “{work['comment']}”" if work["comment"] else ""
    return f"Begun {_at(work['started_at'], fixture, now)}{by}{said}."


def _checked_at(title: str, events: Iterable[StoredEvent]) -> Micros | None:
    """Return when the newest check of a work found all back to normal; None: not lately."""
    for stored in events:
        event = stored.event
        if event.kind == CHECKED and event.message.startswith(f"{title}: "):
            return event.time
    return None


# --- what it does ----------------------------------------------------------------------------


def _quiet(work: Json, fixture: Fixture, now: Micros, most: int | None = None) -> str:
    if work["state"] == "idle":
        return f"Keeps quiet: {_titles(work['rules'], fixture, most)}."
    quiet = shelved_by(work)
    if not quiet:
        return ""
    until = _at(work["check_at"], fixture, now)
    return f"Kept quiet until {until}: {_titles(quiet, fixture, most)}."


def _left_alone(work: Json, fixture: Fixture) -> str:
    if not shelved_by(work):
        return ""
    others = [rule for rule in work["rules"] if rule not in work["shelved"]]
    if not others:
        return ""
    return f"Left as somebody had set it aside before: {_titles(others, fixture)}."


def _never_quiet(fixture: Fixture, most: int | None = None) -> str:
    bold = [rule.id for rule in fixture.rules.values() if rule.bold]
    if not bold:
        return ""
    return f"Bold failures are never kept quiet: {_titles(bold, fixture, most)}."


def _uncertain(work: Json, fixture: Fixture) -> str:
    if not work["calibrates"]:
        return ""
    channels = [named(channel, fixture) for channel in work["calibrates"]]
    return f"Uncertain until it ends, since the probe is not in the water: {', '.join(channels)}."


def _check(work: Json, fixture: Fixture) -> str:
    span = round(work["settle_s"] * SECOND)
    after = f"{words.span_words(span)} after its end" if span else "At its end"
    if not work["check"]:
        return f"{after} its alarms are back; nothing else is checked."
    expected = "; ".join(named(text, fixture) for text in work["check"])
    return f"{after} its alarms are back, and this must hold: {expected}."


def _titles(rules: Sequence[str], fixture: Fixture, most: int | None = None) -> str:
    """Return the titles of rules, so many at most, and how many more there are."""
    titles = [fixture.rules[rule].title if rule in fixture.rules else rule for rule in rules]
    if most is None or len(titles) <= most + 1:  # a title is no longer than "and 1 more"
        return ", ".join(titles)
    return f"{', '.join(titles[:most])} and {len(titles) - most} more"


def _at(time: str, fixture: Fixture, now: Micros) -> str:
    return words.moment_words(from_rfc3339(time), now, fixture.zone)
