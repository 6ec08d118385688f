"""How planned work is told: from the real desk's words to sentences for whoever stands there."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from support.page_sight import MINUTE, NOW, hall, sight
from support.page_works import Works
from support.page_world import RETURN, settings

from weirwatch.domain.alarm import Alarm, AlarmState, Event, ServiceState
from weirwatch.domain.instant import Micros
from weirwatch.pipeline.work_desk import request_from
from weirwatch.ports import StoredEvent
from weirwatch.web.page.alarm_list import alarm_lists, quiet_by_work
from weirwatch.web.page.overall import overall_of
from weirwatch.web.page.sight import Sight
from weirwatch.web.page.work_panel import request_of
from weirwatch.web.page.work_words import WorkWords, work_list


class Pause:
    """A feeding pause of Harbour Hall that goes on as time passes, 13:00 on its clock at first."""

    def __init__(self) -> None:
        self.now: Micros = NOW
        self.alarms: dict[str, Alarm] = {}
        self.events: list[StoredEvent] = []
        self._works = Works(settings(Path("nowhere")), lambda: self.now, self._commit)

    def _commit(self, alarms: Any, events: Any) -> None:
        self.alarms |= {alarm.rule: alarm for alarm in alarms}
        self.events[:0] = [StoredEvent(1, self.now, event) for event in reversed(list(events))]

    def ask(self, name: str, **more: Any) -> None:
        self._works.ask({"name": name, "work": "feeding-pause"} | more)

    def flow(self, value: float) -> None:
        self._works.read({RETURN: value}, self.now)

    def sight(self) -> Sight:
        works = tuple(self._works.ask({"name": "list"})["items"])
        return sight(*self.alarms.values(), works=works, events=tuple(self.events))

    def words(self) -> WorkWords:
        return work_list(self.sight(), hall(), self.now)[0]


def test_idle_it_says_what_it_will_do_and_what_never_is_kept_quiet() -> None:
    pause = Pause().words()
    assert (pause.title, pause.state, pause.head) == ("Feeding pause", "idle", "10 min")
    assert (pause.glance, pause.quiet, pause.begin) == ("", "", "Begin")
    assert (pause.minutes, pause.most) == ("10", "718")  # 720, and 2 to settle
    assert [fact for fact in pause.facts if fact] == [
        "Keeps quiet: Return flow lost, Reactor flow lost.",
        "Bold failures are never kept quiet: Water on the floor, Mains power lost.",
        "2 min after its end its alarms are back, and this must hold: "
        "Sump: Return flow above 4500 L/h.",
    ]


def test_a_probe_in_its_cup_is_uncertain_and_nothing_is_checked() -> None:
    cup = work_list(Pause().sight(), hall(), NOW)[2]
    assert "Uncertain until it ends, since the probe is not in the water: Sump: pH." in cup.facts
    assert "5 min after its end its alarms are back; nothing else is checked." in cup.facts


def test_under_way_until_when_by_whom_and_what_is_quiet() -> None:
    pause = Pause()
    pause.ask("start", who="Kari", comment="mysis")
    pause.now += 3 * MINUTE
    said = pause.words()
    assert said.under_way
    assert said.head == "under way until 13:10"
    assert said.glance == (
        "Feeding pause is under way until 13:10 (7 min left). Begun 13:00 by Kari, “mysis”."
    )
    assert said.quiet == "Kept quiet until 13:12: Reactor flow lost, Return flow lost."
    assert said.begin == "Move its end"
    pause.now = NOW + 10 * MINUTE - 1
    assert "(less than a minute left)" in pause.words().glance


def test_many_titles_are_cut_short_but_can_be_unfolded() -> None:
    pause = Pause()
    pause.ask("start", work="water-change")
    change = work_list(pause.sight(), hall(), NOW)[1]
    assert change.quiet == (  # a fourth title is no longer than "and 1 more"
        "Kept quiet until 14:05: Reactor flow lost, Return flow lost, Room too hot, "
        "Sump level high."
    )
    assert set(change.in_full) <= set(change.facts)  # nothing to unfold
    many = {**pause.sight().works[1], "shelved": ["a", "b", "c", "d", "e"], "who": None}
    change = work_list(sight(works=(many,)), hall(), NOW)[0]
    assert change.quiet == "Kept quiet until 14:05: a, b, c and 2 more."
    assert change.quiet in change.facts
    assert "Kept quiet until 14:05: a, b, c, d, e." in change.in_full
    assert change.glance.endswith("Begun 13:00.")


def test_what_somebody_set_aside_before_is_left_so_and_told() -> None:
    pause = Pause()
    pause.ask("start")
    works = pause.sight().works
    less = {**works[0], "shelved": ["return-flow-lost"]}
    (said,) = work_list(sight(works=(less,)), hall(), NOW)
    assert "Left as somebody had set it aside before: Reactor flow lost." in said.facts


def test_ended_it_settles_and_then_all_is_back_to_normal() -> None:
    pause = Pause()
    pause.ask("start")
    pause.now += 4 * MINUTE
    pause.ask("end")
    said = pause.words()
    assert not said.under_way
    assert said.head == "has ended, checked at 13:06"
    assert (
        said.glance
        == "Feeding pause has ended. At 13:06 it is checked whether all is back to normal."
    )
    assert said.quiet.startswith("Kept quiet until 13:06: ")
    assert said.begin == "Begin again"
    pause.now += 2 * MINUTE
    pause.flow(6000)
    said = pause.words()
    assert (said.state, said.head) == ("idle", "10 min, back to normal 13:06")
    assert said.glance == "Feeding pause has ended, and all is back to normal (13:06)."
    assert said.quiet == ""
    pause.now += 10 * MINUTE
    assert pause.words().glance == ""


def test_what_is_not_back_to_normal_is_told_until_it_is() -> None:
    pause = Pause()
    pause.ask("start")
    pause.now += 12 * MINUTE
    pause.words()  # its time is over
    pause.flow(0)
    said = pause.words()
    assert said.amiss
    assert said.head == "has ended, NOT back to normal"
    assert said.glance.startswith("Feeding pause has ended, but ")
    assert "0 L/h, expected above 4500 L/h." in said.glance
    assert (said.quiet, said.begin) == ("", "Begin again")


def test_the_check_of_another_work_is_not_taken_for_this_one() -> None:
    checked = Event(NOW, "planned-work-checked", message="Water change: all is back to normal")
    seen = replace(Pause().sight(), events=(StoredEvent(1, NOW, checked),))
    heads = [work.head for work in work_list(seen, hall(), NOW)]
    assert heads == ["10 min", "60 min, back to normal 13:00", "30 min"]


def test_a_proof_is_seen_but_not_begun_here() -> None:
    pause = Pause()
    pause.ask("start")
    proof = {**pause.sight().works[0], "id": "proof/a/b/c", "title": "Proof of Floor"}
    (said,) = work_list(sight(works=(proof,)), hall(), NOW)
    assert said.most is None
    assert said.glance.startswith("Proof of Floor is under way")


def test_what_work_keeps_quiet_needs_no_card_until_it_rings_or_is_set_aside_for_longer() -> None:
    pause = Pause()
    pause.ask("start")
    seen = pause.sight()
    assert quiet_by_work(seen) == {"return-flow-lost", "reactor-flow-lost"}
    assert alarm_lists(seen, hall(), NOW) == ([], [])
    assert overall_of(seen, hall(), NOW).sentence == (
        "Feeding pause is under way. 2 alarms shelved."
    )
    alarm = pause.alarms["return-flow-lost"]
    assert alarm.service_state is ServiceState.SHELVED
    for other in (
        replace(alarm, state=AlarmState.UNACKNOWLEDGED, raised_at=NOW),
        replace(alarm, shelved_until=NOW + 60 * MINUTE),
        replace(alarm, shelved_until=None),
    ):
        moved = replace(seen, alarms={**seen.alarms, alarm.rule: other})
        aside = alarm_lists(moved, hall(), NOW)[1]
        assert [card.rule for card in aside] == ["return-flow-lost"]
    ended = [{**work, "state": "not-back-to-normal"} for work in seen.works]
    assert quiet_by_work(replace(seen, works=tuple(ended))) == frozenset()  # not by the work


@pytest.mark.parametrize("name", ["start", "end"])
def test_a_form_becomes_what_the_desk_takes(name: str) -> None:
    fields = {"operator": " Kari ", "comment": " mysis ", "minutes": "12.5"}
    asked = request_from(request_of(name, "feeding-pause", fields))
    assert (asked.name, asked.work, asked.who, asked.comment) == (
        name, "feeding-pause", "Kari", "mysis",
    )  # fmt: skip
    assert asked.minutes == (12.5 if name == "start" else None)
    assert request_of("start", "x", {"minutes": ""})["minutes"] is None  # its own
    assert request_of(name, "x", {})["who"] == "page"


@pytest.mark.parametrize("minutes", ["0", "-3", "ten", "inf", "nan"])
def test_minutes_that_are_none_are_refused_before_anything_is_sent(minutes: str) -> None:
    with pytest.raises(ValueError, match="a number above 0; nothing was changed"):
        request_of("start", "feeding-pause", {"minutes": minutes})
