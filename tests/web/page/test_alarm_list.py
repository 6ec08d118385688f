from dataclasses import replace

import pytest
from support.page_sight import MINUTE, NOW, hall, sight, standing
from support.page_world import LEVEL, RETURN

from weirwatch.domain.alarm import Alarm, AlarmState, ServiceState
from weirwatch.domain.devices import Device
from weirwatch.domain.reading import Quality
from weirwatch.domain.rule import Priority
from weirwatch.ports import Newest
from weirwatch.web.page.alarm_list import alarm_lists, urgent_by_channel

ACKNOWLEDGED = AlarmState.ACKNOWLEDGED
RETURNED = AlarmState.RETURNED_UNACKNOWLEDGED


def test_unacknowledged_first_then_priority_then_the_oldest() -> None:
    seen = sight(
        standing("floor-leak", state=ACKNOWLEDGED),  # critical, but somebody knows
        standing("reactor-flow-lost", state=AlarmState.LATCHED_UNACKNOWLEDGED),
        standing("room-too-hot", ago=90 * MINUTE),  # low
        standing("return-flow-lost", ago=2 * MINUTE),  # high
        standing("sump-level-high", ago=5 * MINUTE),  # high, older
        standing("mains-lost", ago=MINUTE),  # critical
    )
    act, aside = alarm_lists(seen, hall(), NOW)
    assert [alarm.rule for alarm in act] == [
        "mains-lost",
        "sump-level-high",
        "return-flow-lost",
        "room-too-hot",
        "floor-leak",
        "reactor-flow-lost",
    ]
    assert aside == []


def test_normal_alarms_are_not_listed_and_unknown_rules_do_no_harm() -> None:
    act, aside = alarm_lists(sight(Alarm("floor-leak"), standing("long-gone")), hall(), NOW)
    assert (act, aside) == ([], [])


def test_what_is_set_aside_has_a_list_of_its_own() -> None:
    seen = sight(
        Alarm("room-too-hot", service_state=ServiceState.SHELVED),
        standing("sump-level-high", service_state=ServiceState.SUPPRESSED_BY_DESIGN),
        Alarm("return-flow-lost", service_state=ServiceState.SUPPRESSED_BY_DESIGN),
        Alarm("floor-leak", service_state=ServiceState.OUT_OF_SERVICE),
    )
    act, aside = alarm_lists(seen, hall(), NOW)
    assert act == []
    # Suppressed by design and nothing the matter: nothing to tell.
    assert [alarm.rule for alarm in aside] == ["sump-level-high", "floor-leak", "room-too-hot"]
    assert all(alarm.form == "aside" for alarm in aside)


@pytest.mark.parametrize(
    ("alarm", "commands"),
    [
        (standing("floor-leak"), {"acknowledge", "shelve"}),
        (standing("floor-leak", state=ACKNOWLEDGED), {"check-in", "shelve"}),
        (standing("floor-leak", state=RETURNED), {"acknowledge", "shelve"}),
        (standing("floor-leak", state=AlarmState.LATCHED_ACKNOWLEDGED), {"reset", "shelve"}),
        (standing("floor-leak", service_state=ServiceState.SHELVED), {"unshelve"}),
        (standing("floor-leak", service_state=ServiceState.OUT_OF_SERVICE), {"return-to-service"}),
        (standing("floor-leak", service_state=ServiceState.SUPPRESSED_BY_DESIGN), set()),
    ],
)  # fmt: skip
def test_only_commands_that_may_be_given_are_offered(alarm: Alarm, commands: set[str]) -> None:
    act, aside = alarm_lists(sight(alarm), hall(), NOW)
    assert [shown.commands for shown in (*act, *aside)] == [commands]


def test_an_alarm_in_words() -> None:
    seen = sight(standing("sump-level-high", message="352 mm"), values={LEVEL: 351})
    (alarm,), _ = alarm_lists(seen, hall(), NOW)
    assert alarm.priority is Priority.HIGH
    assert alarm.channel == "Sump: Level"
    assert alarm.value == "351\N{NO-BREAK SPACE}mm"  # now, not at the raise
    assert alarm.limit == "limit 345 mm"
    assert alarm.since == "since 12:57 (3 min ago)"
    assert alarm.card is not None
    assert alarm.card.first_line.startswith("Stay out if the floor is wet.")
    assert alarm.response.startswith("Look at the sump camera")


def test_an_alarm_that_is_over_says_from_when_to_when_it_stood() -> None:
    over = {"ago": 40 * MINUTE, "returned_at": NOW - 22 * MINUTE}
    for state in (RETURNED, AlarmState.LATCHED_ACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED):
        (alarm,), _ = alarm_lists(sight(standing("floor-leak", state=state, **over)), hall(), NOW)
        assert alarm.since == "from 12:20 to 12:38 (22 min ago)"


@pytest.mark.parametrize(
    ("rule", "limit"),
    [
        ("floor-leak", "alarm when wet"),
        ("return-flow-lost", "expected at least 4000 L/h"),
        ("reactor-flow-lost", "limit 30 L/h"),
    ],
)
def test_limit_in_words(rule: str, limit: str) -> None:
    (alarm,), _ = alarm_lists(sight(standing(rule)), hall(), NOW)
    assert alarm.limit == limit


def test_a_value_that_cannot_be_trusted_says_so() -> None:
    seen = sight(standing("return-flow-lost"))
    newest = {**seen.newest, RETURN: Newest(NOW - 10 * MINUTE, 5990.0, Quality.GOOD, "")}
    (alarm,), _ = alarm_lists(sight(standing("return-flow-lost"), newest=newest), hall(), NOW)
    assert alarm.value.endswith("(silent, last 10 min ago)")


def test_the_most_urgent_alarm_of_a_channel() -> None:
    urgent = urgent_by_channel(
        sight(
            standing("return-flow-lost", state=ACKNOWLEDGED),
            standing("reactor-flow-lost", state=AlarmState.LATCHED_UNACKNOWLEDGED),
        ),
        hall(),
    )
    assert urgent == {RETURN: (Priority.HIGH, "known")}  # what is gone marks no value


def test_a_card_says_where_the_failed_device_is() -> None:
    pump = Device("pump", "Return pump", frozenset({"return-flow-lost"}), breaker="no. 4")
    fixed = replace(hall(), devices=(pump,))
    (flow, level), _ = alarm_lists(
        sight(standing("return-flow-lost"), standing("sump-level-high", ago=MINUTE)), fixed, NOW
    )
    assert flow.where == ("Return pump – breaker: no. 4.",)
    assert level.where == ()
