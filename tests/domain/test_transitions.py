"""Suppression by design at its edges: no hold-off, two causes, a cause that comes again."""

from domain.engine_run import EngineRun
from support.bench_engine import book, channel, command, rule, run, seen, told

from weirwatch.domain.alarm import Alarm, Event
from weirwatch.domain.book import Book
from weirwatch.domain.instant import seconds
from weirwatch.domain.reading import Reading
from weirwatch.domain.rule import Absolute, AlarmStands, Rule, Side, SwitchIs

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


def played(made: Book, *readings: Reading) -> EngineRun:
    engine = EngineRun(made, 0)
    for reading in readings:
        engine.advance(reading.time)
        engine.reading(reading)
    return engine


def first_out(*rules: Rule) -> list[str]:
    """All channels go high, in the order of the rules: who is marked."""
    given = [r for n, one in enumerate(rules) for r in seen([(n, 11)], one.channel or "")]
    probes = [channel(one.channel or "") for one in rules]
    alarms = played(book(rules, probes), *given).state.alarms
    return [alarm.rule for alarm in alarms.values() if alarm.first_out]


def test_the_first_out_is_judged_by_its_own_group_and_by_all_of_it() -> None:
    one, two = (rule(i, on_channel=c, first_out="g") for i, c in (("one", OTHER), ("two", THIRD)))
    quiet = rule("quiet", Absolute(Side.LOW, 1.0), on_channel=OTHER, first_out="g")
    assert first_out(one) == ["one"]
    assert first_out(one, two) == ["one"]
    made = book([quiet, one, two], [channel(OTHER), channel(THIRD)])  # one of three stands
    engine = played(made, *seen([(0, 11)], OTHER), *seen([(1, 11)], THIRD))
    assert [a.rule for a in engine.state.alarms.values() if a.first_out] == ["one"]
    assert first_out(rule("stranger"), one) == ["one"]
    assert first_out(rule("stranger", first_out="other"), one) == ["stranger", "one"]


def test_a_bold_rule_comes_back_into_service_whatever_its_causes() -> None:
    bold = rule("wet", bold=True, suppressed_by=("one",), hold_off=60)
    made = book([rule("one", on_channel=OTHER), bold], [channel(), channel(OTHER)])
    commands = [command(5, "shelve", "wet"), command(10, "unshelve", "wet")]
    events = run(made, seen([(0, 11)], OTHER), commands, until=20)
    assert [(e.kind, e.service_to) for e in events if e.rule == "wet"] == [
        ("shelved", "shelved"),
        ("unshelved", "in-service"),
    ]


def test_the_value_of_the_raise_is_kept_beside_the_newest() -> None:
    engine = played(book([rule(on=5)], [channel()]), *seen([(0, 11), (3, 12), (20, 14), (30, 5)]))
    raised, returned = engine.events
    assert (raised.value, returned.value) == (12.0, 5.0)
    assert engine.state.alarms["high"].raised_value == 12.0


def test_timed_shelving_outlasts_a_return_and_one_shot_shelving_does_not() -> None:
    made = book([rule()], [channel()])
    readings = seen([(0, 11), (20, 5), (30, 11)])
    timed = run(made, readings, [command(10, "shelve", minutes=1)], until=70)
    assert [(seconds(e.time), e.kind, e.service_to) for e in timed][2:] == [
        (20, "returned", "shelved"),
        (30, "raised", "shelved"),
        (70, "unshelved", "in-service"),
    ]
    once = run(made, readings, [command(10, "shelve")], until=70)
    assert [(seconds(e.time), e.kind, e.service_to) for e in once][2:] == [
        (20, "returned", "in-service"),
        (30, "raised", "in-service"),
    ]


def test_back_in_service_nothing_is_left_of_the_shelving() -> None:
    engine = played(book([rule()], [channel()]), *seen([(0, 5)]))
    fresh = engine.state.alarms["high"]
    for minutes in (5.0, None):
        engine.command(command(0, "shelve", minutes=minutes)[1])
        assert engine.state.alarms["high"].one_shot is (minutes is None)
        engine.command(command(0, "unshelve")[1])
        assert engine.state.alarms["high"] == Alarm("high", value=5.0)
    assert fresh == Alarm("high")


def test_an_alarm_that_has_returned_is_announced_no_longer() -> None:
    engine = played(book([rule()], [channel()]), *seen([(0, 11)]))
    assert engine.state.alarms["high"].announced
    engine = played(book([rule()], [channel()]), *seen([(0, 11), (1, 5)]))
    assert not engine.state.alarms["high"].announced


def test_unshelved_at_the_end_of_the_hold_off_it_is_in_service_at_once() -> None:
    made = book(
        [
            rule("mains", SwitchIs(False), on_channel=MAINS),
            rule("high", hold_off=60, suppressed_by=("mains",)),
        ],
        CHANNELS,
    )
    readings = seen([(0, 0), (100, 1)], MAINS) + seen([(20, 11)])
    given = [command(10, "shelve", minutes=10), command(160, "unshelve")]
    events = [e for e in run(made, readings, given, until=300) if e.rule == "high"]
    assert [(seconds(e.time), e.kind, e.service_to, e.annunciated) for e in events][3:] == [
        (160, "unshelved", "in-service", True)
    ]


def test_what_was_announced_late_and_then_returns_awaits_acknowledgement() -> None:
    made = book(
        [
            rule("mains", SwitchIs(False), on_channel=MAINS),
            rule("high", hold_off=60, suppressed_by=("mains",)),
        ],
        CHANNELS,
    )
    readings = seen([(0, 0), (100, 1)], MAINS) + seen([(20, 11), (200, 5)])
    assert told(run(made, readings), "high")[-2:] == [
        (160, "released", "unacknowledged", True),
        (200, "returned", "returned-unacknowledged", False),
    ]


def test_what_was_announced_late_is_not_announced_again_after_the_next_cause() -> None:
    made = book(
        [
            rule("mains", SwitchIs(False), on_channel=MAINS),
            rule("high", hold_off=60, suppressed_by=("mains",)),
        ],
        CHANNELS,
    )
    readings = seen([(0, 0), (100, 1), (200, 0), (300, 1)], MAINS) + seen([(20, 11)])
    assert told(run(made, readings, until=400), "high")[2:] == [
        (160, "released", "unacknowledged", True),
        (200, "suppressed", "unacknowledged", False),
        (360, "released", "unacknowledged", False),
    ]


def test_a_while_on_an_alarm_moves_with_it_though_its_own_channel_says_nothing() -> None:
    both = rule("both", on_channel=OTHER, while_=(AlarmStands("high"),))
    made = book([rule(on=10), both], [channel(), channel(OTHER)])
    events = run(made, seen([(0, 11)], OTHER) + seen([(0, 11), (30, 5)]))
    assert told(events, "both") == [
        (10, "raised", "unacknowledged", True),
        (30, "returned", "returned-unacknowledged", False),
    ]
