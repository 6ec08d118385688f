"""Every field of everything survives the file, whatever it holds."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.stored import Stores

from weirwatch.domain.alarm import Alarm, AlarmState, Event, ServiceState
from weirwatch.domain.reading import Channel, Quality
from weirwatch.ports import Group, NodeState, Notice, Quarantined
from weirwatch.store.rows import storable
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal
from weirwatch.store.sqlite_outbox import SqliteOutbox

texts = st.text(max_size=30)  # any Unicode but lone surrogates, NUL included
times = st.integers(-(2**62), 2**62)
numbers = st.floats(allow_nan=False)
flags = st.booleans()
json_values: st.SearchStrategy[Any] = st.recursive(
    st.none() | flags | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=5,
)

alarms = st.builds(
    Alarm,
    rule=texts,
    state=st.sampled_from(AlarmState),
    service_state=st.sampled_from(ServiceState),
    present=flags,
    count_since=st.none() | times,
    raised_at=st.none() | times,
    returned_at=st.none() | times,
    acknowledged_at=st.none() | times,
    acknowledged_by=texts,
    check_in_at=st.none() | times,
    value=st.none() | numbers,
    raised_value=st.none() | numbers,
    announced=flags,
    heard=flags,
    causes_gone_at=st.none() | times,
    shelved_until=st.none() | times,
    one_shot=flags,
    out_until=st.none() | times,
    hold_until=st.none() | times,
    message=texts,
    forecast_at=st.none() | times,
    first_out=flags,
)
events = st.builds(
    Event,
    time=times,
    kind=texts,
    rule=texts,
    channel=texts,
    from_state=texts,
    to_state=texts,
    service_from=texts,
    service_to=texts,
    value=st.none() | numbers,
    annunciated=flags,
    who=texts,
    comment=texts,
    late=flags,
    drill=flags,
    message=texts,
)
notices = st.builds(
    Notice,
    id=texts,
    event_seq=times,
    recipient=texts,
    created=times,
    text=texts,
    payload=st.dictionaries(st.text(), json_values, max_size=4),
    state=st.sampled_from(["pending", "delivered", "given-up"]),
    attempts=times,
    next_try=times,
    delivered_at=st.none() | times,
    last_error=texts,
)
nodes = st.builds(NodeState, node=texts, connected=flags, since=times, power=texts)
quarantined = st.builds(
    Quarantined,
    received=times,
    topic=texts,
    code=texts,
    reason=texts,
    payload=st.binary(max_size=50),
)
channels = st.builds(
    Channel,
    id=texts,
    quantity=texts,
    unit=texts,
    expected_every=st.none() | times,
    silent_after=st.none() | times,
    valid=st.none() | st.tuples(numbers, numbers),
    resolution=st.none() | numbers,
    warm_up=times,
    vessel=texts,
    title=texts,
)

plenty = settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@pytest.fixture
def same_file(tmp_path: Path) -> Iterator[Stores]:
    """One file for all examples of a test: each must be right whatever came before."""
    path = tmp_path / FILE_NAME
    journal = SqliteJournal(path)
    stores = Stores(path, journal, SqliteOutbox(path), SqliteArchive(path))
    yield stores
    stores.close()


@plenty
@given(st.lists(alarms, max_size=4, unique_by=lambda alarm: alarm.rule))
def test_alarms(same_file: Stores, some: list[Alarm]) -> None:
    group = Group(alarms={alarm.rule: alarm for alarm in some})
    same_file.journal.commit(group)
    found = same_file.archive.alarms()
    assert {rule: found[rule] for rule in group.alarms} == group.alarms
    assert dict(same_file.journal.restore().alarms) == found


@plenty
@given(st.lists(events, max_size=4), times)
def test_events(same_file: Stores, some: list[Event], at: int) -> None:
    last = same_file.archive.last_seq()
    group = Group(events=list(enumerate(some, start=last + 1)), committed_at=at)
    same_file.journal.commit(group)
    found = same_file.archive.events(None, None, last, 10)
    assert [(item.seq, item.event) for item in found] == group.events
    assert all(item.committed_at == at for item in found)


@plenty
@given(notices)
def test_notices(same_file: Stores, one: Notice) -> None:
    before = same_file.archive.notices(0, 10**6)
    one = replace(one, id=f"{len(before)} {one.id}")
    same_file.journal.commit(Group(notices=[one]))
    ((_, found),) = same_file.archive.notices(len(before), 10)
    assert found == one
    assert (one in same_file.outbox.due(2**62, 10**6)) is (one.state == "pending")


@plenty
@given(st.lists(nodes, max_size=4, unique_by=lambda node: node.node))
def test_nodes(same_file: Stores, some: list[NodeState]) -> None:
    group = Group(nodes={node.node: node for node in some})
    same_file.journal.commit(group)
    found = same_file.archive.nodes()
    assert {name: found[name] for name in group.nodes} == group.nodes


@plenty
@given(st.lists(quarantined, min_size=1, max_size=4))
def test_quarantined(same_file: Stores, some: list[Quarantined]) -> None:
    same_file.journal.commit(Group(quarantined=some))
    assert list(same_file.archive.quarantined(len(some))) == some[::-1]


@plenty
@given(channels)
def test_channels(same_file: Stores, one: Channel) -> None:
    same_file.journal.adopt((one,), ())
    assert one in same_file.archive.channels()


@plenty
@given(st.dictionaries(times, st.tuples(numbers, st.sampled_from(Quality), texts), max_size=5))
def test_readings(same_file: Stores, some: dict[int, tuple[float, Quality, str]]) -> None:
    channel = Channel(f"a/b/{len(same_file.archive.channels())}", "level")
    number = same_file.journal.adopt((channel,), ())[channel.id]
    rows = [(ts, number, value, int(q), reason) for ts, (value, q, reason) in some.items()]
    assert same_file.journal.commit(Group(readings=rows)) == 0
    found = same_file.archive.readings(channel.id, -(2**62), 2**62, None, 10)
    at_the_end = 2**62 in some  # the range is [start, end), and the end is the largest of all
    assert [(r.time, r.value, r.quality, r.reason) for r in found] == [
        (ts, *some[ts]) for ts in sorted(some)
    ][: len(some) - at_the_end]


@given(st.text(alphabet=st.characters(codec=None)))
def test_any_text_can_be_made_storable(text: str) -> None:
    kept = storable(text)
    kept.encode("utf-8")
    if "\\" not in text:
        assert kept.encode("utf-8", "backslashreplace") == text.encode("utf-8", "backslashreplace")
