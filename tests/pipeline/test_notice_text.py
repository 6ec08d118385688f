"""What a notice says: to a keeper and to a stand-in, in a drill, at the return, and when cut."""

from typing import Any
from zoneinfo import ZoneInfo

import pytest
from support.bench_engine import rule

from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.alarm import Alarm
from weirwatch.domain.calls import Why
from weirwatch.domain.failures import FIRST_LINE
from weirwatch.domain.instant import from_rfc3339
from weirwatch.domain.rule import Priority
from weirwatch.pipeline.notice_text import Told, notice_text
from weirwatch.settings import RecipientSettings

CARDS = {failure.id: failure.card for failure in load_catalogue().failures.values()}
RAISED = from_rfc3339("2026-05-01T12:00:00Z")
RULE = rule(failure="sump-high", priority=Priority.HIGH, response="Look for a siphon.")
ALARM = Alarm("high", raised_at=RAISED, message="320 mm, at or above 310 mm")
PAGE = "http://hall.example:8080/"


def told(why: Why = Why.CALL, alarm: Alarm = ALARM, **more: Any) -> Told:
    facts = {"place": "Harbour Hall", "card": CARDS["sump-high"], "zone": ZoneInfo("Europe/Oslo")}
    return Told(why, more.pop("rule", RULE), alarm, RAISED, **{**facts, **more})


def person(**more: Any) -> RecipientSettings:
    return RecipientSettings("x", "console", **more)


def lines(*what: Any) -> list[str]:
    return notice_text(*what).split("\n")


def test_the_first_line_is_for_a_lock_screen() -> None:
    first = "HIGH: high (Harbour Hall): 320 mm, at or above 310 mm, since 14:00"
    assert lines(told(), person())[0] == first
    long = Alarm("high", raised_at=RAISED, message="x" * 400)
    assert len(lines(told(alarm=long), person())[0]) < 140


@pytest.mark.parametrize(
    ("why", "before"),
    [
        (Why.CALL, ""),
        (Why.REPEAT, "Not answered yet: "),
        (Why.NEXT, "Nobody has answered: "),
        (Why.CHECK_IN, "keeper has not checked in: "),
    ],
)
def test_why_it_comes(why: Why, before: str) -> None:
    alarm = Alarm("high", raised_at=RAISED, message="m", acknowledged_by="keeper")
    text = lines(told(why, alarm), person())
    assert text[0].startswith(f"{before}HIGH: high")
    assert text[2] == FIRST_LINE
    drill = lines(told(why, alarm, drill=True), person())
    assert drill[0].startswith(f"DRILL, nothing is wrong: {before}HIGH: high")


def test_the_return_is_short() -> None:
    back = Alarm("high", raised_at=RAISED, returned_at=RAISED + 60_000_000, message="m")
    assert lines(told(Why.RETURNED, back), person()) == [
        "Returned to normal: HIGH: high (Harbour Hall) at 14:01",
        "Since 2026-05-01 14:01:00 CEST.",
    ]


def test_forecast_outage_clock_and_first_out_have_their_lines() -> None:
    alarm = Alarm("high", raised_at=RAISED, message="m", forecast_at=RAISED, first_out=True)
    text = lines(told(alarm=alarm, how_long="Oxygen lasts about 3 h.", late=True), person())
    assert text[2] == "Reported late by its node."
    assert text[3] == "It came first of its group: look here before the others."
    assert text[4:7] == [
        FIRST_LINE,
        "Oxygen lasts about 3 h.",
        "As it goes on, the limit is met at 2026-05-01 14:00:00 CEST.",
    ]


@pytest.mark.parametrize("failure", CARDS)
def test_a_stand_in_calls_and_does_not_touch(failure: str) -> None:
    given = rule(failure=failure, response="Do something.")
    card = CARDS[failure]
    stand_in = person(stand_in=True, contact="the keeper, number by the door")
    text = lines(told(rule=given, card=card), stand_in)
    assert text[2] == card.first_line
    assert text[3] == "You stand in: call the keeper, number by the door; do not touch."
    assert "Do something." not in text
    assert not [line for line in text if line[2:] in card.response or line[3:] in card.response]
    allowed = lines(told(rule=given, card=card), person(stand_in=True, may_handle={failure}))
    assert "Do something." in allowed
    assert allowed[-1] == f"{len(card.response)}. {card.response[-1]}"


def test_where_the_failed_device_is() -> None:
    where = ("Return pump – breaker: no. 4.", "Heaters – breaker: no. 5.")
    text = lines(told(where=where), person())
    assert text[2:5] == [
        FIRST_LINE,
        "Where it is: Return pump – breaker: no. 4. Heaters – breaker: no. 5.",
        "Look for a siphon.",
    ]
    stand_in = lines(told(where=where), person(stand_in=True))
    assert stand_in[3:5] == [
        "You stand in: call the keeper; do not touch.",
        "Where it is: Return pump – breaker: no. 4. Heaters – breaker: no. 5. "
        "Say it to whoever comes; do not touch.",
    ]


def test_the_link_stands_last() -> None:
    assert lines(told(page=PAGE), person())[-1] == f"The whole card: {PAGE}#alarm=high"
    odd = rule("node-offline/hall ä", failure="node-offline")
    assert lines(told(page=PAGE, rule=odd), person())[-1].endswith(
        "#alarm=node-offline/hall%20%C3%A4"
    )


def test_a_link_too_long_for_the_way_names_the_page_alone() -> None:
    page, long = f"http://{'h' * 105}.example/", rule("r" * 64, failure="sump-high")
    short = notice_text(told(page=page, rule=long), person(longest=320))
    assert len(short) <= 320
    assert short.endswith(f"The whole card: {page}")
    whole = notice_text(told(page=page, rule=long), person(longest=800))
    assert whole.endswith(f"The whole card: {page}#alarm={'r' * 64}")


@pytest.mark.parametrize("longest", [320, 400, 700])
@pytest.mark.parametrize("failure", CARDS)
def test_cut_from_the_end(failure: str, longest: int) -> None:
    card = CARDS[failure]
    alarm = Alarm("high", raised_at=RAISED, message="x" * 400)
    long = rule(failure=failure)
    text = notice_text(told(alarm=alarm, rule=long, card=card, page=PAGE), person(longest=longest))
    assert len(text) <= longest
    parts = text.split("\n")
    assert parts[0].startswith("MEDIUM: high (Harbour Hall): xxx")
    assert card.first_line in parts
    assert parts[-2:] == ["…", f"The whole card: {PAGE}#alarm=high"]


def test_what_fits_is_not_cut() -> None:
    whole = notice_text(told(page=PAGE), person())
    assert notice_text(told(page=PAGE), person(longest=len(whole))) == whole
    assert len(notice_text(told(page=PAGE), person(longest=len(whole) - 1))) < len(whole)
