"""Every cell of both tables, written out here a second time by hand from ISA-18.2's diagram."""

import pytest

from weirwatch.domain.alarm import AlarmState, ServiceState
from weirwatch.domain.errors import IllegalCommand
from weirwatch.domain.lifecycle import (
    SERVICE_TABLE,
    STATE_TABLE,
    ServiceSignal,
    Signal,
    next_service_state,
    next_state,
)

# Rows: own states; columns: raise, return, return-latching, return-unannounced, acknowledge,
# check-in, re-alarm, reset. "-" is illegal. After ANSI/ISA-18.2-2016 figure "alarm state
# transition diagram" (transitions from memory) and OPC UA Part 9 sections 5.7, 5.8. Check-in is
# our own: word from whoever has acknowledged.
STATES = """
normal                   unacknowledged  -  -  -  -  -  -  -
unacknowledged           -  returned-unacknowledged latched-unacknowledged normal acknowledged - - -
acknowledged             -  normal latched-acknowledged - - acknowledged unacknowledged -
returned-unacknowledged  unacknowledged - - - normal - - -
latched-unacknowledged   unacknowledged - - - latched-acknowledged - - -
latched-acknowledged     unacknowledged - - - - - - normal
"""
SIGNALS = [
    Signal.RAISE,
    Signal.RETURN,
    Signal.RETURN_LATCHING,
    Signal.RETURN_UNANNOUNCED,
    Signal.ACKNOWLEDGE,
    Signal.CHECK_IN,
    Signal.RE_ALARM,
    Signal.RESET,
]
# Columns: shelve, unshelve, cause-stands, causes-gone, remove-from-service, return-to-service.
SERVICE_STATES = """
in-service            shelved - suppressed-by-design - out-of-service -
shelved               shelved in-service - - out-of-service -
suppressed-by-design  shelved - - in-service out-of-service -
out-of-service        - - - - - in-service
"""
SERVICE_SIGNALS = [
    ServiceSignal.SHELVE,
    ServiceSignal.UNSHELVE,
    ServiceSignal.CAUSE_STANDS,
    ServiceSignal.CAUSES_GONE,
    ServiceSignal.REMOVE,
    ServiceSignal.RETURN,
]


def cells(table: str) -> list[tuple[str, int, str]]:
    found = []
    for line in table.strip().splitlines():
        row, *after = line.split()
        found += [(row, n, word) for n, word in enumerate(after)]
    return found


@pytest.mark.parametrize(("state", "column", "after"), cells(STATES))
def test_every_cell_of_the_state_table(state: str, column: int, after: str) -> None:
    signal = SIGNALS[column]
    if after == "-":
        with pytest.raises(IllegalCommand, match=f"high is {state}: {signal} refused"):
            next_state("high", AlarmState(state), signal)
    else:
        assert next_state("high", AlarmState(state), signal) == after


@pytest.mark.parametrize(("state", "column", "after"), cells(SERVICE_STATES))
def test_every_cell_of_the_service_table(state: str, column: int, after: str) -> None:
    signal = SERVICE_SIGNALS[column]
    if after == "-":
        with pytest.raises(IllegalCommand, match=f"high is {state}: {signal} refused"):
            next_service_state("high", ServiceState(state), signal)
    else:
        assert next_service_state("high", ServiceState(state), signal) == after


def test_the_tables_above_are_complete() -> None:
    assert len(cells(STATES)) == len(AlarmState) * len(Signal)
    assert len(cells(SERVICE_STATES)) == len(ServiceState) * len(ServiceSignal)
    assert sum(word != "-" for *_, word in cells(STATES)) == len(STATE_TABLE)
    assert sum(word != "-" for *_, word in cells(SERVICE_STATES)) == len(SERVICE_TABLE)


@pytest.mark.parametrize(
    ("signal", "reason"),
    [
        (Signal.ACKNOWLEDGE, "there is nothing to acknowledge"),
        (Signal.RESET, "only a latched alarm whose condition has gone and that is acknowledged"),
        (Signal.RETURN, "that cannot happen in this state"),
    ],
)
def test_a_refused_command_says_why(signal: Signal, reason: str) -> None:
    with pytest.raises(IllegalCommand, match=f"refused, {reason}"):
        next_state("high", AlarmState.NORMAL, signal)


@pytest.mark.parametrize(
    ("state", "signal", "reason"),
    [
        ("out-of-service", ServiceSignal.SHELVE, "is returned to service before it is shelved"),
        ("in-service", ServiceSignal.UNSHELVE, "it is not shelved"),
        ("out-of-service", ServiceSignal.REMOVE, "it is out of service already"),
        ("in-service", ServiceSignal.RETURN, "it is not out of service"),
    ],
)
def test_a_refused_service_command_says_why(state: str, signal: ServiceSignal, reason: str) -> None:
    with pytest.raises(IllegalCommand, match=f"refused, .*{reason}"):
        next_service_state("high", ServiceState(state), signal)
