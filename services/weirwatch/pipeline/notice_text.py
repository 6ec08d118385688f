"""The text of a notice, line by line: the same on every way out, cut to what a channel takes."""

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote
from zoneinfo import ZoneInfo

from weirwatch.domain.alarm import Alarm
from weirwatch.domain.calls import Why
from weirwatch.domain.failures import SafetyCard
from weirwatch.domain.instant import Micros
from weirwatch.domain.rule import Rule
from weirwatch.pipeline.local_time import clock_time, local_time
from weirwatch.ports import Notice
from weirwatch.settings import RecipientSettings

DRILL = "DRILL, nothing is wrong: "
_LONGEST_MESSAGE = 80  # of what a lock screen shows after title and place
_CUT = "…"
_SHORTEST_TEXT = 320  # the least that `longest` may be
_LONGEST_LINK = 136  # of a last line that leaves the others their room in that


@dataclass(frozen=True, slots=True)
class Told:
    """What a notice is about.

    Attributes:
        place: title of the system; empty for the service itself.
        card: None when the catalogue has none.
        how_long: the outage clock's sentence; empty without one.
        page: address of the page; empty: not told.
        where: one sentence for each device it is about: where it, its breaker and valve are.
    """

    why: Why
    rule: Rule
    alarm: Alarm
    now: Micros
    place: str
    card: SafetyCard | None
    zone: ZoneInfo
    how_long: str = ""
    page: str = ""
    late: bool = False
    drill: bool = False
    where: tuple[str, ...] = ()


def notice_text(told: Told, recipient: RecipientSettings | None) -> str:
    """Return the text; what must be read stands first, and is never cut for what follows."""
    first = first_line(told)
    if told.why is Why.RETURNED:
        back = told.alarm.returned_at if told.alarm.returned_at is not None else told.now
        lines = [first, f"Since {local_time(back, told.zone)}."]
    else:
        lines = [first, *_when(told)]
        fixed = [told.card.first_line] if told.card is not None else []
        rest = [told.how_long, *_forecast(told), *_what_to_do(told, recipient)]
        lines += fixed + [line for line in rest if line]
    longest = recipient.longest if recipient is not None else None
    return fitted(lines, _link(told, longest), longest, told.card)


def alarm_link(page: str, rule: str) -> str:
    """Return the address at which the page opens at one alarm; empty without a page."""
    return f"{page}#alarm={quote(rule, safe='/')}" if page else ""


def _link(told: Told, longest: int | None) -> str:
    """Return the last line; where it would take the room of others, it names the page alone."""
    if not told.page:
        return ""
    whole = f"The whole card: {alarm_link(told.page, told.rule.id)}"
    beyond = max(0, len(whole) - _LONGEST_LINK)
    if longest is not None and longest < _SHORTEST_TEXT + beyond:
        return f"The whole card: {told.page}"
    return whole


def first_line(told: Told) -> str:
    """Return what a lock screen shows: what, where, value and limit, since when."""
    rule, alarm = told.rule, told.alarm
    place = f" ({told.place})" if told.place else ""
    line = f"{_before(told)}{rule.priority.value.upper()}: {rule.title}{place}"
    if told.why is Why.RETURNED:
        back = alarm.returned_at if alarm.returned_at is not None else told.now
        return f"{line} at {clock_time(back, told.zone)}"
    since = alarm.raised_at if alarm.raised_at is not None else told.now
    message = alarm.message
    if len(message) > _LONGEST_MESSAGE:
        message = message[: _LONGEST_MESSAGE - 1] + _CUT
    what = f": {message}" if message else ""
    return f"{line}{what}, since {clock_time(since, told.zone)}"


def fitted(lines: list[str], link: str, longest: int | None, card: SafetyCard | None) -> str:
    """Return the lines as one text of at most `longest` characters.

    The first line, the card's first line and the link stay; what does not fit is left out from
    the end, and a mark says so.
    """
    whole = "\n".join([*lines, link] if link else lines)
    if longest is None or len(whole) <= longest:
        return whole
    fixed = card.first_line if card is not None and card.first_line in lines else ""
    room = longest - sum(len(part) + 1 for part in (fixed, link) if part) - len(_CUT) - 1
    first = lines[0] if len(lines[0]) <= room else lines[0][: room - 1] + _CUT
    room -= len(first)
    kept = []
    for line in lines[1:]:
        if line != fixed:
            if len(line) + 1 > room:
                break
            room -= len(line) + 1
        kept.append(line)
    if fixed and fixed not in kept:
        kept.append(fixed)
    return "\n".join([first, *kept, _CUT, *([link] if link else [])])


def _before(told: Told) -> str:
    drill = DRILL if told.drill else ""
    match told.why:
        case Why.REPEAT:
            return f"{drill}Not answered yet: "
        case Why.NEXT:
            return f"{drill}Nobody has answered: "
        case Why.CHECK_IN:
            who = told.alarm.acknowledged_by or "Whoever was on the way"
            return f"{drill}{who} has not checked in: "
        case Why.RETURNED:
            return f"{drill}Returned to normal: "
        case _:
            return drill


def _when(told: Told) -> list[str]:
    alarm = told.alarm
    since = alarm.raised_at if alarm.raised_at is not None else told.now
    lines = [f"{alarm.message}, since {local_time(since, told.zone)}".lstrip(", ")]
    if told.late:
        lines.append("Reported late by its node.")
    if alarm.first_out:
        lines.append("It came first of its group: look here before the others.")
    return lines


def _forecast(told: Told) -> list[str]:
    at = told.alarm.forecast_at
    return (
        [] if at is None else [f"As it goes on, the limit is met at {local_time(at, told.zone)}."]
    )


def _what_to_do(told: Told, recipient: RecipientSettings | None) -> list[str]:
    card, rule = told.card, told.rule
    where = ["Where it is: " + " ".join(told.where)] if told.where else []
    if recipient is None or not recipient.stand_in or rule.failure in recipient.may_handle:
        steps = card.response if card is not None else ()
        return [*where, rule.response, *(f"{n}. {step}" for n, step in enumerate(steps, 1))]
    lines = [f"You stand in: call {recipient.contact or 'the keeper'}; do not touch."]
    lines += [f"{line} Say it to whoever comes; do not touch." for line in where]
    if card is not None:
        lines += [f"Call the {call.who}: {call.when}" for call in card.call if call.who != "keeper"]
        lines += [f"Look, do not touch: {check}" for check in card.check_first]
    return lines


def digest_text(
    alarms: Sequence[tuple[Rule, Alarm]],
    zone: ZoneInfo,
    page: str,
    recipient: RecipientSettings | None,
    *,
    drill: bool = False,
) -> str:
    """Return the text of a digest: how many, then each in a line, the most urgent first."""
    ranked = sorted(alarms, key=lambda pair: (-pair[0].priority.rank, pair[1].raised_at or 0))
    standing = sum(alarm.stands for _, alarm in alarms)
    before = DRILL if drill else ""
    lines = [f"{before}ALARM FLOOD: {len(alarms)} more alarms, {standing} still stand"]
    lines += [_digest_line(rule, alarm, zone) for rule, alarm in ranked]
    link = f"All of them: {page}" if page else ""
    return fitted(lines, link, recipient.longest if recipient is not None else None, None)


def _digest_line(rule: Rule, alarm: Alarm, zone: ZoneInfo) -> str:
    since = f", since {clock_time(alarm.raised_at, zone)}" if alarm.raised_at is not None else ""
    gone = "" if alarm.stands else " (returned)"
    return f"{rule.priority.value.upper()}: {rule.title}{since}{gone}"


def fold_text(notices: Sequence[Notice], recipient: RecipientSettings | None) -> str:
    """Return the text of one notice that stands for several: how many, then their first lines."""
    lines = [f"{len(notices)} NOTICES IN ONE: you had the most that you get in 10 minutes"]
    lines += [notice.text.split("\n", 1)[0] for notice in notices]
    return fitted(lines, "", recipient.longest if recipient is not None else None, None)


def trial_notice(recipient: str, now: Micros, zone: ZoneInfo) -> Notice:
    """Return a notice that says it is a test, and nothing else."""
    text = (
        f"TEST, nothing is wrong: sent at {clock_time(now, zone)}\n"
        f"A test of the way to {recipient}, sent on {local_time(now, zone)}. Nothing is to be done."
    )
    return Notice(f"test-{now}-{recipient}", 0, recipient, now, text, {"why": Why.TEST.value})
