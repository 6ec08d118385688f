import json

import pytest
from support.plants import START_US

from weirsim.harbour_hall import NODES, SPEC
from weirsim.model import Plant
from weirsim.nodes import Node, Pack
from weirsim.wire import connection, connection_topic, readings_topic, rfc3339, senml
from weirwatch.domain.instant import from_rfc3339
from weirwatch.ingest.senml import read


def packs() -> list[Pack]:
    plant = Plant(SPEC, START_US)
    return [pack for node in NODES if (pack := Node(node, plant, 1).sample()) is not None]


def test_a_pack_follows_rfc_8428_by_hand() -> None:
    first, *rest = json.loads(senml("harbour-hall", packs()[0]))
    assert first["bn"] == "harbour-hall/sump-node/"
    assert first["bt"] == 1_767_225_600
    for record in (first, *rest):
        assert {"v", "vb"} & record.keys()
        assert not {"v", "vb"} <= record.keys()
        assert record.get("u") in (None, "Cel", "pH", "W", "V", "%EL")
    assert not any({"bn", "bt"} & record.keys() for record in rest)


def test_packs_resolve_with_the_reader_that_passes_the_vectors_of_the_rfc() -> None:
    for pack in packs():
        records, problems, sums = read(senml("harbour-hall", pack), START_US)
        assert (list(problems), sums) == ([], 0)
        names = {f"harbour-hall/{pack.node.id}/{probe.name}" for probe, _ in pack.readings}
        assert {name for name, *_ in records} == names
        assert {time for _, _, time, _ in records} == {START_US}
        sent = {probe.name: value for probe, value in pack.readings}
        for name, unit, _, value in records:
            probe = next(p for p in pack.node.probes if p.name == name.rsplit("/", 1)[1])
            assert unit == probe.wire_unit
            assert value == sent[probe.name]
            assert isinstance(value, bool) is probe.is_switch


def test_a_time_between_two_seconds_keeps_its_microseconds() -> None:
    pack = packs()[0]._replace(time_us=1_767_225_600_123_456)
    records, _, _ = read(senml("harbour-hall", pack), START_US)
    assert records[0][2] == 1_767_225_600_123_456


def test_topics() -> None:
    assert readings_topic("root", "hall", "node") == "root/hall/node/readings"
    assert connection_topic("root", "hall", "node") == "root/hall/node/connection"


def test_the_connection_message_and_the_will() -> None:
    told = json.loads(connection(True, "mains", START_US))
    assert told == {"connected": True, "since": "2026-01-01T00:00:00Z", "power": "mains"}
    assert json.loads(connection(False, "battery")) == {"connected": False, "power": "battery"}


@pytest.mark.parametrize("time_us", [START_US, START_US + 1, START_US + 500_000, 0])
def test_times_come_back_from_their_text(time_us: int) -> None:
    assert from_rfc3339(rfc3339(time_us)) == time_us
