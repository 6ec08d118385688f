from dataclasses import replace

import pytest
from support.page_sight import MINUTE, NOW, hall, sight, standing

from weirwatch.domain.alarm import Alarm, AlarmState, ServiceState
from weirwatch.domain.reading import Quality
from weirwatch.domain.rule import Priority
from weirwatch.pipeline.health import NOT_IN_FORCE
from weirwatch.web.page.overall import broker_words, core_words, overall_of
from weirwatch.web.page.sight import Sight


def sentence(seen: Sight) -> str:
    return overall_of(seen, hall(), NOW).sentence


def test_all_quiet() -> None:
    found = overall_of(sight(), hall(), NOW)
    assert (found.quiet, found.sentence, found.worst) == (True, "All quiet.", None)


@pytest.mark.parametrize(
    ("seen", "part"),
    [
        (Sight(), "Reading the record…"),
        (sight(health={}), "The core has not answered yet."),
        (sight(core_lost_at=NOW - MINUTE), "The core does not answer."),
        (sight(record_lost_at=NOW - MINUTE), "The record cannot be read since 12:59 (1 min ago)."),
        (sight(standing("floor-leak")), "1 critical alarm, not acknowledged."),
        (sight(standing("floor-leak", state=AlarmState.ACKNOWLEDGED)),
         "1 acknowledged alarm still stands."),
        (sight(standing("floor-leak", state=AlarmState.LATCHED_ACKNOWLEDGED)),
         "1 alarm back to normal, waiting for you."),
        (sight(Alarm("room-too-hot", service_state=ServiceState.SHELVED)), "1 alarm shelved."),
        (sight(Alarm("floor-leak", service_state=ServiceState.OUT_OF_SERVICE)),
         "1 alarm out of service."),
        (sight(standing("sump-level-high", service_state=ServiceState.SUPPRESSED_BY_DESIGN)),
         "1 alarm suppressed by design."),
        (sight(age=MINUTE), "26 channels silent."),
        (sight(newest={}), "26 channels never heard."),
        (sight(health={"problems": ["no connection to the MQTT broker at 127.0.0.1:1883"]}),
         "No connection to the MQTT broker at 127.0.0.1:1883."),
        (sight(health={"problems": [], "not_in_force": NOT_IN_FORCE}),
         "The configuration file was changed after the service had started:"),
    ],
)  # fmt: skip
def test_nothing_of_this_is_quiet(seen: Sight, part: str) -> None:
    found = overall_of(seen, hall(), NOW)
    assert not found.quiet
    assert part in found.sentence


def test_the_worst_is_said_first() -> None:
    seen = sight(standing("room-too-hot"), standing("floor-leak"), standing("mains-lost"))
    assert sentence(seen).startswith(
        "2 critical alarms, not acknowledged. 1 low alarm, not acknowledged."
    )
    assert overall_of(seen, hall(), NOW).worst == (Priority.CRITICAL, "new")


def test_core_lost_says_since_when() -> None:
    assert core_words(sight(), hall(), NOW) == ""
    said = core_words(sight(core_lost_at=NOW - 2 * MINUTE), hall(), NOW)
    assert "does not answer since 12:58 (2 min ago)" in said


def test_broker_in_use_and_its_limits() -> None:
    broker = {"kind": "embedded (for trying out)", "address": "127.0.0.1:1", "limits": "Forgets."}
    assert broker_words(sight()) == ""
    assert (
        broker_words(sight(health={"broker": broker}))
        == "Broker: embedded (for trying out) at 127.0.0.1:1. Forgets."
    )


def test_what_is_computed_counts_by_what_it_is_computed_from() -> None:
    seen = sight()
    name, *_ = seen.newest
    newest = {**seen.newest, name: replace(seen.newest[name], quality=Quality.UNCERTAIN)}
    doubtful = replace(seen, newest=newest)
    assert overall_of(doubtful, hall(), NOW).sentence == "1 channel uncertain."
    assert overall_of(doubtful, replace(hall(), computed=frozenset({name})), NOW).quiet


def test_problems_are_told_by_the_titles_of_their_rules_not_by_ids() -> None:
    known = hall()
    rule = known.rules["room-too-hot"]
    named = {"disk-full": "Disk full", "node-offline/sump-node": "Node sump-node offline"}
    rules = {name: replace(rule, id=name, title=title) for name, title in named.items()}
    fixture = replace(known, rules={**known.rules, **rules})
    problems = [
        "node-offline/sump-node: node hall/sump-node has lost its connection",
        "disk-full: 12 MB left",
        "commits fail: disk I/O error",
    ]
    said = overall_of(sight(health={"problems": problems}), fixture, NOW).sentence
    assert "Node hall/sump-node has lost its connection. Disk full: 12 MB left." in said
    assert "Commits fail: disk I/O error." in said
    assert "node-offline" not in said.lower()
