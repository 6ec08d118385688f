"""The outbox: at least once under one id, in order, and no trouble that nobody hears of."""

from pathlib import Path

from support.outbox_desk import Desk
from support.still_clock import NOON, HandClock

from weirwatch.domain.errors import PermanentError, TransientError
from weirwatch.domain.instant import SECOND
from weirwatch.pipeline.outbox import ALARM_AFTER_ATTEMPTS, LONGEST_PAUSE_S

BUSY = TransientError("the line is busy")


# --- delivering ------------------------------------------------------------------------------


def test_due_notices_go_out_in_order_and_are_marked(desk: Desk, clock: HandClock) -> None:
    desk.add("3-mara", "1-mara", "2-odd", "2-mara")
    clock.go(1)
    assert desk.turn() == 60.0
    assert desk.mara.got == ["1-mara", "2-mara", "3-mara"]
    assert desk.odd.got == ["2-odd"]
    done = desk.stored("2-mara")
    assert (done.state, done.attempts, done.delivered_at) == ("delivered", 1, NOON + SECOND)
    assert desk.outbox.delivered == 4
    assert desk.sentences == []
    desk.turn()
    assert len(desk.mara.tried) == 3


def test_more_than_one_batch_goes_out_in_one_turn(desk: Desk) -> None:
    desk.add(*(f"{n}-mara" for n in range(1, 121)))
    desk.turn()
    assert desk.mara.got == [f"{n}-mara" for n in range(1, 121)]


def test_a_failed_notice_holds_the_next_ones_to_the_same_person_only(
    desk: Desk, clock: HandClock
) -> None:
    desk.mara.troubles = [BUSY]
    desk.add("1-mara", "2-mara", "3-mara", "4-odd")
    desk.turn()
    assert desk.mara.tried == ["1-mara"]
    assert desk.odd.got == ["4-odd"]
    clock.go(0.5)  # the first try again comes after 0.8 s at the earliest
    desk.turn()
    assert desk.mara.tried == ["1-mara"]
    clock.go(0.8)
    desk.turn()
    assert desk.mara.got == ["1-mara", "2-mara", "3-mara"]
    assert desk.stored("1-mara").attempts == 2
    assert desk.outbox.failures == 1


def test_tries_come_at_growing_pauses_with_jitter(desk: Desk, clock: HandClock) -> None:
    desk.mara.unreachable = BUSY
    desk.add("1-mara")
    pauses = []
    for _ in range(12):
        desk.turn()
        pauses.append((desk.stored("1-mara").next_try - clock.utc) / SECOND)
        clock.set_wall(desk.stored("1-mara").next_try)
    for attempt, pause in enumerate(pauses):
        wanted = min(LONGEST_PAUSE_S, 2.0**attempt)
        assert 0.8 * wanted <= pause <= 1.2 * wanted
    assert len({round(pause / min(300.0, 2.0**n), 3) for n, pause in enumerate(pauses)}) > 5
    assert desk.stored("1-mara").last_error == "the line is busy"
    assert desk.stored("1-mara").state == "pending"


def test_pauses_are_real_time_on_a_faster_clock(tmp_path: Path) -> None:
    clock = HandClock(speed=60.0)
    desk = Desk(tmp_path, clock)
    desk.mara.unreachable = BUSY
    desk.add("1-mara")
    pause = desk.turn()
    assert 0.8 <= pause <= 1.2
    assert 48 <= (desk.stored("1-mara").next_try - clock.utc) / SECOND <= 72
    desk.close()


def test_a_clock_set_back_delays_no_try(desk: Desk, clock: HandClock) -> None:
    desk.mara.troubles = [BUSY]
    desk.add("1-mara")
    desk.turn()
    clock.set_wall(NOON - 3600 * SECOND)
    assert desk.turn() <= 1.2
    clock.go(1.2)
    desk.turn()
    assert desk.mara.got == ["1-mara"]


def test_a_board_that_wakes_up_in_the_past_delivers_what_waited(
    desk: Desk, clock: HandClock
) -> None:
    desk.mara.unreachable = BUSY
    desk.add("1-mara")
    desk.turn()
    desk.mara.unreachable = None
    clock.set_wall(0)
    desk.outbox = desk.made()
    clock.go(1.2)
    desk.turn()
    assert desk.mara.got == ["1-mara"]


# --- who cannot be reached -------------------------------------------------------------------


def test_one_who_asks_for_an_hour_is_out_of_reach_at_once_and_gets_no_peace_from_what_is_new(
    desk: Desk, clock: HandClock
) -> None:
    desk.mara.unreachable = TransientError("answered 429", 3600.0)
    desk.add("1-mara")
    desk.turn()
    assert desk.sentences == ["mara cannot be reached: answered 429"]
    clock.go(60)
    desk.add("2-mara")  # it may be the one that matters
    desk.turn()
    desk.turn()
    assert desk.mara.tried == ["1-mara", "2-mara"]
    desk.mara.unreachable = None
    clock.go(3541)
    desk.turn()
    assert desk.mara.got == ["1-mara"]
    assert desk.sentences[-1] is None


def test_a_person_out_of_reach_is_told_of_and_told_of_again_when_back(
    desk: Desk, clock: HandClock
) -> None:
    desk.mara.unreachable = BUSY
    desk.add("1-mara")
    for attempt in range(ALARM_AFTER_ATTEMPTS):
        assert desk.sentences == []
        desk.turn()
        clock.go(1.2 * 2**attempt)
    assert desk.sentences == ["mara cannot be reached: the line is busy"]
    desk.mara.unreachable = None
    desk.turn()
    assert desk.mara.got == ["1-mara"]
    assert desk.sentences[-1] is None


def test_two_persons_out_of_reach_are_both_named(desk: Desk, clock: HandClock) -> None:
    desk.mara.unreachable = desk.odd.unreachable = BUSY
    desk.add("1-mara", "1-odd")
    for attempt in range(ALARM_AFTER_ATTEMPTS):
        desk.turn()
        clock.go(1.2 * 2**attempt)
    assert desk.sentences[-1] == (
        "mara cannot be reached: the line is busy; odd cannot be reached: the line is busy"
    )
    desk.mara.unreachable = None
    desk.turn()
    assert desk.sentences[-1] == "odd cannot be reached: the line is busy"


def test_a_notice_that_fails_alone_holds_no_other_for_long(desk: Desk, clock: HandClock) -> None:
    desk.mara.refused["1-mara"] = BUSY
    desk.add("1-mara", "2-mara", "3-mara")
    passed = 0.0
    while desk.mara.got != ["2-mara", "3-mara"]:
        desk.turn()
        clock.go(0.5)
        passed += 0.5
        assert passed < 20
    assert passed > 5
    assert desk.stored("1-mara").state == "pending"
    assert desk.sentences[0] == "mara cannot be reached: the line is busy"


def test_a_new_notice_to_a_person_long_out_of_reach_is_tried_at_once(
    desk: Desk, clock: HandClock
) -> None:
    desk.mara.unreachable = BUSY
    desk.add("1-mara")
    for attempt in range(9):
        desk.turn()
        clock.go(1.2 * 2**attempt)
    desk.turn()
    assert (desk.stored("1-mara").next_try - clock.utc) / SECOND > 200
    desk.mara.unreachable = None
    desk.add("2-mara")
    desk.turn()
    assert desk.mara.got == ["2-mara"]


def test_after_a_restart_who_was_out_of_reach_still_is(desk: Desk, clock: HandClock) -> None:
    desk.mara.unreachable = BUSY
    desk.add("1-mara")
    for attempt in range(ALARM_AFTER_ATTEMPTS):
        desk.turn()
        clock.go(1.2 * 2**attempt)
    desk.sentences.clear()
    desk.outbox = desk.made()
    desk.turn()
    assert desk.sentences == ["mara cannot be reached: the line is busy"]


def test_what_can_never_be_delivered_is_given_up_and_told(desk: Desk) -> None:
    desk.mara.troubles = [PermanentError("the address is refused")]
    desk.add("1-mara", "2-mara")
    desk.turn()
    given_up = desk.stored("1-mara")
    assert (given_up.state, given_up.attempts) == ("given-up", 1)
    assert given_up.last_error == "the address is refused"
    assert desk.mara.got == ["2-mara"]
    assert desk.sentences == ["notice 1-mara was given up: the address is refused", None]
    assert desk.outbox.given_up == 1


def test_a_recipient_that_is_no_longer_configured(desk: Desk) -> None:
    desk.add("1-former", "1-mara")
    desk.turn()
    assert desk.stored("1-former").state == "given-up"
    assert desk.sentences == [
        "notice 1-former was given up: recipient 'former' is no longer configured"
    ]
    assert desk.mara.got == ["1-mara"]


def test_an_error_that_nobody_thought_of_is_tried_again(desk: Desk, clock: HandClock) -> None:
    desk.mara.troubles = [ZeroDivisionError("division by zero")]
    desk.add("1-mara", "1-odd")
    desk.turn()
    assert desk.odd.got == ["1-odd"]
    assert "ZeroDivisionError" in desk.stored("1-mara").last_error
    clock.go(1.2)
    desk.turn()
    assert desk.mara.got == ["1-mara"]
