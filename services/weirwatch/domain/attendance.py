"""The home of how alarms were attended to: how long they stood and waited, and who silenced them.

The figures that OPC UA Part 9 (AlarmMetricsType, from memory) and ANSI/ISA-18.2 clause 16 ask for
beside the rates of `domain.performance`.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from weirwatch.domain.alarm import AlarmState, Event, ServiceState
from weirwatch.domain.instant import Micros

NOBODY = "anonymous@loopback"
"""Who a command of the API is from when nobody gave a name."""
_ANONYMOUS = ("", NOBODY, "page")
_STANDING = (AlarmState.UNACKNOWLEDGED.value, AlarmState.ACKNOWLEDGED.value)
_UNACKNOWLEDGED = (
    AlarmState.UNACKNOWLEDGED.value,
    AlarmState.RETURNED_UNACKNOWLEDGED.value,
    AlarmState.LATCHED_UNACKNOWLEDGED.value,
)
_SILENCED = {
    ServiceState.SHELVED.value: "shelved",
    ServiceState.SUPPRESSED_BY_DESIGN.value: "suppressed",
    ServiceState.OUT_OF_SERVICE.value: "out-of-service",
}
_BY_HAND = ("shelved", "removed-from-service")


@dataclass(frozen=True, slots=True)
class Attendance:
    """How the alarms of `[start, end)` were attended to.

    Attributes:
        longest_active: the longest that one stood.
        longest_unacknowledged: the longest that an announced one waited for somebody.
        most_re_alarms: of one rule, between two times that it stood.
        shelved, suppressed, out_of_service: how often a rule came to be so.
        unauthorised: silenced by hand by nobody who gave a name, or out of service without a word.
        changed: rules whose limits were changed or that were deleted while they stood.
    """

    longest_active: Micros = 0
    longest_unacknowledged: Micros = 0
    most_re_alarms: int = 0
    shelved: int = 0
    suppressed: int = 0
    out_of_service: int = 0
    unauthorised: int = 0
    changed: int = 0


def attendance(events: Iterable[Event], start: Micros, end: Micros) -> Attendance:
    """Return how alarms were attended to over `[start, end)`.

    Args:
        events: in commit order, drills left out; those before `start` tell what stood then.
        start: of the report.
        end: of the report; what goes on then counts up to it.
    """
    told = [event for event in events if event.time < end]
    within = [event for event in told if event.time >= start]
    came = Counter(
        _SILENCED[event.service_to]
        for event in within
        if event.service_to in _SILENCED and event.service_from != event.service_to
    )
    return Attendance(
        longest_active=_longest(told, _STANDING, start, end),
        longest_unacknowledged=_longest(told, _UNACKNOWLEDGED, start, end),
        most_re_alarms=_most_re_alarms(told, start),
        shelved=came["shelved"],
        suppressed=came["suppressed"],
        out_of_service=came["out-of-service"],
        unauthorised=sum(event.kind in _BY_HAND and _nobody(event) for event in within),
        changed=sum(event.kind in ("limits-changed", "rule-deleted") for event in within),
    )


def _longest(events: list[Event], states: tuple[str, ...], start: Micros, end: Micros) -> Micros:
    """Return the longest time of one rule in these states that ended at or after `start`."""
    longest: Micros = 0
    since: dict[str, Micros] = {}
    for event in events:
        if event.to_state in states:
            since.setdefault(event.rule, event.time)
        elif event.to_state and event.rule in since:
            began = since.pop(event.rule)
            if event.time >= start:
                longest = max(longest, event.time - began)
    return max([longest, *(end - began for began in since.values())])


def _most_re_alarms(events: list[Event], start: Micros) -> int:
    most = 0
    rung: Counter[str] = Counter()
    for event in events:
        if event.kind == "raised":
            rung[event.rule] = 0
        elif event.kind == "re-alarmed" and event.time >= start:
            rung[event.rule] += 1
            most = max(most, rung[event.rule])
    return most


def _nobody(event: Event) -> bool:
    unsaid = event.kind == "removed-from-service" and not event.comment.strip()
    return event.who in _ANONYMOUS or unsaid
