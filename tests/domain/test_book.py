"""The rule book made ready: who depends on whom, and who comes first."""

import pytest
from support.bench_engine import LEVEL, book, channel, rule

from weirwatch.domain.book import rule_mark
from weirwatch.domain.rule import (
    Absolute,
    AlarmStands,
    BadMeasurement,
    ChannelBeyond,
    ChannelIs,
    Deviation,
    Discrepancy,
    Priority,
    Side,
)

FLOW = "hall/node/flow"
MAINS = "hall/power/mains"
CHANNELS = [channel(), channel(FLOW), channel(MAINS, quantity="switch")]


def test_causes_come_before_consequences_however_deep() -> None:
    made = book(
        [
            rule("deep", suppressed_by=("middle", "mains")),
            rule("middle", suppressed_by=("mains", "not-configured")),
            rule("mains"),
        ],
        CHANNELS,
    )
    assert {ident: entry.rank for ident, entry in made.entries.items()} == {
        "mains": 0,
        "middle": 1,
        "deep": 2,
    }
    assert made.entries["mains"].consequences == ("deep", "middle")


def test_a_bold_rule_is_nobodys_consequence() -> None:
    made = book([rule("leak", suppressed_by=("mains",), bold=True), rule("mains")], CHANNELS)
    assert made.entries["mains"].consequences == ()


@pytest.mark.parametrize("last", ["a", "b", "c"])
def test_suppression_in_a_circle_is_refused_with_its_way(last: str) -> None:
    rules = [rule("a", suppressed_by=("b",)), rule("b", suppressed_by=("c",))]
    with pytest.raises(ValueError, match=rf"in a circle: a → b → c.* → {last}"):
        book([*rules, rule("c", suppressed_by=(last,))], CHANNELS)


def test_who_looks_at_which_channel() -> None:
    dark = ChannelBeyond(FLOW, Side.LOW, 1.0)
    made = book(
        [
            rule("plain"),
            rule("own-while", while_=(ChannelBeyond(LEVEL, Side.HIGH, 1.0),)),
            rule("while", while_=(ChannelIs(MAINS, True), dark, dark)),
            rule("twin", Deviation(1.0, twin=FLOW), kind="deviation"),
            rule("set", Deviation(1.0, set_value=5.0), kind="deviation"),
            rule("after", while_=(AlarmStands("plain"),)),
        ],
        CHANNELS,
    )
    assert [e.rule.id for e in made.own[LEVEL]] == list(made.entries)
    assert [e.rule.id for e in made.watching[FLOW]] == ["while", "twin"]
    assert [e.rule.id for e in made.watching[MAINS]] == ["while"]
    assert LEVEL not in made.watching
    assert made.entries["plain"].watchers == ("after",)


def test_a_discrepancy_counts_its_within_before_its_on_delay() -> None:
    late = rule("late", Discrepancy(7_000_000, minimum=1.0), kind="discrepancy", on=3)
    assert book([late], CHANNELS).entries["late"].on_delay == 10_000_000


def test_the_mark_changes_with_what_an_alarm_is_judged_by_and_with_nothing_else() -> None:
    mark = rule_mark(rule())
    same = [rule(on=5), rule(priority=Priority.LOW), rule(response="Look."), rule(hold_off=9)]
    assert {rule_mark(other) for other in same} == {mark}
    others = [
        rule(condition=Absolute(Side.HIGH, 11.0, 2.0)),
        rule(condition=BadMeasurement(silent=True)),
        rule(latching=True),
        rule(on_channel=FLOW),
        rule(while_=(ChannelIs(MAINS, True),)),
    ]
    assert len({mark, *(rule_mark(other) for other in others)}) == 6
