"""The time line of a call: repeats, the next person, silence, check-ins, quiet hours."""

from weirwatch.domain.calls import Call, Say, Why, begin, due, due_at, resumed, silenced
from weirwatch.domain.instant import micros
from weirwatch.domain.routing import Roster

MINUTE = micros(60)


def roster(*call: str, repeat: float = 5, longest: float = 60, following: float = 15) -> Roster:
    """A roster; spans in minutes."""
    return Roster(
        "r",
        call or ("a", "b", "c"),
        also=("log",),
        repeat=micros(60 * repeat),
        repeat_longest=micros(60 * longest),
        next_after=micros(60 * following),
    )


class Line:
    """A call followed in virtual time; `said` has (minute, why, to)."""

    def __init__(self, served: Roster, quiet_until: int | None = None) -> None:
        self.served = served
        self.said: list[tuple[float, str, str]] = []
        self.numbers: list[int] = []
        turned = begin(Call("high", "r", 7), served, 0, quiet_until)
        self.call = turned.call
        self._note(0, turned.say)

    def until(self, minute: float, quiet_until: int | None = None) -> "Line":
        while (at := due_at(self.call)) is not None and at <= minute * MINUTE:
            turned = due(self.call, self.served, at, quiet_until)
            assert turned.call != self.call, "it would turn for ever"
            self.call = turned.call
            self._note(at, turned.say)
        return self

    def _note(self, at: int, say: Say | None) -> None:
        if say is not None:
            assert say.seq == 7
            self.said.append((at / MINUTE, say.why.value, ",".join(say.to)))
            self.numbers.append(say.number)


def test_repeats_grow_then_the_next_person_then_all() -> None:
    line = Line(roster()).until(120)
    assert line.said == [
        (0, "call", "a,log"),
        (5, "repeat", "a"),
        (15, "next", "b"),
        (20, "repeat", "b"),
        (30, "next", "c"),
        (35, "repeat", "c"),
        (45, "next", "a,b,c"),
        (55, "repeat", "a,b,c"),
        (75, "repeat", "a,b,c"),
        (115, "repeat", "a,b,c"),
    ]
    assert line.numbers == list(range(10))  # every notice has an id of its own


def test_the_span_stops_growing() -> None:
    line = Line(roster("a", repeat=5, longest=12)).until(60)
    assert [at for at, _, _ in line.said] == [0, 5, 15, 27, 39, 51]


def test_neither_repeats_nor_a_next_person() -> None:
    once = Line(roster(repeat=0, following=0))
    assert due_at(once.call) is None
    assert once.said == [(0, "call", "a,log")]
    line = Line(roster("a", "b", repeat=0)).until(600)
    assert line.said == [(0, "call", "a,log"), (15, "next", "b"), (30, "next", "a,b")]


def test_acknowledged_by_anyone_it_is_silent() -> None:
    line = Line(roster()).until(15)
    line.call = silenced(line.call, None)
    assert due_at(line.call) is None


def test_a_missed_check_in_calls_the_next_person_without_repeats() -> None:
    line = Line(roster()).until(6)
    line.call = silenced(line.call, 30 * MINUTE)
    line.until(600)
    assert line.said[2:] == [
        (30, "check-in-missed", "b"),
        (45, "next", "c"),
        (60, "next", "a,b,c"),
    ]


def test_a_missed_check_in_with_nobody_next() -> None:
    line = Line(roster("a")).until(1)
    line.call = silenced(line.call, 30 * MINUTE)
    assert line.until(600).said[1:] == [(30, "check-in-missed", "a")]
    line.call = silenced(line.call, 700 * MINUTE)
    assert line.until(900).said[2:] == [(700, "check-in-missed", "a")]


def test_quiet_hours_hold_the_first_call_back() -> None:
    line = Line(roster(), quiet_until=90 * MINUTE)
    assert line.said == []
    assert line.until(95).said == [(90, "call", "a,log"), (95, "repeat", "a")]


def test_quiet_hours_hold_repeats_back_but_no_check_in() -> None:
    line = Line(roster()).until(1)
    line.until(20, quiet_until=90 * MINUTE)
    assert line.said == [(0, "call", "a,log")]
    assert line.until(90).said[1:] == [(90, "next", "b")]
    late = Line(roster())
    late.call = silenced(late.call, 30 * MINUTE)
    assert late.until(30, quiet_until=90 * MINUTE).said[1:] == [(30, "check-in-missed", "b")]


def test_an_outage_is_not_followed_by_a_burst() -> None:
    line = Line(roster())
    turned = due(line.call, line.served, 300 * MINUTE, None)
    assert turned.say == Say(Why.NEXT, 7, 1, ("b",))
    assert due_at(turned.call) == 305 * MINUTE


def test_after_a_suppression_it_goes_on() -> None:
    line = Line(roster()).until(6)
    line.call = resumed(silenced(line.call, None), line.served, 60 * MINUTE)
    assert line.until(75).said[2:] == [(65, "repeat", "a"), (75, "next", "b")]
    held = Line(roster(), quiet_until=90 * MINUTE)
    held.call = resumed(silenced(held.call, None), held.served, 60 * MINUTE)
    assert held.until(60).said == [(60, "call", "a,log")]
