"""docs/asyncapi.yaml says what docs/wire.md says; its schemas take what goes over the wire.

Payloads are judged by jsonschema (Draft 2020-12), events also by the SDK of CloudEvents. AsyncAPI's
own schema is in npm's @asyncapi/specs only: `.ci/run` fetches it where there is npm; what this
document uses of AsyncAPI 3.0.0 is checked by hand as well, from the specification.
"""

import json
import os
import re
from pathlib import Path
from typing import Any

import httpx
import pytest
import yaml
from cloudevents.core.formats.json import JSONFormat
from cloudevents.core.v1.event import CloudEvent
from jsonschema import Draft7Validator, Draft202012Validator, FormatChecker
from support.loop_world import LEVEL, RecordingTransport, settings_of
from support.still_clock import NOON
from support.web_world import made_world

from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.alarm import Alarm, AlarmState, Event
from weirwatch.domain.book import make_ready
from weirwatch.domain.engine import start
from weirwatch.domain.rule import RuleBook
from weirwatch.pipeline.news import News
from weirwatch.pipeline.notices import NoticeWriter
from weirwatch.ports import Group
from weirwatch.web.asyncapi import document

ROOT = Path(__file__).parents[2]
DOCUMENT = yaml.safe_load((ROOT / "docs" / "asyncapi.yaml").read_text(encoding="utf-8"))
WIRE = (ROOT / "docs" / "wire.md").read_text(encoding="utf-8")
# Without what is no JSON, and without taps: their shape is the foreign node's own.
GOLDEN = {
    path.stem: golden
    for path in sorted((ROOT / "tests" / "wire" / "messages").glob("*.json"))
    for golden in [json.loads(path.read_text(encoding="utf-8"))]
    if "payload" in golden and golden["topic"].startswith("weirwatch/")
}
# What a schema cannot know is not its business: channels, units, clocks, who is a switch.
SHAPELESS = {"not-senml", "not-connection", "bad-since", "bad-power"}


def validator(payload: str) -> Any:
    schema = {"$ref": f"#/components/schemas/{payload}", "components": DOCUMENT["components"]}
    return Draft202012Validator(schema, format_checker=FormatChecker())


def test_the_page_is_the_document() -> None:
    assert document("weirwatch") == DOCUMENT


def test_the_shape_is_that_of_asyncapi_3() -> None:
    assert DOCUMENT["asyncapi"] == "3.0.0"
    assert {"title", "version"} <= DOCUMENT["info"].keys()
    for name, channel in DOCUMENT["channels"].items():
        used = re.findall(r"\{(\w+)\}", channel["address"])
        assert sorted(used) == sorted(channel.get("parameters", {})), name
    for operation in DOCUMENT["operations"].values():
        assert operation["action"] in ("send", "receive")
        for message in operation["messages"]:
            assert message["$ref"].startswith(operation["channel"]["$ref"] + "/messages/")


def test_asyncapi_s_own_schema_finds_no_fault() -> None:
    path = os.environ.get("WEIRWATCH_ASYNCAPI_SCHEMA")
    if not path:
        pytest.skip(
            "name schemas/3.0.0.json in WEIRWATCH_ASYNCAPI_SCHEMA: npm install @asyncapi/specs"
        )
    judge = Draft7Validator(json.loads(Path(path).read_text(encoding="utf-8")))
    assert list(judge.iter_errors(DOCUMENT)) == []
    assert not judge.is_valid(DOCUMENT | {"operations": {"x": {"action": "shout"}}})


def test_every_reference_leads_somewhere() -> None:
    for place in re.findall(r'"\$ref": "#/([^"]+)"', json.dumps(DOCUMENT)):
        found = DOCUMENT
        for step in place.split("/"):
            found = found[step]
        assert found


def test_every_schema_is_one() -> None:
    for schema in DOCUMENT["components"]["schemas"].values():
        Draft202012Validator.check_schema(schema)


def test_every_topic_of_the_wire_is_there_and_no_other() -> None:
    told = re.findall(r"^\| `(weirwatch/[^`]+)` \| .+? \| (yes|no) \|", WIRE, re.MULTILINE)
    retained = {
        DOCUMENT["channels"][name]["address"]: operation["bindings"]["mqtt"]["retain"]
        for operation in DOCUMENT["operations"].values()
        for name in [operation["channel"]["$ref"].rpartition("/")[2]]
    }
    assert {topic: word == "yes" for topic, word in told} == retained


@pytest.mark.parametrize("name", GOLDEN)
def test_the_schemas_judge_the_golden_messages_as_the_service_does(name: str) -> None:
    golden = GOLDEN[name]
    kind = golden["topic"].rpartition("/")[2]
    schema = {"readings": "SenmlPack", "connection": "NodeConnection"}[kind]
    valid = validator(schema).is_valid(golden["payload"])
    if not golden["quarantined"]:
        assert valid
    elif SHAPELESS & set(golden["quarantined"]):
        assert not valid


def test_what_is_sent_fits_its_schema() -> None:
    settings = settings_of()
    book = make_ready(
        RuleBook(
            {rule.id: rule for rule in settings.rules},
            {channel.id: channel for channel in settings.channels},
            settings.service.time_zone,
        )
    )
    raised = Alarm("sump-high", AlarmState.UNACKNOWLEDGED, raised_at=NOON, value=320.0)
    state = start({"sump-high": raised}, {}, book, NOON, link_up=True)
    transport = RecordingTransport([])
    writer = NoticeWriter(settings, load_catalogue())
    news = News(settings, writer, state, {LEVEL: 1}, transport, lambda _: None, lambda: None)
    event = Event(NOON, "raised", rule="sump-high", channel=LEVEL, to_state="unacknowledged")
    news.committed(Group(events=[(7, event)], alarms={"sump-high": raised}, committed_at=NOON))
    fitting = {"alarm/sump-high": "RetainedAlarm", "event": "AlarmEvent"}
    seen = set()
    for topic, payload, _ in transport.sent:
        place = topic.removeprefix("weirwatch/harbour-hall/")
        errors = list(validator(fitting[place]).iter_errors(json.loads(payload)))
        assert errors == [], place
        seen.add(place)
        if place == "event":
            assert JSONFormat().read(CloudEvent, payload).get_subject() == "sump-high"
    assert seen == fitting.keys()


@pytest.mark.parametrize("wrong", [{"specversion": "0.3"}, {"id": ""}, {"type": "x"}, {"data": {}}])
def test_the_schema_of_events_refuses_what_is_no_cloud_event(wrong: dict[str, Any]) -> None:
    whole = {
        "specversion": "1.0",
        "id": "1",
        "source": "/weirwatch/harbour-hall",
        "type": "org.weirwatch.alarm.raised",
        "subject": "sump-high",
        "time": "2026-05-01T12:00:00Z",
        "datacontenttype": "application/json",
        "data": {},
    }
    assert not validator("AlarmEvent").is_valid(whole | wrong)


def test_it_is_served_with_the_root_in_use(tmp_path: Path) -> None:
    with made_world(tmp_path) as world:
        answer = httpx.get(world.url("/api/v1/asyncapi.json"))
        assert answer.status_code == 200
        assert answer.json() == document(world.harbour.settings.broker.root)
