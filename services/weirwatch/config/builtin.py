"""The rules that Weirwatch brings along: what it observes of itself and of its nodes."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from weirwatch.config.rule_models import SystemRuleConfig, re_alarm_after
from weirwatch.domain.instant import SECOND, micros
from weirwatch.domain.planned_work import NOT_ENDED
from weirwatch.domain.rule import BuiltIn, Priority, Rule

BROKER_LOST = "broker-lost"
NODE_OFFLINE = "node-offline"
_NAMED_BLIND = 6  # rules that a node's response names one by one

_OWN = (
    Rule(
        id=BROKER_LOST,
        title="Broker lost",
        kind="system",
        condition=BuiltIn(),
        failure=BROKER_LOST,
        on_delay=60 * SECOND,
        priority=Priority.HIGH,
        response="No reading arrives: look at the vessels yourself. Then see whether the broker "
        "runs and whether this machine reaches it.",
    ),
    Rule(
        id="service-was-down",
        title="Weirwatch was down",
        kind="system",
        condition=BuiltIn(),
        failure="service-was-down",
        priority=Priority.MEDIUM,
        response="Nothing was watched in that time: walk past the vessels, then find out why.",
    ),
    Rule(
        id="clock-untrusted",
        title="Clock not trusted",
        kind="system",
        condition=BuiltIn(),
        failure="clock-untrusted",
        priority=Priority.LOW,
        response="The clock stands before the last record: see whether this machine finds its "
        "time server.",
    ),
    Rule(
        id="disk-full",
        title="Disk full",
        kind="system",
        condition=BuiltIn(),
        failure="disk-full",
        priority=Priority.HIGH,
        response="Nothing more can be recorded: make room on the disk of the data folder.",
    ),
    Rule(
        id="notice-undeliverable",
        title="Notice not delivered",
        kind="system",
        condition=BuiltIn(),
        failure="notice-undeliverable",
        priority=Priority.HIGH,
        response="Somebody was not told: look at the list of alarms, then at the way the notice "
        "should have gone.",
    ),
    Rule(
        id=NOT_ENDED,
        title="Planned work not ended",
        kind="system",
        condition=BuiltIn(),
        failure=NOT_ENDED,
        priority=Priority.MEDIUM,
        response="Its time is over and something is not back to normal: the message says what. "
        "Ask whoever works there first; then look at the pumps and valves they used, or start it "
        "again for longer.",
    ),
)


def node_rule_ids(channels: Iterable[str]) -> Mapping[str, str]:
    """Return the id of the node-offline rule by node (`system/node`), in order of appearance.

    The id is `node-offline/<node>`; where two systems have a node of the same name it is
    `node-offline/<system>/<node>` for both.
    """
    nodes = list(dict.fromkeys(node_of(channel) for channel in channels))
    names = Counter(node.split("/")[1] for node in nodes)
    return {
        node: f"{NODE_OFFLINE}/{node if names[node.split('/')[1]] > 1 else node.split('/')[1]}"
        for node in nodes
    }


def builtin_rules(channels: Iterable[str], rules: Iterable[Rule]) -> tuple[Rule, ...]:
    """Return the built-in rules for these channel ids; `rules` are those that a node can blind."""
    by_node: dict[str, list[str]] = {}
    for rule in rules:
        if rule.channel is not None:
            by_node.setdefault(node_of(rule.channel), []).append(rule.title)
    nodes = node_rule_ids(channels)
    return _OWN + tuple(_node_rule(node, nodes[node], by_node.get(node, [])) for node in nodes)


def builtin_ids(channels: Iterable[str]) -> tuple[str, ...]:
    """Return the ids of the built-in rules for these channel ids."""
    return (*(rule.id for rule in _OWN), *node_rule_ids(channels).values())


def node_of(channel: str) -> str:
    """Return `system/node` of a channel id."""
    return "/".join(channel.split("/", 2)[:2])


def overridden(rule: Rule, config: SystemRuleConfig) -> Rule:
    """Return the built-in rule with the keys that the file sets."""
    given = config.model_fields_set
    priority = Priority(config.priority) if config.priority else rule.priority
    values: dict[str, Any] = {
        "title": config.title,
        "while_": tuple(entry.to_domain() for entry in config.while_),
        "on_delay_s": micros(config.on_delay_s),
        "off_delay_s": micros(config.off_delay_s),
        "latching": config.latching,
        "response": config.response,
        "suppressed_by": tuple(dict.fromkeys(config.suppressed_by)),
        "hold_off_s": micros(config.hold_off_s),
        "shelve_max_minutes": micros(config.shelve_max_minutes * 60),
        "first_out": config.first_out,
    }
    fields = {"shelve_max_minutes": "shelve_max"}
    changes = {
        fields.get(key, key.removesuffix("_s")): value
        for key, value in values.items()
        if key in given
    }
    re_alarm = re_alarm_after(priority, config.re_alarm_s)
    return replace(rule, **changes, priority=priority, re_alarm=re_alarm)


def _node_rule(node: str, rule_id: str, blinds: list[str]) -> Rule:
    name = node.split("/")[1]
    return Rule(
        id=rule_id,
        title=f"Node {rule_id.removeprefix(f'{NODE_OFFLINE}/')} offline",
        kind="system",
        condition=BuiltIn(),
        failure=NODE_OFFLINE,
        on_delay=60 * SECOND,
        priority=Priority.MEDIUM,
        response=f"See whether {name} has power and reaches the network. {_blind(blinds)}".strip(),
    )


def _blind(titles: list[str]) -> str:
    if not titles:
        return ""
    more = len(titles) - _NAMED_BLIND
    tail = f" and {more} more" if more > 0 else ""
    return f"While it is away nothing is seen of: {', '.join(titles[:_NAMED_BLIND])}{tail}."
