"""The words of a notice as a woken person reads them, from top to bottom."""

from dataclasses import replace
from pathlib import Path

import pytest
from support.loop_world import CONFIG, HALL_NODE, SUMP_NODE, World, settings_of
from support.still_clock import NOON

from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.alarm import Alarm, AlarmState, Event
from weirwatch.domain.failures import FIRST_LINE, Failure
from weirwatch.domain.instant import SECOND
from weirwatch.pipeline.group import GroupBuilder
from weirwatch.pipeline.inbox import LinkRequest
from weirwatch.pipeline.notices import NoticeWriter
from weirwatch.ports import Notice


def notices(world: World) -> list[Notice]:
    return [notice for _, notice in world.archive.notices(0, 100)]


def test_a_notice_from_top_to_bottom(world: World) -> None:
    world.clock.go(2)
    world.level(320)
    world.turn()
    (notice,) = notices(world)
    card = load_catalogue().failures["sump-high"].card
    lines = notice.text.split("\n")
    assert lines[:4] == [
        "HIGH: Sump high (Harbour Hall): 320 mm, at or above 310 mm, since 12:00",
        "320 mm, at or above 310 mm, since 2026-05-01 12:00:02 UTC",
        FIRST_LINE,
        "Look for a siphon.",
    ]
    # The card's safe response, whole and in its own order.
    assert lines[4:] == [f"{n}. {step}" for n, step in enumerate(card.response, 1)]
    assert card.wet_or_electrical
    assert (notice.id, notice.event_seq, notice.recipient) == ("1-keeper", 1, "keeper")
    assert notice.created == NOON + 2 * SECOND
    assert notice.state == "pending"


def test_the_first_line_alone_says_how_urgent_what_and_where(world: World) -> None:
    world.put('[{"n":"leak","vb":true}]', f"{HALL_NODE}/readings")
    world.turn()
    first, second, third, *_ = notices(world)[0].text.split("\n")
    assert first == "CRITICAL: Water on the floor (Harbour Hall): Leak is on, since 12:00"
    assert len(first) <= 80
    assert second == "Leak is on, since 2026-05-01 12:00:00 UTC"
    assert third == FIRST_LINE  # before the keeper's own words, whatever they say


def test_times_are_told_in_the_keepers_zone(tmp_path: Path) -> None:
    text = CONFIG.replace("[service]", '[service]\ntime_zone = "Europe/Oslo"')
    world = World(tmp_path, text=text)
    world.level(320)
    world.turn()
    assert "since 2026-05-01 14:00:00 CEST" in notices(world)[0].text
    world.close()


def test_late_news_says_so(world: World) -> None:
    world.put(f'[{{"n":"leak","t":{NOON / 1e6 - 600},"vb":true}}]', f"{HALL_NODE}/readings")
    world.turn()
    lines = notices(world)[0].text.split("\n")
    assert lines[1].endswith("since 2026-05-01 11:50:00 UTC")
    assert lines[2] == "Reported late by its node."
    assert lines[3] == FIRST_LINE


def test_an_alarm_of_the_service_itself_has_no_place_and_its_own_card(world: World) -> None:
    world.inbox.put(LinkRequest(up=False))
    world.turn()
    lines = notices(world)[0].text.split("\n")
    assert lines[0] == "HIGH: Broker lost: no connection to the broker, since 12:00"
    assert lines[1].startswith("no connection to the broker, since ")
    assert all(line.strip() for line in lines)


def test_a_node_of_a_system_that_was_lost_is_named(world: World) -> None:
    world.put('{"connected": false}', f"{SUMP_NODE}/connection")
    world.turn()
    text = notices(world)[0].text
    assert "harbour-hall/sump-node" in text
    assert "Sump high" in text  # what it blinds


def test_every_recipient_gets_one_with_an_id_of_its_own(tmp_path: Path) -> None:
    more = '[[recipient]]\nid = "file"\nkind = "file"\npath = "notices.jsonl"\n'
    world = World(tmp_path, text=CONFIG + more)
    world.level(320)
    world.turn()
    world.clock.go(1)
    world.level(290)
    world.turn()
    world.clock.go(1)
    world.level(330)
    world.turn()
    assert [(n.id, n.recipient) for n in notices(world)] == [
        ("1-keeper", "keeper"),
        ("1-file", "file"),
        ("3-keeper", "keeper"),
        ("3-file", "file"),
    ]
    first, second = (n.text for n in notices(world)[::2])
    assert "320 mm" in first
    assert "330 mm" in second
    world.close()


def test_without_a_recipient_nobody_is_told_and_nothing_breaks(tmp_path: Path) -> None:
    world = World(tmp_path, text=CONFIG.split("[[recipient]]", maxsplit=1)[0])
    world.level(320)
    world.turn()
    kept = notices(world)
    assert all(notice.recipient for notice in kept)
    assert world.kinds("sump-high") == [("raised", True)]
    world.close()


def test_the_payload_is_the_alarm_with_its_card_for_machines(world: World) -> None:
    world.level(320)
    world.turn()
    payload = notices(world)[0].payload
    assert payload["event"] == 1
    alarm = payload["alarm"]
    assert (alarm["id"], alarm["state"], alarm["raised_value"]) == (
        "sump-high",
        "unacknowledged",
        320.0,
    )
    assert alarm["safety_card"]["first_line"] == FIRST_LINE
    assert alarm["response"] == f"{FIRST_LINE} Look for a siphon."


CATALOGUE = load_catalogue()


@pytest.mark.parametrize("failure", CATALOGUE.failures.values(), ids=lambda failure: failure.id)
def test_the_card_of_every_failure_is_told_whole(failure: Failure) -> None:
    settings = settings_of()
    rules = {rule.id: replace(rule, failure=failure.id) for rule in settings.rules}
    raised = Alarm("sump-high", AlarmState.UNACKNOWLEDGED, raised_at=NOON, message="320 mm")
    writer = NoticeWriter(settings, CATALOGUE)
    builder = GroupBuilder(rules, {}, {"sump-high": raised}, writer, 1)
    builder.event(Event(NOON, "raised", rule="sump-high", annunciated=True))
    (notice,) = builder.group(NOON).notices
    lines = notice.text.split("\n")
    assert lines[2] == failure.card.first_line
    assert lines[-len(failure.card.response) :] == [
        f"{n}. {step}" for n, step in enumerate(failure.card.response, 1)
    ]


def test_a_rule_whose_failure_has_no_card_still_says_what_to_do() -> None:
    settings = settings_of()
    rules = {rule.id: replace(rule, failure="unheard-of") for rule in settings.rules}
    raised = Alarm("sump-high", AlarmState.UNACKNOWLEDGED, raised_at=NOON, message="320 mm")
    builder = GroupBuilder(rules, {}, {"sump-high": raised}, NoticeWriter(settings, CATALOGUE), 1)
    builder.event(Event(NOON, "raised", rule="sump-high", annunciated=True))
    (notice,) = builder.group(NOON).notices
    assert notice.text.split("\n")[2:] == ["Look for a siphon."]
    assert notice.payload["alarm"]["safety_card"] is None
