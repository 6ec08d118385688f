import json
import struct
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from support.wire import CHANNELS, CONNECTION, NOW, READINGS, ROOT, TAPS, make_codec, message

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND, from_rfc3339
from weirwatch.domain.reading import Quality, Reading
from weirwatch.ingest.codec import Codec
from weirwatch.ports import Decoder
from weirwatch.settings import TapSettings

GOLDEN = sorted((Path(__file__).parents[1] / "wire" / "messages").glob("*.json"))


def payload_of(golden: dict[str, Any]) -> str:
    return golden["text"] if "text" in golden else json.dumps(golden["payload"])


@pytest.mark.parametrize("path", GOLDEN, ids=lambda path: path.stem)
def test_golden_message(path: Path) -> None:
    golden = json.loads(path.read_text())
    retained = golden.get("retained", False)
    decoded = make_codec().decode(
        message(golden["topic"], payload_of(golden), retained=retained), NOW
    )
    assert [problem.code for problem in decoded.quarantined] == golden["quarantined"]
    assert [(r.channel, r.time, r.quality.word) for r in decoded.readings] == [
        (channel, from_rfc3339(time), (rest or ["good"])[0])
        for channel, time, _, *rest in golden["readings"]
    ]
    values = [value for _, _, value, *_ in golden["readings"]]
    assert [reading.value for reading in decoded.readings] == pytest.approx(values, rel=1e-12)
    assert all(type(reading.value) is float for reading in decoded.readings)
    node = decoded.node
    told = node and [node.node, node.connected, node.since, node.power]
    expected = golden.get("node")
    assert told == (expected and [*expected[:2], from_rfc3339(expected[2]), expected[3]])


def test_there_are_golden_messages() -> None:
    assert len(GOLDEN) > 35


@pytest.mark.parametrize("path", GOLDEN, ids=lambda path: path.stem)
def test_every_reason_is_one_sentence_for_people(path: Path) -> None:
    golden = json.loads(path.read_text())
    decoded = make_codec().decode(message(golden["topic"], payload_of(golden)), NOW)
    for problem in decoded.quarantined:
        assert problem.topic == golden["topic"]
        assert problem.received == NOW
        assert problem.payload == payload_of(golden).encode()
        assert 10 < len(problem.reason) < 300
        assert "\n" not in problem.reason


@pytest.mark.parametrize(
    ("payload", "cure"),
    [
        ('[{"n":"temperature","u":"°C","v":25}]', "write 'Cel'"),
        ('[{"n":"level","u":"V","v":25}]', "(voltage) cannot become 'mm' (length); or send no u"),
        ('[{"n":"levle","v":25}]', "no channel harbour-hall/sump-node/levle in the configuration"),
        ('[{"n":"level","v":25,"t":1777636798000}]', "looks like milliseconds: send seconds"),
        ('[{"n":"level","v":25,"t":1777646798}]', "set the node's clock"),
        ('[{"n":"level","v":25,"t":315532800}]', "is before 2000: set the node's clock"),
        ('[{"n":"level","v":25,"t":1e30}]', "too far ahead"),
        ('{"n":"level","v":25}', "put [ ] around it"),
        ('[{"n":"level","v":"25"}]', "send a number"),
    ],
)
def test_the_reason_names_the_cure(payload: str, cure: str) -> None:
    decoded = make_codec().decode(message(READINGS, payload), NOW)
    assert len(decoded.quarantined) == 1
    assert cure in decoded.quarantined[0].reason


def test_exact_edges_of_time() -> None:
    codec = make_codec()
    for seconds, codes in ((60, []), (60.000001, ["in-the-future"])):
        t = NOW / SECOND + seconds
        decoded = codec.decode(message(READINGS, f'[{{"n":"level","v":1,"t":{t:.6f}}}]'), NOW)
        assert [problem.code for problem in decoded.quarantined] == codes
    for t, codes in ((946684800, []), (946684799, ["ancient"])):
        decoded = codec.decode(message(READINGS, f'[{{"n":"level","v":1,"t":{t}}}]'), NOW)
        assert [problem.code for problem in decoded.quarantined] == codes


def test_an_untrusted_clock_does_not_judge_the_future() -> None:
    codec = make_codec()
    ahead = message(READINGS, '[{"n":"level","v":1,"t":1777723200}]')  # a day ahead of NOW
    assert [q.code for q in codec.decode(ahead, NOW).quarantined] == ["in-the-future"]
    codec.trust_clock = False
    assert codec.decode(ahead, NOW).readings[0].time == 1_777_723_200 * SECOND
    absurd = message(READINGS, '[{"n":"level","v":1,"t":5000000000}]')
    assert [q.code for q in codec.decode(absurd, NOW).quarantined] == ["in-the-future"]


def test_a_board_that_boots_in_1970_keeps_its_readings() -> None:
    early = message(READINGS, '[{"n":"level","v":1}]', received=5 * SECOND)
    assert make_codec().decode(early, 5 * SECOND).readings == [
        Reading("harbour-hall/sump-node/level", 5 * SECOND, 1.0)
    ]


def test_a_retained_reading_says_why_it_is_uncertain() -> None:
    retained = message(READINGS, '[{"n":"level","v":1}]', retained=True)
    reading = make_codec().decode(retained, NOW).readings[0]
    assert (reading.quality, reading.reason) == (Quality.UNCERTAIN, "retained value")


def test_too_large_payloads() -> None:
    codec = make_codec()
    for topic in (READINGS, CONNECTION, "bench/floor"):
        decoded = codec.decode(message(topic, b" " * (64 * 1024 + 1)), NOW)
        assert [q.code for q in decoded.quarantined] == ["too-large"]
        assert len(decoded.quarantined[0].payload) == 4096
    fits = b'[{"n":"level","v":1}' + b" " * (64 * 1024 - 21) + b"]"
    assert len(codec.decode(message(READINGS, fits), NOW).readings) == 1


def test_one_entry_a_code_however_many_records() -> None:
    pack = [{"n": f"x{i}", "v": 1} for i in range(500)] + [{"n": "level", "v": None}]
    decoded = make_codec().decode(message(READINGS, json.dumps(pack)), NOW)
    assert [q.code for q in decoded.quarantined] == ["unknown-channel", "not-a-number"]
    assert "and 497 more" in decoded.quarantined[0].reason


def test_conversion_beyond_a_float_is_refused() -> None:
    decoded = make_codec().decode(message(READINGS, '[{"n":"level","u":"km","v":1e308}]'), NOW)
    assert [q.code for q in decoded.quarantined] == ["not-a-number"]
    assert decoded.readings == []


def test_sums_are_counted() -> None:
    codec = make_codec()
    codec.decode(message(READINGS, '[{"n":"level","s":5},{"n":"ph","v":8,"s":1}]'), NOW)
    assert codec.counters() == {"sums_ignored": 2}


def test_a_tap_may_also_take_a_nodes_own_topic() -> None:
    tap = TapSettings(READINGS, "harbour-hall/bench-node/room-co2", pointer="/0/v")
    codec = Codec(CHANNELS, (tap,), ROOT, 60 * SECOND)
    decoded = codec.decode(message(READINGS, '[{"n":"level","v":7}]'), NOW)
    assert {reading.channel.rsplit("/", 1)[1] for reading in decoded.readings} == {
        "level",
        "room-co2",
    }


def test_many_topics_do_not_fill_the_memory() -> None:
    codec = Codec(CHANNELS, (TapSettings("many/+", CHANNELS[0].id),), ROOT, 60 * SECOND)
    for number in range(5000):
        assert codec.decode(message(f"many/{number}", "1"), NOW).readings
    assert len(codec._handlers) <= 4096


@pytest.mark.parametrize(
    ("tap", "words"),
    [
        (TapSettings("t", "harbour-hall/no/channel"), "no channel 'harbour-hall/no/channel'"),
        (TapSettings("t", CHANNELS[0].id, pointer="value"), "is not a JSON Pointer"),
        (TapSettings("t", CHANNELS[0].id, time_pointer="a"), "is not a JSON Pointer"),
        (TapSettings("t", CHANNELS[0].id, unit="V"), "'V' (voltage) cannot become 'mm' (length)"),
    ],
)
def test_a_wrong_tap_is_refused_at_the_start(tap: TapSettings, words: str) -> None:
    with pytest.raises(ConfigError) as caught:
        Codec(CHANNELS, (tap,), ROOT, 60 * SECOND)
    assert words in str(caught.value)


def test_it_is_a_decoder() -> None:
    decoder: Decoder = make_codec()
    assert decoder.trust_clock


TOPICS = st.sampled_from(
    [READINGS, CONNECTION, "bench/floor", "bench/valve", "bench/a/report", "bench/reservoir",
     "bench/room/fahrenheit", "weirwatch//x/readings", "", "x/#"]
)  # fmt: skip
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4)
    | st.dictionaries(
        st.sampled_from(
            ["n", "v", "vb", "vs", "vd", "t", "u", "bn", "bt", "bu", "bv", "bs", "s", "bver",
             "x_", "connected", "since", "power", "time", "probes", "value", "co2"]
        ),
        inner | st.sampled_from(["level", "temperature", "mm", "2026-05-01T12:00:00Z"]),
        max_size=5,
    ),
    max_leaves=12,
)  # fmt: skip


def check_decoded(codec: Codec, topic: str, payload: bytes) -> None:
    decoded = codec.decode(message(topic, payload), NOW)
    assert "codec-error" not in [problem.code for problem in decoded.quarantined]
    ids = {channel.id for channel in CHANNELS}
    for reading in decoded.readings:
        assert reading.channel in ids
        assert struct.pack(">d", reading.value)
        assert reading.value - reading.value == 0.0
        assert reading.time <= NOW + 60 * SECOND
    # Nothing is dropped in silence.
    assert (
        decoded.readings or decoded.node or decoded.quarantined or codec.counters()["sums_ignored"]
    )


@given(TOPICS, st.binary(max_size=200))
@example(READINGS, b"\x81" * 5000)
@example(READINGS, b"[" * 60000)
@example("bench/a/report", b"[" * 60000)
@example("bench/a/report", b'{"a":' * 10000)
@example(READINGS, b"\xd9\xd9\xf7")
@example(READINGS, bytes.fromhex("81a200616102c4821a7fffffff01"))
@example(READINGS, bytes.fromhex("81a200616102c5821b7fffffffffffffff01"))
@example("bench/room/fahrenheit", b"1" * 5000)
@example("bench/a/report", b'{"co2":' + b"1" * 5000 + b"}")
@example(CONNECTION, b'{"connected":true,"since":' + b"1" * 5000 + b"}")
def test_arbitrary_bytes_never_raise(topic: str, payload: bytes) -> None:
    check_decoded(make_codec(), topic, payload)


@settings(max_examples=300)
@given(TOPICS, JSON)
def test_arbitrary_json_never_raises(topic: str, document: object) -> None:
    check_decoded(make_codec(), topic, json.dumps(document).encode())


@given(st.lists(JSON, min_size=1, max_size=4))
def test_arbitrary_packs_never_raise(pack: list[object]) -> None:
    check_decoded(make_codec(), READINGS, json.dumps(pack).encode())


def test_taps_are_in_the_fixture() -> None:
    assert len(TAPS) >= 6


def test_a_fault_of_our_own_is_quarantined_and_logged(caplog: pytest.LogCaptureFixture) -> None:
    class Broken:
        def take(self, _: object) -> None:
            raise RuntimeError("as a fault of ours would")

    codec = make_codec()
    codec._handlers[READINGS] = (Broken(),)
    decoded = codec.decode(message(READINGS, "[]"), NOW)
    assert [q.code for q in decoded.quarantined] == ["codec-error"]
    assert "as a fault of ours would" in caplog.text


@pytest.mark.parametrize(
    ("told", "codes"),
    [
        ({"connected": True, "since": 1}, ["ancient"]),
        ({"connected": True, "since": 4102444801}, ["in-the-future"]),
        ({"connected": True, "since": True}, ["bad-since"]),
        ({"connected": True, "since": 1e300}, ["bad-since"]),
        ({"connected": True, "since": "2026-05-01T12:00:00"}, ["bad-since"]),
        ({"connected": True, "power": "solar"}, ["bad-power"]),
        ({"connected": True, "power": []}, ["bad-power"]),
    ],
)
def test_a_node_state_stands_whatever_else_is_wrong(
    told: dict[str, object], codes: list[str]
) -> None:
    decoded = make_codec().decode(message(CONNECTION, json.dumps(told)), NOW)
    assert decoded.node is not None
    assert decoded.node.connected
    assert decoded.node.since == NOW
    assert decoded.node.power == ""
    assert [q.code for q in decoded.quarantined] == codes


@pytest.mark.parametrize(
    ("payload", "codes"),
    [
        (b"\xff", ["not-json"]),
        (b"1_000", ["not-a-number"]),
        (b"nan", ["not-a-number"]),
        (b"1e999", ["not-a-number"]),
        (b"", ["not-a-number"]),
        (b"21.5 C", ["not-a-number"]),
        (b"\xef\xbb\xbf+77\x00", []),
    ],
)
def test_plain_numbers_of_a_tap(payload: bytes, codes: list[str]) -> None:
    decoded = make_codec().decode(message("bench/room/fahrenheit", payload), NOW)
    assert [q.code for q in decoded.quarantined] == codes
    assert [r.value for r in decoded.readings] == ([] if codes else [25.0])


@pytest.mark.parametrize(
    ("document", "codes"),
    [
        ({"co2": "640"}, ["pointer-missing"]),
        ({"co2": True}, ["pointer-missing", "not-a-number"]),
        ({"co2": None}, ["pointer-missing", "not-a-number"]),
        ({"co2": [1]}, ["pointer-missing", "not-a-number"]),
        ({"co2": 1, "probes": [{"value": 20}], "time": "noon"}, ["bad-time"]),
        ({"co2": 1, "probes": [{"value": 20}], "time": 12}, ["ancient"]),
    ],
)
def test_json_values_of_a_tap(document: dict[str, object], codes: list[str]) -> None:
    decoded = make_codec().decode(message("bench/a/report", json.dumps(document)), NOW)
    assert [q.code for q in decoded.quarantined] == codes
