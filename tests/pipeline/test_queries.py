"""What API, page and command line are told, from a real file."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from support.web_harbour import FLOW, HIGH, LEAK, LEVEL, NO_FLOW, NOON, RAISED, SILENT, WET, Harbour

from weirwatch.domain.alarm import Alarm, AlarmState, ServiceState
from weirwatch.domain.errors import UnknownChannel, UnknownFailure, UnknownRule
from weirwatch.domain.instant import SECOND, to_rfc3339
from weirwatch.domain.reading import Channel
from weirwatch.pipeline import queries
from weirwatch.pipeline.shapes import Json
from weirwatch.ports import Archive
from weirwatch.settings import Settings


@pytest.fixture
def harbour(tmp_path: Path) -> Iterator[Harbour]:
    made = Harbour(tmp_path)
    yield made
    made.close()


def alarm_ids(harbour: Harbour, *states: AlarmState) -> list[str]:
    found = queries.alarms_json(harbour.archive, harbour.settings, harbour.catalogue, states)
    assert found["next"] is None
    return [alarm["id"] for alarm in found["items"]]


def test_every_rule_has_an_alarm_even_before_its_first_event(harbour: Harbour) -> None:
    assert sorted(alarm_ids(harbour)) == sorted(rule.id for rule in harbour.settings.rules)
    alarm = queries.alarm_of(harbour.archive, harbour.settings, harbour.catalogue, HIGH.id)
    assert alarm["state"] == "normal"
    assert alarm["service_state"] == "in-service"
    assert alarm["raised_at"] is None


def test_the_most_urgent_alarm_comes_first_and_the_silenced_ones_late(harbour: Harbour) -> None:
    harbour.set_alarm(RAISED)
    harbour.set_alarm(replace(RAISED, rule=NO_FLOW.id))
    harbour.set_alarm(replace(RAISED, rule=WET.id, service_state=ServiceState.SHELVED))
    harbour.set_alarm(replace(RAISED, rule="broker-lost", state=AlarmState.ACKNOWLEDGED))
    assert alarm_ids(harbour) == [
        NO_FLOW.id,  # critical before high
        HIGH.id,
        "broker-lost",
        WET.id,  # shelved: after what may sound, before what is normal
        "node-offline/hall-node",
    ]


def test_alarms_can_be_asked_for_by_state(harbour: Harbour) -> None:
    harbour.set_alarm(RAISED)
    harbour.set_alarm(Alarm(NO_FLOW.id, state=AlarmState.LATCHED_ACKNOWLEDGED))
    assert alarm_ids(harbour, AlarmState.UNACKNOWLEDGED) == [HIGH.id]
    both = alarm_ids(harbour, AlarmState.LATCHED_ACKNOWLEDGED, AlarmState.UNACKNOWLEDGED)
    assert both == [HIGH.id, NO_FLOW.id]
    assert alarm_ids(harbour, AlarmState.ACKNOWLEDGED) == []


def test_a_rule_that_is_not_there_is_an_error(harbour: Harbour) -> None:
    with pytest.raises(UnknownRule, match="sump-level-hihg"):
        queries.alarm_of(harbour.archive, harbour.settings, harbour.catalogue, "sump-level-hihg")


def test_channels_tell_newest_value_and_age_and_former_ones_come_last(harbour: Harbour) -> None:
    harbour.add_readings(LEVEL, {NOON - 12 * SECOND: 212.0, NOON - 7_500_000: 213.5})
    found = queries.channels_json(harbour.archive, harbour.settings, NOON)["items"]
    assert [c["id"] for c in found][:4] == [LEVEL.id, FLOW.id, LEAK.id, SILENT.id]
    assert found[0] | {"value": 213.5, "age_s": 7.5, "quality": "good"} == found[0]
    assert found[0]["time"] == to_rfc3339(NOON - 7_500_000)
    assert (found[0]["unit"], found[0]["vessel"], found[0]["title"]) == ("mm", "sump", "Sump level")
    assert (found[0]["expected_every_s"], found[0]["silent_after_s"]) == (5.0, 15.0)
    assert found[3] | {"value": None, "age_s": None, "quality": None, "time": None} == found[3]
    assert [c["configured"] for c in found] == [True, True, True, True, False]
    assert found[4]["id"] == "harbour-hall/old-node/ph"


def test_a_reading_slightly_ahead_of_the_clock_has_no_negative_age(harbour: Harbour) -> None:
    harbour.add_readings(LEVEL, {NOON + SECOND: 212.0})
    assert queries.channels_json(harbour.archive, harbour.settings, NOON)["items"][0]["age_s"] == 0


def test_series_has_min_mean_max_and_count_and_gaps_stay_gaps(harbour: Harbour) -> None:
    harbour.add_readings(LEVEL, {NOON: 10.0, NOON + SECOND: 20.0, NOON + 30 * SECOND: 40.0})
    several = queries.series_json(
        harbour.archive, harbour.settings, [LEVEL.id], NOON, NOON + 40 * SECOND, 4
    )
    assert queries.series_of_one(several) == {
        "channel": LEVEL.id,
        "unit": "mm",
        "from": "2026-05-01T12:00:00Z",
        "to": "2026-05-01T12:00:40Z",
        "items": [
            {
                "start": "2026-05-01T12:00:00Z",
                "end": "2026-05-01T12:00:10Z",
                "min": 10.0,
                "mean": 15.0,
                "max": 20.0,
                "count": 2,
                "first": 10.0,
                "last": 20.0,
            },
            {
                "start": "2026-05-01T12:00:30Z",
                "end": "2026-05-01T12:00:40Z",
                "min": 40.0,
                "mean": 40.0,
                "max": 40.0,
                "count": 1,
                "first": 40.0,
                "last": 40.0,
            },
        ],
        "next": None,
    }


def test_pages_of_readings_join_to_the_whole_without_doubles(harbour: Harbour) -> None:
    times = [NOON + n * SECOND for n in range(25)]
    harbour.add_readings(LEVEL, {time: float(n) for n, time in enumerate(times)})
    seen: list[str] = []
    cursor = None
    pages = 0
    while cursor is not None or pages == 0:
        page = queries.readings_json(
            harbour.archive,
            harbour.settings,
            LEVEL.id,
            NOON,
            NOON + 20 * SECOND,
            cursor=cursor,
            limit=10,
        )
        seen += [reading["time"] for reading in page["items"]]
        cursor = page["next"]
        pages += 1
    assert pages == 2, "a last page that is full has no successor"
    assert seen == [to_rfc3339(time) for time in times[:20]]


def series_of(archive: Archive, settings: Settings, channel: str, *span: int) -> Json:
    return queries.series_of_one(queries.series_json(archive, settings, [channel], *span))


def test_several_channels_have_one_grid_and_a_weighted_mean_where_asked(harbour: Harbour) -> None:
    harbour.add_readings(LEVEL, {NOON: 10.0, NOON + 9 * SECOND: 20.0, NOON + 30 * SECOND: 40.0})
    harbour.add_readings(FLOW, {NOON + 12 * SECOND: 7000.0})
    found = queries.series_json(
        harbour.archive,
        harbour.settings,
        [FLOW.id, SILENT.id, LEVEL.id],
        NOON,
        NOON + 40 * SECOND,
        4,
        weighted=True,
    )
    assert [(one["channel"], one["unit"]) for one in found["items"]] == [
        (FLOW.id, "L/h"),
        (SILENT.id, "Cel"),
        (LEVEL.id, "mm"),
    ]
    told = [
        [(b["start"][-4:-1], b["mean"], b["time_mean"]) for b in one["items"]]
        for one in found["items"]
    ]
    # By hand: 10 mm for 9 s, 20 mm for 1 s. The level is silent after 15 s: 20 mm until 24 s.
    assert told == [
        [(":10", 7000.0, 7000.0)],
        [],
        [(":00", 15.0, 11.0), (":30", 40.0, 40.0)],
    ]


@pytest.mark.parametrize("ask", [series_of, queries.readings_json])
def test_history_knows_which_channels_there_are(harbour: Harbour, ask: object) -> None:
    assert callable(ask)
    more = (10,) if ask is series_of else ()
    span = (NOON, NOON + SECOND, *more)
    assert ask(harbour.archive, harbour.settings, SILENT.id, *span)["items"] == []
    assert ask(harbour.archive, harbour.settings, "harbour-hall/old-node/ph", *span)["items"] == []
    with pytest.raises(UnknownChannel, match="harbour-hall/x/y"):
        ask(harbour.archive, harbour.settings, "harbour-hall/x/y", *span)
    backwards = (NOON + SECOND, NOON, *more)
    assert ask(harbour.archive, harbour.settings, LEVEL.id, *backwards)["items"] == []


def test_a_channel_that_was_only_just_configured_is_empty(harbour: Harbour) -> None:
    new = Channel("harbour-hall/hall-node/ph", "ph", "pH")
    settings = replace(harbour.settings, channels=(*harbour.settings.channels, new))
    span = (NOON, NOON + SECOND)
    assert series_of(harbour.archive, settings, new.id, *span, 10)["items"] == []
    assert queries.readings_json(harbour.archive, settings, new.id, *span)["items"] == []


def test_events_come_in_commit_order_page_by_page(harbour: Harbour) -> None:
    harbour.furnish()
    first = queries.events_json(harbour.archive, limit=20)
    second = queries.events_json(harbour.archive, cursor=first["next"], limit=20)
    assert [event["seq"] for event in first["items"]] == list(range(1, 21))
    assert [event["seq"] for event in second["items"]] == list(range(21, 31))
    assert second["next"] is None
    start = NOON - 60 * SECOND + 10
    some = queries.events_json(harbour.archive, start, start + 5)
    assert [event["seq"] for event in some["items"]] == [11, 12, 13, 14, 15]
    assert queries.events_json(harbour.archive, start + 5, start)["items"] == []


@pytest.mark.parametrize("cursor", ["", "x", "-1", "1.0", "1_0", "٣", "9" * 19])
def test_a_cursor_that_is_none_is_refused(harbour: Harbour, cursor: str) -> None:
    with pytest.raises(ValueError, match="cursor"):
        queries.events_json(harbour.archive, cursor=cursor)
    with pytest.raises(ValueError, match="cursor"):
        queries.notices_json(harbour.archive, cursor=cursor)


def test_notices_tell_how_delivery_stands(harbour: Harbour) -> None:
    harbour.furnish()
    first = queries.notices_json(harbour.archive, limit=1)
    assert first["items"][0]["id"] == "29-console"
    assert first["items"][0]["next_try"] == "2026-05-01T12:00:01Z"
    rest = queries.notices_json(harbour.archive, cursor=first["next"], limit=1)
    assert [notice["id"] for notice in rest["items"]] == ["30-console"]
    assert rest["next"] is None


def test_a_system_tells_vessels_nodes_and_how_its_alarms_stand(harbour: Harbour) -> None:
    harbour.furnish()
    harbour.set_alarm(replace(RAISED, rule=WET.id, service_state=ServiceState.SHELVED))
    (system,) = queries.systems_json(harbour.archive, harbour.settings)["items"]
    assert (system["id"], system["title"], system["channels"]) == (
        "harbour-hall",
        "Harbour Hall",
        4,
    )
    assert [vessel["id"] for vessel in system["vessels"]] == ["north", "sump"]
    assert system["nodes"] == [
        {
            "id": "harbour-hall/sump-node",
            "connected": True,
            "since": "2026-05-01T11:45:00Z",
            "power": "mains",
        }
    ]
    assert system["alarms"] == {"standing": 1, "unacknowledged": 1, "highest_priority": "high"}


def test_a_system_without_a_plant_has_no_vessels(harbour: Harbour) -> None:
    settings = replace(harbour.settings, plant=None)
    assert queries.systems_json(harbour.archive, settings)["items"][0]["vessels"] == []


def test_failures_carry_their_cards(harbour: Harbour) -> None:
    listed = queries.failures_json(harbour.catalogue)["items"]
    assert [failure["id"] for failure in listed] == list(harbour.catalogue.failures)
    one = queries.failure_of(harbour.catalogue, "floor-leak")
    assert one in listed
    assert one["bold"] is True
    assert one["safety_card"]["first_line"].startswith("Stay out if the floor is wet.")
    with pytest.raises(UnknownFailure, match="kraken"):
        queries.failure_of(harbour.catalogue, "kraken")
