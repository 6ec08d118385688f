"""Home of which alarms the page shows, in which order and in which words: pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from weirwatch.domain.alarm import Alarm, AlarmState, ServiceState
from weirwatch.domain.devices import devices_of, where_text
from weirwatch.domain.failures import SafetyCard
from weirwatch.domain.instant import Micros, from_rfc3339
from weirwatch.domain.reading import Channel
from weirwatch.domain.rule import Discrepancy, Priority, Rule, SwitchIs
from weirwatch.domain.wording import amount, limit_text
from weirwatch.web.page import words
from weirwatch.web.page.marks import mark_of, mark_words
from weirwatch.web.page.sight import Fixture, Sight

_STATE_ORDER = {
    AlarmState.UNACKNOWLEDGED: 0,
    AlarmState.ACKNOWLEDGED: 1,
    AlarmState.RETURNED_UNACKNOWLEDGED: 2,
    AlarmState.LATCHED_UNACKNOWLEDGED: 2,
    AlarmState.LATCHED_ACKNOWLEDGED: 2,
    AlarmState.NORMAL: 3,
}
_TO_ACKNOWLEDGE = (
    AlarmState.UNACKNOWLEDGED,
    AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.LATCHED_UNACKNOWLEDGED,
)


@dataclass(frozen=True, slots=True)
class AlarmWords:
    """One alarm in the words of the page.

    Attributes:
        form: how it is drawn without colour: "new" (filled), "known" (outlined), "gone" (dashed),
            "aside" (thin).
        aside: why it is not in the list of standing alarms; empty for one that is.
        commands: what the alarm's state allows.
        shelve_max: longest shelving in minutes.
        where: of each device it is about, where it, its breaker and its valve are.
    """

    rule: str
    title: str
    priority: Priority
    form: str
    state: str
    aside: str
    channel: str
    value: str
    limit: str
    since: str
    message: str
    check_in: str
    response: str
    where: tuple[str, ...]
    card: SafetyCard | None
    commands: frozenset[str]
    shelve_max: int


def alarm_lists(
    sight: Sight, fixture: Fixture, now: Micros
) -> tuple[list[AlarmWords], list[AlarmWords]]:
    """Return the alarms to act on and those set aside, each in the order of their urgency.

    To act on: raised, returned or latched ones in service; unacknowledged before acknowledged
    before gone, then by priority, then the oldest first. Set aside: shelved, suppressed by design
    or out of service; what planned work keeps quiet is told there while nothing is wrong with it.
    """
    quiet = quiet_by_work(sight)
    act: list[tuple[Alarm, Rule]] = []
    aside: list[tuple[Alarm, Rule]] = []
    for alarm in sight.alarms.values():
        rule = fixture.rules.get(alarm.rule)
        if rule is None or alarm.rule in quiet:
            continue
        if alarm.service_state is not ServiceState.IN_SERVICE:
            if alarm.service_state is ServiceState.SUPPRESSED_BY_DESIGN and not _raised(alarm):
                continue
            aside.append((alarm, rule))
        elif _raised(alarm):
            act.append((alarm, rule))
    return tuple(  # type: ignore[return-value]  # two of them
        [_alarm_words(alarm, rule, sight, fixture, now) for alarm, rule in _ordered(chosen)]
        for chosen in (act, aside)
    )


def shelved_by(work: Mapping[str, Any]) -> Sequence[str]:
    """Return the rules that planned work keeps shelved now; after its first check they are back."""
    return work["shelved"] if work["state"] in ("under-way", "settling") else ()


def quiet_by_work(sight: Sight) -> frozenset[str]:
    """Return the rules that planned work, and nobody else for longer, keeps quiet and normal."""
    found = set()
    for work in sight.works:
        for rule in shelved_by(work):
            alarm = sight.alarms.get(rule)
            if alarm is None or _raised(alarm) or alarm.shelved_until is None:
                continue
            if alarm.shelved_until <= from_rfc3339(work["check_at"]):
                found.add(rule)
    return frozenset(found)


def urgent_by_channel(sight: Sight, fixture: Fixture) -> dict[str, tuple[Priority, str]]:
    """Return priority and form of the most urgent standing alarm of each channel."""
    urgent: dict[str, tuple[Priority, str]] = {}
    raised = [
        (alarm, fixture.rules[alarm.rule])
        for alarm in sight.alarms.values()
        if alarm.rule in fixture.rules and alarm.stands
    ]
    for alarm, rule in _ordered(raised):
        if rule.channel:
            urgent.setdefault(rule.channel, (rule.priority, _form(alarm)))
    return urgent


def _raised(alarm: Alarm) -> bool:
    return alarm.state is not AlarmState.NORMAL


def _ordered(alarms: list[tuple[Alarm, Rule]]) -> list[tuple[Alarm, Rule]]:
    return sorted(
        alarms,
        key=lambda pair: (
            _STATE_ORDER[pair[0].state],
            -pair[1].priority.rank,
            pair[0].raised_at or 0,
            pair[1].id,
        ),
    )


def _alarm_words(
    alarm: Alarm, rule: Rule, sight: Sight, fixture: Fixture, now: Micros
) -> AlarmWords:
    channel = fixture.channels.get(rule.channel or "")
    return AlarmWords(
        rule=rule.id,
        title=rule.title,
        priority=rule.priority,
        form=_form(alarm),
        state=words.state_words(alarm, now, fixture.zone),
        aside=words.service_words(alarm, now, fixture.zone),
        channel=channel_words(channel, fixture),
        value=_value_now(alarm, channel, sight, fixture, now),
        limit=_limit(rule, channel),
        since=words.stood_words(alarm, now, fixture.zone),
        message=_message(alarm),
        check_in=words.check_in_words(alarm, now, fixture.zone),
        response=rule.response,
        where=tuple(map(where_text, devices_of(rule, fixture.devices))),
        card=fixture.card_of(rule.failure),
        commands=_commands(alarm),
        shelve_max=max(1, rule.shelve_max // words.MINUTE),
    )


def _form(alarm: Alarm) -> str:
    if alarm.service_state is not ServiceState.IN_SERVICE:
        return "aside"
    return ("new", "known", "gone", "gone")[_STATE_ORDER[alarm.state]]


def _limit(rule: Rule, channel: Channel | None) -> str:
    text = limit_text(rule, channel)
    match rule.condition:
        case _ if not text:
            return ""
        case SwitchIs():
            return f"alarm when {text}"
        case Discrepancy():
            return f"expected {text}"
        case _:
            return f"limit {text}"


def _message(alarm: Alarm) -> str:
    first = "First of its group. " if alarm.first_out else ""
    return (first + alarm.message).strip()


def channel_words(channel: Channel | None, fixture: Fixture) -> str:
    """Return a channel's name with its vessel; empty for none."""
    if channel is None:
        return ""
    for vessel in fixture.plant.vessels if fixture.plant else ():
        if vessel.id == channel.vessel:
            title = vessel.title or vessel.id
            return f"{title}: {words.label_within(channel, (title, vessel.id))}"
    return channel.label


def _value_now(
    alarm: Alarm, channel: Channel | None, sight: Sight, fixture: Fixture, now: Micros
) -> str:
    if channel is None:
        return "" if alarm.value is None else amount(alarm.value, "")
    newest = sight.newest.get(channel.id)
    if newest is None:
        return words.value_words(channel, alarm.value)
    mark = mark_of(channel, newest, now, fixture.lag)
    text = words.value_words(channel, newest.value)
    return f"{text} ({mark_words(mark, newest, now, fixture.lag)})" if mark else text


def _commands(alarm: Alarm) -> frozenset[str]:
    """Return what the page offers: what is set aside comes back first, then it is acknowledged."""
    match alarm.service_state:
        case ServiceState.SHELVED:
            return frozenset({"unshelve"})
        case ServiceState.OUT_OF_SERVICE:
            return frozenset({"return-to-service"})
        case ServiceState.SUPPRESSED_BY_DESIGN:
            return frozenset()
        case ServiceState.IN_SERVICE:
            pass
    if alarm.state in _TO_ACKNOWLEDGE:
        return frozenset({"acknowledge", "shelve"})
    if alarm.state is AlarmState.LATCHED_ACKNOWLEDGED:
        return frozenset({"reset", "shelve"})
    if alarm.state is AlarmState.ACKNOWLEDGED:
        return frozenset({"check-in", "shelve"})
    return frozenset({"shelve"})
