"""The failure catalogue: what can go wrong, and the safety card that goes with it.

Pure: `parse_catalogue` takes the data already read; `weirwatch.config.catalogue` reads the file.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from types import MappingProxyType
from typing import Any, NamedTuple

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.rule import Priority
from weirwatch.domain.tables import Table

FIRST_LINE = (
    "Stay out if the floor is wet. Switch off only from a dry place away from the water; "
    "otherwise keep everyone out and call."
)
"""Stands first on every wet or electrical card, before any rule's own response."""

LAST_LINE = "Local electrical codes and licensed practice decide, not this software."
"""Stands last on every card."""


class SignalWord(StrEnum):
    """How bad it gets if the hazard is not avoided (ANSI Z535.4, definitions seen in quotation).

    DANGER: death or serious injury will follow. WARNING: they could. CAUTION: minor or moderate
    injury could. NOTICE: no injury to people.
    """

    DANGER = "DANGER"
    WARNING = "WARNING"
    CAUTION = "CAUTION"
    NOTICE = "NOTICE"


class Harmed(StrEnum):
    """Who or what a hazard harms, in the order in which a card names them."""

    PEOPLE = "people"
    ANIMALS = "animals"
    PROPERTY = "property"


class Group(StrEnum):
    """The catalogue's four parts."""

    WATER = "water"
    LIFE = "life"
    POWER_AND_ROOM = "power-and-room"
    INSTRUMENTS_AND_SERVICE = "instruments-and-service"


class Standing(StrEnum):
    """How well a source was checked when its card was written."""

    SEEN = "seen in quotation or abstract"
    MEMORY = "from memory"
    CALCULATED = "calculated"
    PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Hazard:
    """One thing that can hurt. People: DANGER, WARNING or CAUTION; all else: NOTICE."""

    signal_word: SignalWord
    to: Harmed
    text: str


class Call(NamedTuple):
    """Whom to call, and when."""

    who: str
    when: str


@dataclass(frozen=True, slots=True)
class SafetyCard:
    """What a woken person reads about one failure, from top to bottom.

    Attributes:
        failure: id of the failure.
        hazards: people first, then animals, then property; worst first.
        first_line: `FIRST_LINE` on every wet or electrical card.
        check_first: what to look at; nothing to touch.
        response: the safe response, in order.
        sources: each with its standing in brackets.
        last_line: `LAST_LINE`.
    """

    failure: str
    title: str
    meaning: str
    hazards: tuple[Hazard, ...]
    first_line: str
    check_first: tuple[str, ...]
    response: tuple[str, ...]
    call: tuple[Call, ...]
    sources: tuple[str, ...]
    last_line: str = LAST_LINE

    @property
    def wet_or_electrical(self) -> bool:
        """Whether water or mains power is near whoever follows this card."""
        return self.first_line == FIRST_LINE


@dataclass(frozen=True, slots=True)
class Failure:
    """One failure of the catalogue.

    Attributes:
        bold: kills people or animals fast. Critical by default; never suppressed, shelved in a
            group, silenced by quiet hours or folded into a digest; fails to alarm.
        default_priority: for a rule that names no priority.
    """

    id: str
    title: str
    group: Group
    bold: bool
    default_priority: Priority
    card: SafetyCard


@dataclass(frozen=True, slots=True)
class Catalogue:
    """All failures by id, in catalogue order."""

    failures: Mapping[str, Failure]

    @property
    def bold(self) -> frozenset[str]:
        """Ids of the bold failures."""
        return frozenset(failure.id for failure in self.failures.values() if failure.bold)


def card_as_json(card: SafetyCard) -> dict[str, Any]:
    """Return the card as plain lists, dicts and strings; keys in the order to read them."""
    return {
        "failure": card.failure,
        "title": card.title,
        "first_line": card.first_line,
        "meaning": card.meaning,
        "hazards": [
            {"signal_word": str(hazard.signal_word), "to": str(hazard.to), "text": hazard.text}
            for hazard in card.hazards
        ],
        "check_first": list(card.check_first),
        "response": list(card.response),
        "call": [{"who": call.who, "when": call.when} for call in card.call],
        "last_line": card.last_line,
        "sources": list(card.sources),
    }


def parse_catalogue(data: Mapping[str, Any]) -> Catalogue:
    """Return the catalogue that the data describes.

    `data` has `failure`, a list of tables, and optionally `shared`: tables `hazard`, `step`,
    `call` and `source` of named parts. An item `"@name"` of a card's list stands for the shared
    part of that name; `check_first` and `response` both draw on `step`.

    Raises:
        ConfigError: with every problem found, one sentence each; nothing is returned.
    """
    problems: list[str] = []
    root = Table(data, "catalogue", problems)
    shared = _Shared(root.table("shared"), problems)
    failures: dict[str, Failure] = {}
    for number, item in enumerate(root.items("failure"), start=1):
        failure = _failure(Table(item, f"failure[{number}]", problems), shared)
        if failure.id and failure.id in failures:
            problems.append(f"{failure.id}: appears twice; give each failure one table")
        failures[failure.id] = failure
    root.close()
    shared.close()
    if problems:
        raise ConfigError(list(dict.fromkeys(problems)))  # a shared part is read once a card
    return Catalogue(MappingProxyType(failures))


_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_ALWAYS_WET = (Group.WATER, Group.LIFE)


class _Shared:
    """The named parts that cards share; each must be used."""

    def __init__(self, data: Mapping[str, Any], problems: list[str]) -> None:
        self._table = Table(data, "shared", problems)
        self._parts = {kind: self._table.table(kind) for kind in ("hazard", "step", "call")}
        self._parts["source"] = self._table.table("source")
        self._unused = {(kind, name) for kind, parts in self._parts.items() for name in parts}

    def resolve(self, card: Table, key: str, kind: str) -> Iterable[tuple[Any, str]]:
        """Yield each item of the card's list, references replaced, and where it stands."""
        for number, item in enumerate(card.items(key), start=1):
            where = f"{card.where}: {key}[{number}]"
            if not (isinstance(item, str) and item.startswith("@")):
                yield item, where
            elif item[1:] in self._parts[kind]:
                self._unused.discard((kind, item[1:]))
                yield self._parts[kind][item[1:]], f"shared.{kind}.{item[1:]}"
            else:
                card.blame(f"{key}[{number}] is {item!r}; there is no [shared.{kind}] of that name")

    def close(self) -> None:
        for kind, name in sorted(self._unused):
            self._table.blame(f"{kind}.{name} is used by no card; remove it")
        self._table.close()


def _failure(table: Table, shared: _Shared) -> Failure:
    ident = table.text("id")
    if ident and not _ID.fullmatch(ident):
        table.blame(f"id is {ident!r}; write lower-case words joined by hyphens")
    table.where = ident or table.where
    group = table.word("group", Group)
    bold = table.flag("bold")
    priority = table.word("priority", Priority)
    if bold and priority is not Priority.CRITICAL:
        table.blame(f"priority is {priority}; a bold failure is critical")
    card = _card(table, ident, group, shared)
    table.close()
    return Failure(ident, card.title, group, bold, priority, card)


def _card(table: Table, ident: str, group: Group, shared: _Shared) -> SafetyCard:
    return SafetyCard(
        failure=ident,
        title=table.text("title"),
        meaning=table.text("meaning"),
        hazards=_hazards(table, shared),
        first_line=_first_line(table, group),
        check_first=_steps(table, "check_first", shared),
        response=_steps(table, "response", shared),
        call=_calls(table, shared),
        sources=_sources(table, shared),
    )


def _first_line(table: Table, group: Group) -> str:
    line = table.text("first_line")
    wet = table.flag("wet_or_electrical")
    if group in _ALWAYS_WET and not wet:
        table.blame(f"wet_or_electrical is not true; every card of group {group} is")
    elif wet and line != FIRST_LINE:
        table.blame(f"first_line is {line!r}; on a wet or electrical card write {FIRST_LINE!r}")
    elif not wet and line == FIRST_LINE:
        table.blame("wet_or_electrical is not true; with this first_line, write true")
    return line


def _hazards(card: Table, shared: _Shared) -> tuple[Hazard, ...]:
    hazards = []
    before = len(card.problems)
    for item, where in shared.resolve(card, "hazards", "hazard"):
        table = Table(item, where, card.problems)
        hazard = Hazard(
            table.word("signal_word", SignalWord), table.word("to", Harmed), table.text("text")
        )
        table.close()
        hazards.append(hazard)
        if len(card.problems) == before:
            _blame_word(table, hazard)
    if len(card.problems) == before:
        _blame_order(card, hazards)
    return tuple(hazards)


def _blame_word(table: Table, hazard: Hazard) -> None:
    if (hazard.signal_word is SignalWord.NOTICE) == (hazard.to is Harmed.PEOPLE):
        table.blame(
            f"{hazard.signal_word} does not go with {hazard.to}; people: DANGER, WARNING or "
            "CAUTION; animals and property: NOTICE"
        )


def _blame_order(card: Table, hazards: Sequence[Hazard]) -> None:
    if all(hazard.to is not Harmed.PEOPLE for hazard in hazards):
        card.blame("hazards name none to people; say first what can hurt people")
    rank = [
        (list(Harmed).index(hazard.to), list(SignalWord).index(hazard.signal_word))
        for hazard in hazards
    ]
    if any(after < before for before, after in pairwise(rank)):
        card.blame(
            "hazards stand in the wrong order; people first, then animals, then property, "
            "the worst first"
        )


def _steps(card: Table, key: str, shared: _Shared) -> tuple[str, ...]:
    return tuple(
        Table({"text": item}, where, card.problems).text("text")
        for item, where in shared.resolve(card, key, "step")
    )


def _calls(card: Table, shared: _Shared) -> tuple[Call, ...]:
    calls = []
    for item, where in shared.resolve(card, "call", "call"):
        table = Table(item, where, card.problems)
        calls.append(Call(table.text("who"), table.text("when")))
        table.close()
    return tuple(calls)


def _sources(card: Table, shared: _Shared) -> tuple[str, ...]:
    sources = []
    for item, where in shared.resolve(card, "sources", "source"):
        table = Table(item, where, card.problems)
        sources.append(f"{table.text('text')} [{table.word('standing', Standing)}]")
        table.close()
    return tuple(sources)
