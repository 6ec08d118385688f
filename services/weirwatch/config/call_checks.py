"""What must agree between rosters, holidays and recipients."""

from collections.abc import Iterable, Iterator, Mapping

from weirwatch.config.call_models import HolidayConfig, RosterConfig
from weirwatch.config.draft import Draft
from weirwatch.config.entries import Entry
from weirwatch.config.problems import Problem, did_you_mean


def check_calls(draft: Draft, failures: Iterable[str]) -> Iterator[Problem]:
    """Yield what is wrong between rosters, holidays, recipients, systems and the catalogue."""
    known: Mapping[str, frozenset[str]] = {
        "recipient": draft.ids["recipient"] or frozenset({"console"}),
        "system": draft.ids["system"],
        "failure": frozenset(failures),
    }
    for roster in draft.rosters:
        yield from _roster(roster, known)
    for holiday in draft.holidays:
        yield from _holiday(holiday, known["recipient"])


def _roster(entry: Entry[RosterConfig], known: Mapping[str, frozenset[str]]) -> Iterator[Problem]:
    config = entry.config
    for key, names, what in (
        ("call", config.call, "recipient"),
        ("also", config.also, "recipient"),
        ("systems", config.systems, "system"),
        ("failures", config.failures, "failure"),
    ):
        if entry.whole(key):
            yield from _unknown(entry.at(key), names, known[what], what)
    longest = config.repeat_longest_s
    if 0 < longest < config.repeat_s and entry.whole("repeat_s", "repeat_longest_s"):
        cure = f"Write {config.repeat_s:g} or more"
        yield Problem(entry.at("repeat_longest_s"), "is less than repeat_s", cure, longest)


def _holiday(entry: Entry[HolidayConfig], recipients: frozenset[str]) -> Iterator[Problem]:
    config = entry.config
    for key, name in (("recipient", config.recipient), ("stand_in", config.stand_in)):
        if entry.whole(key):
            yield from _unknown(entry.at(key), [name], recipients, "recipient")
    if config.recipient == config.stand_in and entry.whole("recipient", "stand_in"):
        cure = "Name somebody else"
        yield Problem(entry.at("stand_in"), "stands in for itself", cure, config.stand_in)
    if config.until < config.from_ and entry.whole("from", "until"):
        cure = "Write the last day; it counts too"
        yield Problem(entry.at("until"), "lies before from", cure, config.until)


def _unknown(
    where: str, names: Iterable[str], known: frozenset[str], what: str
) -> Iterator[Problem]:
    for name in dict.fromkeys(names):
        if name not in known and known:
            cure = did_you_mean(name, known)
            yield Problem(where, f"names a {what} that is not there", cure, name)
