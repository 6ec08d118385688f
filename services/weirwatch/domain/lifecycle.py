"""What state comes next? Two literal tables, and nowhere else.

The alarm's own states and its service states are two small machines (ANSI/ISA-18.2 clause 5,
states A to I; OPC UA Part 9 sections 5.7 and 5.8), not one product. A pair that is not in a
table is illegal: the command is refused and nothing changes. The diagrams in docs/alarms.md
are drawn from these tables.
"""

from enum import StrEnum

from weirwatch.domain.alarm import AlarmState, ServiceState
from weirwatch.domain.errors import IllegalCommand


class Signal(StrEnum):
    """What can happen to an alarm's own state."""

    RAISE = "raise"
    RETURN = "return"
    RETURN_LATCHING = "return-latching"
    RETURN_UNANNOUNCED = "return-unannounced"
    ACKNOWLEDGE = "acknowledge"
    CHECK_IN = "check-in"
    RE_ALARM = "re-alarm"
    RESET = "reset"


class ServiceSignal(StrEnum):
    """What can happen to an alarm's service state."""

    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    CAUSE_STANDS = "cause-stands"
    CAUSES_GONE = "causes-gone"
    REMOVE = "remove-from-service"
    RETURN = "return-to-service"


_A = AlarmState
_S = Signal

STATE_TABLE: dict[tuple[AlarmState, Signal], AlarmState] = {
    (_A.NORMAL, _S.RAISE): _A.UNACKNOWLEDGED,
    (_A.RETURNED_UNACKNOWLEDGED, _S.RAISE): _A.UNACKNOWLEDGED,
    (_A.LATCHED_UNACKNOWLEDGED, _S.RAISE): _A.UNACKNOWLEDGED,
    (_A.LATCHED_ACKNOWLEDGED, _S.RAISE): _A.UNACKNOWLEDGED,
    (_A.UNACKNOWLEDGED, _S.RETURN): _A.RETURNED_UNACKNOWLEDGED,
    (_A.UNACKNOWLEDGED, _S.RETURN_UNANNOUNCED): _A.NORMAL,
    (_A.UNACKNOWLEDGED, _S.RETURN_LATCHING): _A.LATCHED_UNACKNOWLEDGED,
    (_A.ACKNOWLEDGED, _S.RETURN): _A.NORMAL,
    (_A.ACKNOWLEDGED, _S.RETURN_LATCHING): _A.LATCHED_ACKNOWLEDGED,
    (_A.UNACKNOWLEDGED, _S.ACKNOWLEDGE): _A.ACKNOWLEDGED,
    (_A.RETURNED_UNACKNOWLEDGED, _S.ACKNOWLEDGE): _A.NORMAL,
    (_A.LATCHED_UNACKNOWLEDGED, _S.ACKNOWLEDGE): _A.LATCHED_ACKNOWLEDGED,
    (_A.ACKNOWLEDGED, _S.CHECK_IN): _A.ACKNOWLEDGED,
    (_A.ACKNOWLEDGED, _S.RE_ALARM): _A.UNACKNOWLEDGED,
    (_A.LATCHED_ACKNOWLEDGED, _S.RESET): _A.NORMAL,
}

_V = ServiceState
_T = ServiceSignal

SERVICE_TABLE: dict[tuple[ServiceState, ServiceSignal], ServiceState] = {
    (_V.IN_SERVICE, _T.SHELVE): _V.SHELVED,
    (_V.SUPPRESSED_BY_DESIGN, _T.SHELVE): _V.SHELVED,
    (_V.SHELVED, _T.SHELVE): _V.SHELVED,
    (_V.SHELVED, _T.UNSHELVE): _V.IN_SERVICE,
    (_V.IN_SERVICE, _T.CAUSE_STANDS): _V.SUPPRESSED_BY_DESIGN,
    (_V.SUPPRESSED_BY_DESIGN, _T.CAUSES_GONE): _V.IN_SERVICE,
    (_V.IN_SERVICE, _T.REMOVE): _V.OUT_OF_SERVICE,
    (_V.SUPPRESSED_BY_DESIGN, _T.REMOVE): _V.OUT_OF_SERVICE,
    (_V.SHELVED, _T.REMOVE): _V.OUT_OF_SERVICE,
    (_V.OUT_OF_SERVICE, _T.RETURN): _V.IN_SERVICE,
}

_WHY_NOT: dict[Signal | ServiceSignal, str] = {
    Signal.ACKNOWLEDGE: "there is nothing to acknowledge",
    Signal.CHECK_IN: "only an acknowledged alarm that still stands wants to be heard of again",
    Signal.RESET: "only a latched alarm whose condition has gone and that is acknowledged is reset",
    ServiceSignal.SHELVE: "an alarm out of service is returned to service before it is shelved",
    ServiceSignal.UNSHELVE: "it is not shelved",
    ServiceSignal.REMOVE: "it is out of service already",
    ServiceSignal.RETURN: "it is not out of service",
}


def next_state(rule: str, state: AlarmState, signal: Signal) -> AlarmState:
    """Return the alarm's next own state.

    Raises:
        IllegalCommand: the table has no such cell; the sentence names rule, state and reason.
    """
    after = STATE_TABLE.get((state, signal))
    if after is None:
        raise IllegalCommand(_refusal(rule, state, signal))
    return after


def next_service_state(rule: str, state: ServiceState, signal: ServiceSignal) -> ServiceState:
    """Return the alarm's next service state.

    Raises:
        IllegalCommand: the table has no such cell; the sentence names rule, state and reason.
    """
    after = SERVICE_TABLE.get((state, signal))
    if after is None:
        raise IllegalCommand(_refusal(rule, state, signal))
    return after


def _refusal(rule: str, state: AlarmState | ServiceState, signal: Signal | ServiceSignal) -> str:
    why = _WHY_NOT.get(signal, "that cannot happen in this state")
    return f"{rule} is {state.value}: {signal.value} refused, {why}"
