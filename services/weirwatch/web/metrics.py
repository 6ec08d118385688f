"""The home of `/metrics`: channels, alarms and the service's own health as OpenMetrics 1.0.

OpenMetrics: https://github.com/OpenObservability/OpenMetrics (specification version 1.0.0).
"""

from collections.abc import Iterable, Mapping
from typing import Any

from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    Metric,
    StateSetMetricFamily,
)
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector, CollectorRegistry
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from weirwatch.domain.alarm import AlarmState
from weirwatch.domain.errors import WeirwatchError
from weirwatch.pipeline import queries
from weirwatch.web.context import Context

PATH = "/metrics"
_UNACKNOWLEDGED = ("unacknowledged", "latched-unacknowledged", "returned-unacknowledged")
# Counter → where the health document counts it, and what it counts.
_COUNTERS: Mapping[str, tuple[str, str]] = {
    "weirwatch_messages": ("messages", "MQTT messages taken in."),
    "weirwatch_readings": ("readings", "Readings stored."),
    "weirwatch_duplicate_readings": (
        "duplicates",
        "Readings that were there already, or too old to be kept.",
    ),
    "weirwatch_quarantined": ("quarantined", "What could not be used, by message and cause."),
    "weirwatch_commits": ("commits", "Groups made durable."),
    "weirwatch_commit_failures": ("commit_failures", "Groups that could not be made durable."),
    "weirwatch_refused_commands": ("commands_refused", "Commands that an alarm did not allow."),
    "weirwatch_notices_delivered": ("notices.delivered", "Notices handed over."),
    "weirwatch_notice_failures": ("notices.failures", "Attempts to deliver that failed."),
    "weirwatch_notices_given_up": ("notices.given_up", "Notices that nobody took."),
    "weirwatch_notices_expired": ("notices.expired", "Repeats not sent: no longer news."),
    "weirwatch_notices_folded": ("notices.folded", "Notices that went out in one with others."),
    "weirwatch_heartbeats_taken": ("heartbeat.taken", "Signs of life that were taken."),
    "weirwatch_heartbeat_failures": ("heartbeat.failures", "Signs of life that were not taken."),
    "weirwatch_heartbeats_withheld": ("heartbeat.withheld", "None sent: the loop did not turn."),
    "weirwatch_damaged_parts": (
        "store.damaged_parts",
        "Parts of the history found damaged and left out.",
    ),
    "weirwatch_upkeep_failures": ("store.upkeep_failures", "Work on the file tried again later."),
    "weirwatch_hours_let_go_for_room": (
        "store.let_go_for_room",
        "Hours whose readings had to go early on a full disk.",
    ),
    "weirwatch_readings_too_old": (
        "store.let_go_late",
        "Readings that came when nothing is kept of their hours any more.",
    ),
    "weirwatch_broker_connects": ("mqtt.connects", "Connections made to the broker."),
    "weirwatch_broker_disconnects": ("mqtt.disconnects", "Connections to the broker lost."),
}


def metrics_route(context: Context) -> Route:
    """Return the route; the guard wants the role `view` for it."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Everything(context))

    def metrics(request: Request) -> Response:
        del request
        text = generate_latest(registry)  # type: ignore[no-untyped-call]
        return Response(text, media_type=CONTENT_TYPE_LATEST)

    return Route(PATH, metrics, methods=["GET"], name="metrics")


class _Everything(Collector):
    """Reads file and core anew for each scrape."""

    def __init__(self, context: Context) -> None:
        self._context = context

    def collect(self) -> Iterable[Metric]:
        yield from self._channels()
        yield from self._alarms()
        yield from self._service()

    def _channels(self) -> Iterable[Metric]:
        now = self._context.clock.now().utc
        found = queries.channels_json(self._context.archive, self._context.settings, now)
        names = ("channel", "system", "node", "quantity", "unit")
        value = GaugeMetricFamily(
            "weirwatch_channel_value",
            "Newest reading that is not bad, in its unit; a switch is 0 or 1.",
            labels=names,
        )
        good = GaugeMetricFamily(
            "weirwatch_channel_good", "1 while the newest reading is good.", labels=["channel"]
        )
        age = GaugeMetricFamily(
            "weirwatch_channel_age_seconds",
            "Age of the newest reading of any quality.",
            labels=["channel"],
            unit="seconds",
        )
        for item in found["items"]:
            if item["value"] is None or not item["configured"]:
                continue
            ident = item["id"]
            labels = [ident, *(item[name] for name in names[1:])]
            if item["quality"] != "bad":
                value.add_metric(labels, item["value"])
            good.add_metric([ident], float(item["quality"] == "good"))
            age.add_metric([ident], item["age_s"])
        return (value, good, age)

    def _alarms(self) -> Iterable[Metric]:
        context = self._context
        found = queries.alarms_json(context.archive, context.settings, context.catalogue)
        labels = ["rule", "priority"]
        state = StateSetMetricFamily(
            "weirwatch_alarm_state", "Where the alarm of each rule stands.", labels=labels
        )
        unseen = GaugeMetricFamily(
            "weirwatch_alarm_unacknowledged", "1 while an alarm waits to be seen.", labels=labels
        )
        service = GaugeMetricFamily(
            "weirwatch_alarm_in_service",
            "0 while an alarm is shelved, suppressed or out of service.",
            labels=labels,
        )
        for item in sorted(found["items"], key=lambda alarm: str(alarm["id"])):
            marks = [item["id"], item["priority"]]
            state.add_metric(marks, {word: word == item["state"] for word in AlarmState})
            unseen.add_metric(marks, float(item["state"] in _UNACKNOWLEDGED))
            service.add_metric(marks, float(item["service_state"] == "in-service"))
        return (state, unseen, service)

    def _service(self) -> Iterable[Metric]:
        try:
            health: Mapping[str, Any] | None = self._context.core.health()
        except WeirwatchError:
            health = None  # said by weirwatch_up; the rest stands in the file all the same
        up = GaugeMetricFamily("weirwatch_up", "1 while the core answers.")
        up.add_metric([], float(health is not None))
        yield up
        if health is None:
            return
        ok = GaugeMetricFamily("weirwatch_ok", "1 while the core finds no problem of its own.")
        ok.add_metric([], float(health.get("status") == "ok"))
        yield ok
        broker = GaugeMetricFamily("weirwatch_broker_connected", "1 while the broker is connected.")
        broker.add_metric([], float(bool(_at(health, "broker.connected"))))
        yield broker
        for name, (place, said) in _COUNTERS.items():
            count = _at(health, f"counts.{place}")
            if isinstance(count, int):
                family = CounterMetricFamily(name, said)
                family.add_metric([], count)
                yield family


def _at(document: Mapping[str, Any], place: str) -> Any:
    found: Any = document
    for step in place.split("."):
        found = found.get(step) if isinstance(found, Mapping) else None
    return found
