"""Two hundred alarms at once: every urgent one by itself, the rest in a digest."""

from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from support.call_world import PEOPLE, ROSTER, CallWorld
from support.outbox_desk import Person
from support.still_clock import HandClock

from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.engine import ReadingSeen, adopt, decide
from weirwatch.domain.reading import Reading
from weirwatch.pipeline.notices import NoticeWriter
from weirwatch.pipeline.outbox import Outbox
from weirwatch.pipeline.restraint import Restraint
from weirwatch.pipeline.timekeeper import Timekeeper
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_outbox import SqliteOutbox

LEVEL = "harbour-hall/sump-node/level"
PRIORITIES = ["low"] * 120 + ["medium"] * 60 + ["high"] * 15 + ["critical"] * 5


def many() -> str:
    return "".join(
        f'[[rule]]\nid = "r{n}"\ntitle = "Rule {n}"\nkind = "absolute"\nchannel = "{LEVEL}"\n'
        f'high = {100 + n}\ndeadband = 1\npriority = "{priority}"\nfailure = "sump-high"\n'
        for n, priority in enumerate(PRIORITIES)
    )


def level(world: CallWorld, value: float) -> None:
    reading = Reading(LEVEL, world.now, value)
    decision = decide(world.state, ReadingSeen(reading, world.now), world.book)
    adopt(world.state, decision, world.book)
    world.builder.decision(decision)
    world.commit()


@pytest.fixture
def world(tmp_path: Path) -> Iterator[CallWorld]:
    made = CallWorld(tmp_path, PEOPLE + ROSTER.replace("quiet", "repeat_s = 0 #") + many())
    yield made
    made.journal.close()


def test_a_digest_and_every_urgent_one(world: CallWorld) -> None:
    level(world, 500)
    world.restart()
    world.go(2)
    count = Counter((why, to) for _, why, to in world.line())
    # The first ten, whatever they are, before anybody can know; then the urgent ones.
    assert count == {
        ("call", "keeper"): 30,
        ("call", "record"): 30,
        ("digest", "keeper"): 1,
        ("digest", "record"): 1,
    }
    urgent = [n for n in world.notices if n.text.startswith(("HIGH", "CRITICAL"))]
    assert len(urgent) == 2 * 20
    (digest,) = [
        n for n in world.notices if n.payload["why"] == "digest" and n.recipient == "keeper"
    ]
    lines = digest.text.split("\n")
    assert lines[0] == "ALARM FLOOD: 170 more alarms, 170 still stand"
    assert lines[1] == "MEDIUM: Rule 120, since 12:00"
    assert len(lines) == 171
    assert len({notice.id for notice in world.notices}) == len(world.notices)


def test_digests_come_apart_and_the_rest_at_the_end(world: CallWorld) -> None:
    level(world, 500)
    world.go(1)
    assert world.line()[-1][1] == "digest"
    world.go(1)
    level(world, 0)
    world.restart()
    level(world, 105)  # six return before anybody knew, and rise again
    world.go(30)
    digests = [at for at, why, to in world.line() if (why, to) == ("digest", "keeper")]
    assert digests == [1, 11]


def test_after_the_flood_each_is_told_again(world: CallWorld) -> None:
    level(world, 500)
    world.go(1)
    level(world, 0)
    world.go(59)
    before = len(world.notices)
    level(world, 100.5)
    assert world.line()[before:] == [(60, "call", "keeper"), (60, "call", "record")]


def test_through_an_outbox_with_limits_no_urgent_one_is_folded(world: CallWorld) -> None:
    level(world, 500)
    world.go(2)
    people = {"keeper": Person(), "neighbour": Person(), "record": Person()}
    clock = HandClock(world.now)
    rules = {rule.id: rule for rule in world.settings.rules}
    most = {person.id: person.most_in_10_min for person in world.settings.recipients}
    assert set(most.values()) == {20}
    writer = NoticeWriter(world.settings, load_catalogue())
    restraint = Restraint(rules, most, world.settings.repeat_expires, writer.fold)
    file, time = world.folder / FILE_NAME, Timekeeper(clock, None)
    outbox = Outbox(lambda: SqliteOutbox(file), people, clock, time, lambda _: None, restraint)
    with closing(SqliteOutbox(file)) as store:
        outbox.turn_once(store)
    owed = [notice.id for notice in world.notices if notice.recipient == "keeper"]
    assert Counter(people["keeper"].got) == Counter(owed)  # 30 calls and the digest, each once
    assert outbox.folded == outbox.postponed == outbox.expired == 0
