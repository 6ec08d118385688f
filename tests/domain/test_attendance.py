"""How long alarms stood and waited, how often they rang again, and who silenced them."""

from typing import Any

import pytest

from weirwatch.domain.alarm import Event
from weirwatch.domain.attendance import Attendance, attendance
from weirwatch.domain.instant import SECOND

HOUR = 3600 * SECOND


def event(hours: float, kind: str, to: str, rule: str = "level", **more: Any) -> Event:
    return Event(round(hours * HOUR), kind, rule, to_state=to, **more)


DAY = [
    event(1.0, "raised", "unacknowledged"),
    event(1.5, "acknowledged", "acknowledged", who="kari"),
    event(5.5, "re-alarmed", "unacknowledged"),
    event(5.6, "acknowledged", "acknowledged", who="kari"),
    event(9.6, "re-alarmed", "unacknowledged"),
    event(11.0, "returned", "returned-unacknowledged"),
    event(12.0, "acknowledged", "normal", who="kari"),
    event(20.0, "raised", "unacknowledged", "ph"),
]


def test_longest_times_and_re_alarms() -> None:
    found = attendance(DAY, 0, 24 * HOUR)
    assert found.longest_active == 10 * HOUR  # from 1 to 11; ph has stood for 4
    assert found.longest_unacknowledged == 4 * HOUR  # ph, which goes on
    assert found.most_re_alarms == 2
    early = attendance(DAY, 0, 12 * HOUR + 1)
    assert early.longest_unacknowledged == round(2.4 * HOUR)  # from 9.6 to 12, returned or not
    assert attendance(DAY, 13 * HOUR, 14 * HOUR) == Attendance()  # all of it is over


def service(kind: str, to: str, who: str, comment: str = "") -> Event:
    states = {"service_from": "in-service", "service_to": to}
    return event(1.0, kind, "normal", who=who, comment=comment, **states)


@pytest.mark.parametrize(
    ("given", "unauthorised"),
    [
        (service("shelved", "shelved", "kari"), 0),
        (service("shelved", "shelved", "page", "a comment"), 1),
        (service("shelved", "shelved", "anonymous@loopback"), 1),
        (service("removed-from-service", "out-of-service", "kari", "new probe"), 0),
        (service("removed-from-service", "out-of-service", "kari", " "), 1),
        (service("removed-from-service", "out-of-service", "", "new probe"), 1),
        (service("suppressed", "suppressed-by-design", ""), 0),
    ],
)
def test_who_silenced_it(given: Event, unauthorised: int) -> None:
    found = attendance([given], 0, 24 * HOUR)
    assert found.unauthorised == unauthorised
    assert found.shelved + found.suppressed + found.out_of_service == 1
    assert attendance([given], 2 * HOUR, 24 * HOUR) == Attendance()


def test_changes_are_counted() -> None:
    changed = [event(1, "limits-changed", "unacknowledged"), event(2, "rule-deleted", "normal")]
    assert attendance(changed, 0, 24 * HOUR).changed == 2
