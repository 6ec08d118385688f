"""What may stand in the configuration file about telling people: rosters, holidays, words."""

from datetime import date
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from weirwatch.config.problems import fault
from weirwatch.config.values import ClockTime, Name, Seconds, Section, SystemId, parse_clock
from weirwatch.domain.instant import micros
from weirwatch.domain.routing import Holiday, Roster
from weirwatch.domain.rule import Between, Priority

_Hours = Annotated[list[ClockTime], Field(min_length=2, max_length=2)]
_Word = Literal["low", "medium", "high", "critical"]


def _page(text: str) -> str:
    if text and (
        not text.startswith(("http://", "https://")) or any(mark in text for mark in "@ #")
    ):
        raise fault("is not an address of a page", 'Write "http://hall.example:8080/"')
    return text


class NoticeConfig(Section):
    """`[notice]`: what every notice says."""

    page: Annotated[str, Field(max_length=120), AfterValidator(_page)] = Field(
        "", examples=["http://hall.example:8080/"]
    )
    repeat_expires_s: Annotated[float, Field(ge=60, le=604_800)] = Field(3600.0, examples=[3600])


class RosterConfig(Section):
    """`[[roster]]`: who is told of which alarms, and who next."""

    id: Name = Field(examples=["nights"])
    call: Annotated[list[Name], Field(min_length=1, max_length=20)] = Field(examples=[["keeper"]])
    also: list[Name] = Field(default_factory=list, examples=[["record"]])
    priorities: list[_Word] = Field(default_factory=list, examples=[["high", "critical"]])
    systems: list[SystemId] = Field(default_factory=list, examples=[["harbour-hall"]])
    failures: list[Name] = Field(default_factory=list, examples=[["floor-leak"]])
    between: _Hours | None = Field(None, examples=[["22:00", "07:00"]])
    quiet: _Hours | None = Field(None, examples=[["22:00", "07:00"]])
    repeat_s: Seconds = Field(300.0, examples=[300])
    repeat_longest_s: Seconds = Field(3600.0, examples=[3600])
    next_after_s: Seconds = Field(900.0, examples=[900])

    def to_domain(self) -> Roster:
        """Return the roster."""
        return Roster(
            id=self.id,
            call=tuple(dict.fromkeys(self.call)),
            also=tuple(name for name in dict.fromkeys(self.also) if name not in self.call),
            priorities=frozenset(Priority(word) for word in self.priorities),
            systems=frozenset(self.systems),
            failures=frozenset(self.failures),
            between=_span(self.between),
            quiet=_span(self.quiet),
            repeat=micros(self.repeat_s),
            repeat_longest=micros(self.repeat_longest_s),
            next_after=micros(self.next_after_s),
        )


class HolidayConfig(Section):
    """`[[holiday]]`: somebody else is told in these days, both included."""

    recipient: Name = Field(examples=["keeper"])
    stand_in: Name = Field(examples=["neighbour"])
    from_: date = Field(alias="from", examples=[date(2026, 7, 4)])
    until: date = Field(examples=[date(2026, 7, 18)])

    def to_domain(self) -> Holiday:
        """Return the hand-over."""
        return Holiday(self.recipient, self.stand_in, self.from_, self.until)


def _span(hours: list[str] | None) -> Between | None:
    return None if hours is None else Between(parse_clock(hours[0]), parse_clock(hours[1]))
