"""An alarm: where its rule stands now, and the events it leaves on record."""

from dataclasses import dataclass
from enum import StrEnum

from weirwatch.domain.instant import Micros


class AlarmState(StrEnum):
    """The alarm's own state (ISA-18.2 states A to F)."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned-unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"


class ServiceState(StrEnum):
    """Whether the alarm may be announced (ISA-18.2 states G to I, or in service)."""

    IN_SERVICE = "in-service"
    SHELVED = "shelved"
    SUPPRESSED_BY_DESIGN = "suppressed-by-design"
    OUT_OF_SERVICE = "out-of-service"


_STANDING = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


@dataclass(frozen=True, slots=True)
class Alarm:
    """One rule's alarm. All times are engine time.

    Attributes:
        present: the condition after hysteresis and `while`, before delays.
        count_since: start of the on- or off-delay that is running; None when none runs.
        announced: the present raise has been annunciated.
        heard: an annunciated raise of this episode still awaits acknowledgement.
        causes_gone_at: when the last suppressing cause returned (the hold-off runs from here);
            None while a cause stands or when not suppressed.
        shelved_until: when shelving ends at the latest; None when not shelved.
        one_shot: shelved until it returns (but not beyond `shelved_until`).
        out_until: end of out-of-service, if one was given.
        check_in_at: when somebody on the way promised to report.
        hold_until: a late raise is announced at this time, or earlier once the channel is fresh.
        message: what happened, for people.
        first_out: this alarm started its group.
    """

    rule: str
    state: AlarmState = AlarmState.NORMAL
    service_state: ServiceState = ServiceState.IN_SERVICE
    present: bool = False
    count_since: Micros | None = None
    raised_at: Micros | None = None
    returned_at: Micros | None = None
    acknowledged_at: Micros | None = None
    acknowledged_by: str = ""
    check_in_at: Micros | None = None
    value: float | None = None
    raised_value: float | None = None
    announced: bool = False
    heard: bool = False
    causes_gone_at: Micros | None = None
    shelved_until: Micros | None = None
    one_shot: bool = False
    out_until: Micros | None = None
    hold_until: Micros | None = None
    message: str = ""
    forecast_at: Micros | None = None
    first_out: bool = False

    @property
    def stands(self) -> bool:
        """Raised after its delays and not yet returned, whatever its service state."""
        return self.state in _STANDING

    @property
    def moved_at(self) -> Micros:
        """When it was last raised or returned; 0: never yet."""
        return self.returned_at or self.raised_at or 0  # a raise forgets the return before it


@dataclass(frozen=True, slots=True)
class Event:
    """A transition, on record.

    Attributes:
        time: engine time of the transition.
        kind: raised, returned, acknowledged, checked-in, reset, re-alarmed, announced, shelved,
            unshelved, suppressed, released, removed-from-service, returned-to-service,
            limits-changed, rule-deleted; or a service event, as `service-started`.
        rule: rule id; empty for service events.
        from_state / to_state, service_from / service_to: equal when that machine did not move.
        annunciated: this transition calls for a person.
        late: decided on a reading that arrived long after its own time.
        message: for people.
    """

    time: Micros
    kind: str
    rule: str = ""
    channel: str = ""
    from_state: str = ""
    to_state: str = ""
    service_from: str = ""
    service_to: str = ""
    value: float | None = None
    annunciated: bool = False
    who: str = ""
    comment: str = ""
    late: bool = False
    drill: bool = False
    message: str = ""
