"""Suppression by design at its edges: no hold-off, two causes, a cause that comes again."""

from domain.engine_run import EngineRun
from support.bench_engine import book, channel, command, rule, run, seen, told

from weirwatch.domain.alarm import Event
from weirwatch.domain.instant import seconds
from weirwatch.domain.rule import Absolute, Side, SwitchIs

MAINS = "hall/power/mains"
OTHER, THIRD = "hall/node/other", "hall/node/third"
FLOW = "hall/node/flow"
CHANNELS = [channel(), channel(FLOW), channel(MAINS, quantity="switch")]


def causes(hold_off: float = 0, **more: object) -> list[Event]:
    made = book(
        [
            rule("mains", SwitchIs(False), on_channel=MAINS),
            rule("flow", Absolute(Side.LOW, 1.0), on_channel=FLOW),
            rule("high", on=5, hold_off=hold_off, suppressed_by=("mains", "flow")),
        ],
        CHANNELS,
    )
    readings = seen([(10, 0), (60, 1)], MAINS) + seen([(0, 5), (30, 0), (90, 5)], FLOW)
    return run(made, readings + seen([(20, 11)]), until=300, **more)  # type: ignore[arg-type]


def test_the_last_cause_decides_and_without_hold_off_it_is_announced_with_its_return() -> None:
    assert told(causes(), "high") == [
        (10, "suppressed", "normal", False),
        (25, "raised", "unacknowledged", False),
        (90, "released", "unacknowledged", True),
    ]


def test_the_hold_off_runs_from_the_return_of_the_last_cause() -> None:
    assert told(causes(hold_off=60), "high")[-1] == (150, "released", "unacknowledged", True)


def test_a_cause_that_comes_again_stops_the_hold_off() -> None:
    made = book(
        [
            rule("mains", SwitchIs(False), on_channel=MAINS),
            rule("high", hold_off=60, suppressed_by=("mains",)),
        ],
        CHANNELS,
    )
    readings = seen([(0, 0), (10, 1), (50, 0), (100, 1)], MAINS) + seen([(20, 11)])
    assert told(run(made, readings, until=300), "high") == [
        (0, "suppressed", "normal", False),
        (20, "raised", "unacknowledged", False),
        (160, "released", "unacknowledged", True),
    ]


def test_unshelved_during_the_hold_off_it_stays_suppressed_until_its_end() -> None:
    made = book(
        [
            rule("mains", SwitchIs(False), on_channel=MAINS),
            rule("high", hold_off=60, suppressed_by=("mains",)),
        ],
        CHANNELS,
    )
    readings = seen([(0, 0), (100, 1)], MAINS) + seen([(20, 11)])
    given = [command(10, "shelve", minutes=10), command(120, "unshelve")]
    events = run(made, readings, given, until=300)
    assert [(e.kind, e.service_to, e.annunciated) for e in events if e.rule == "high"] == [
        ("suppressed", "suppressed-by-design", False),
        ("shelved", "shelved", False),
        ("raised", "shelved", False),
        ("unshelved", "suppressed-by-design", False),
        ("released", "in-service", True),
    ]
    assert told(events, "high")[-1][0] == 160


def test_out_of_service_while_a_cause_stands_it_comes_back_suppressed() -> None:
    made = book(
        [
            rule("mains", SwitchIs(False), on_channel=MAINS),
            rule("high", hold_off=60, suppressed_by=("mains",)),
        ],
        CHANNELS,
    )
    readings = seen([(0, 0)], MAINS) + seen([(20, 11)])
    given = [
        command(10, "remove-from-service", comment="work"),
        command(30, "return-to-service"),
    ]
    events = run(made, readings, given, until=300)
    assert [e.service_to for e in events if e.rule == "high"][-1] == "suppressed-by-design"
    assert not any(e.annunciated for e in events if e.rule == "high")


def test_the_hold_off_runs_from_the_last_cause_that_returned() -> None:
    causes = [rule("one", on_channel=OTHER), rule("two", on_channel=THIRD)]
    quiet = rule("quiet", on=99, suppressed_by=("one", "two"), hold_off=60)
    readings = seen([(0, 11), (20, 5)], OTHER) + seen([(0, 11), (90, 5)], THIRD)
    made = book([*causes, quiet], [channel(), channel(OTHER), channel(THIRD)])
    events = [e for e in run(made, readings, until=300) if e.rule == "quiet"]
    assert [(seconds(e.time), e.kind) for e in events] == [(0, "suppressed"), (150, "released")]


def test_the_first_of_its_group_is_marked_and_the_next_is_not() -> None:
    pair = [rule("one", on_channel=OTHER, first_out="g"), rule("two", first_out="g")]
    engine = EngineRun(book([*pair, rule("alone")], [channel(), channel(OTHER)]), 0)
    for reading in (seen([(0, 11)], OTHER)[0], seen([(5, 11)])[0]):
        engine.advance(reading.time)
        engine.reading(reading)
    marked = {ident: alarm.first_out for ident, alarm in engine.state.alarms.items()}
    assert marked == {"one": True, "two": False, "alone": False}


def test_a_bold_rule_comes_back_into_service_whatever_its_causes() -> None:
    bold = rule("wet", bold=True, suppressed_by=("one",), hold_off=60)
    made = book([rule("one", on_channel=OTHER), bold], [channel(), channel(OTHER)])
    commands = [command(5, "shelve", "wet"), command(10, "unshelve", "wet")]
    events = run(made, seen([(0, 11)], OTHER), commands, until=20)
    assert [(e.kind, e.service_to) for e in events if e.rule == "wet"] == [
        ("shelved", "shelved"),
        ("unshelved", "in-service"),
    ]
