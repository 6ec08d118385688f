"""The health document: is the service doing its work, and what has it counted?"""

from collections.abc import Callable, Mapping
from typing import Any

from weirwatch.domain.alarm import AlarmState
from weirwatch.domain.instant import SECOND, Micros, to_rfc3339
from weirwatch.domain.state import EngineState
from weirwatch.domain.wording import counted
from weirwatch.pipeline.counters import Counters
from weirwatch.pipeline.heartbeat import Heartbeat
from weirwatch.pipeline.notice_tests import TrialWatch
from weirwatch.pipeline.outbox import Outbox
from weirwatch.ports import BrokerFacts, Clock, Transport
from weirwatch.settings import Settings

HUNG_AFTER: Micros = 10 * SECOND
NOT_IN_FORCE = (
    "the configuration file was changed after the service had started: judge it with "
    "weirwatch check, then restart the service to apply it"
)


class Health:
    """Made once; `as_json` may be asked from any thread."""

    def __init__(
        self,
        *,
        settings: Settings,
        clock: Clock,
        counters: Counters,
        broker: BrokerFacts,
        transport: Transport,
        outbox: Outbox,
        state: EngineState,
        started_at: Micros,
        web: Callable[[], dict[str, Any]] | None,
        waiting: Callable[[], int],
        dropped: Callable[[], int] = lambda: 0,
        tests: TrialWatch | None = None,
        edited: Callable[[], bool] = lambda: False,
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._counters = counters
        self._broker = broker
        self._transport = transport
        self._outbox = outbox
        self._state = state
        self._started_at = started_at
        self._web = web
        self._waiting = waiting
        self._dropped = dropped
        self._tests = tests
        self.drill: Callable[[], Mapping[str, Any] | None] = lambda: None
        self._edited = edited
        self.listeners: Callable[[], Mapping[str, int]] = dict
        self.history: Callable[[], Mapping[str, Any]] = dict  # of a history on a server
        self.store: Callable[[], Mapping[str, int]] = dict  # see `Journal.counters`
        self.disk: Callable[[], str] = str  # what is wrong with the disk's room, or nothing
        self.heartbeat: Heartbeat | None = None

    def as_json(self) -> dict[str, Any]:
        """Return the document; `status` is "ok" or "degraded" with `problems` in sentences."""
        problems = self._problems()
        alarms = list(self._state.alarms.values())
        now = self._clock.now().utc
        committed = self._counters.committed_at
        return {
            "status": "degraded" if problems else "ok",
            "problems": problems,
            "time": to_rfc3339(self._clock.now().utc),
            "started_at": to_rfc3339(self._started_at),
            "not_in_force": NOT_IN_FORCE if self._edited() else None,
            "committed_at": None if committed is None else to_rfc3339(committed),
            "broker": {
                "kind": self._broker.kind,
                "address": self._broker.address,
                "limits": self._broker.limits,
                "connected": self._state.link_up_at is not None,
                "state": self._transport.state(),
            },
            "counts": {
                **self._counters.as_json(),
                "waiting": self._waiting(),
                "dropped": self._dropped(),
                "mqtt": dict(self._transport.counters()),
                "listeners": dict(self.listeners()),
                "store": dict(self.store()),
                "history": dict(self.history()),
                "notices": self._outbox.as_json(),
                "heartbeat": self.heartbeat.counts() if self.heartbeat is not None else {},
            },
            "rules": len(alarms),
            "standing": sum(alarm.stands for alarm in alarms),
            "unacknowledged": sum(alarm.state is AlarmState.UNACKNOWLEDGED for alarm in alarms),
            "drill": self.drill(),
            "web": self._web() if self._web is not None else None,
            "notice_test": self._tests.as_json(now) if self._tests is not None else None,
            "heartbeat": self.heartbeat.as_json() if self.heartbeat is not None else None,
        }

    def status(self) -> str:
        """Return "ok" or "degraded"."""
        return "degraded" if self._problems() else "ok"

    def turning(self) -> bool:
        """Return whether the loop has turned of late."""
        return self._clock.real_mono() - self._counters.turned_at <= HUNG_AFTER

    def _problems(self) -> list[str]:
        found = []
        if self._state.link_up_at is None:
            found.append(
                f"no connection to the MQTT broker at {self._broker.address}: "
                f"{self._transport.state()}"
            )
        if self._counters.last_commit_error:
            found.append(f"commits fail: {self._counters.last_commit_error}")
        if not self.turning():
            found.append("the loop has not turned for 10 s")
        not_taken = self.heartbeat.problem() if self.heartbeat is not None else None
        if not_taken is not None:
            found.append(not_taken)
        found += [word for word in (self.history().get("state"), self.disk()) if word]
        if dropped := self._dropped():
            found.append(
                f"{counted(dropped, 'message')} at QoS 0 dropped while nothing could be stored:"
                " have their senders use QoS 1, which waits"
            )
        found += _losses(self.store())
        found += [
            f"{rule}: {message}"
            for rule, message in dict(self._state.conditions).items()
            if rule != "broker-lost"
        ]
        return found


def _losses(counts: Mapping[str, int]) -> list[str]:
    """Return in sentences what the history lacks that it should have."""
    found = []
    if damaged := counts.get("damaged_parts", 0):
        found.append(
            f"{damaged} damaged part(s) of the history are left out: weirwatch doctor names them,"
            " a backup may have them"
        )
    if hours := counts.get("let_go_for_room", 0):
        found.append(
            f"the oldest readings of {hours} hour(s) had to go early for want of room on the disk:"
            " make room, or keep readings for fewer days"
        )
    return found
