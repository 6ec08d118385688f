import json
import math
from pathlib import Path
from typing import Any

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from weirwatch.domain.instant import SECOND, Micros, from_rfc3339
from weirwatch.ingest import senml
from weirwatch.ingest.payload import load_pack

GOLDEN = sorted((Path(__file__).parents[1] / "wire" / "senml").glob("*.json"))
NOW = from_rfc3339("2026-05-01T12:00:00Z")


def payload_of(golden: dict[str, Any]) -> bytes:
    if "payload_hex" in golden:
        return bytes.fromhex(golden["payload_hex"])
    return json.dumps(golden["payload"]).encode()


@pytest.mark.parametrize("path", GOLDEN, ids=lambda path: path.stem)
def test_golden_vector(path: Path) -> None:
    golden = json.loads(path.read_text())
    pack = senml.read(payload_of(golden), from_rfc3339(golden["received"]))
    got = [[name, unit, time, value] for name, unit, time, value in pack.records]
    expected = [[n, u, from_rfc3339(t), value] for n, u, t, value in golden["records"]]
    assert got == expected
    assert [type(record[3]) for record in got] == [type(record[3]) for record in expected]
    assert [problem.code for problem in pack.problems] == golden["problems"]
    assert pack.sums == golden.get("sums", 0)


@pytest.mark.parametrize("path", GOLDEN, ids=lambda path: path.stem)
def test_golden_vector_in_cbor(path: Path) -> None:
    golden = json.loads(path.read_text())
    if not isinstance(golden.get("payload"), list):
        return  # a vector of JSON's outer form, or in CBOR already
    labels = {"bver": -1, "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6, "n": 0, "u": 1}
    labels |= {"v": 2, "vs": 3, "vb": 4, "s": 5, "t": 6, "ut": 7, "vd": 8}
    payload = cbor2.dumps(
        [{labels.get(label, label): v for label, v in raw.items()} for raw in golden["payload"]]
    )
    now = from_rfc3339(golden["received"])
    assert senml.read(payload, now) == senml.read(payload_of(golden), now)
    tagged = b"\xd9\xd9\xf7" + payload
    assert senml.read(tagged, now) == senml.read(payload, now)


def test_there_are_golden_vectors() -> None:
    assert len(GOLDEN) > 15


def test_smallest_absolute_time() -> None:
    # RFC 8428, 4.5.3: 2^28 s is 1978-07-04T21:24:16Z
    pack = senml.read(b'[{"n":"a","v":1,"t":268435456},{"n":"a","v":2,"t":268435455}]', NOW)
    assert pack.records[0][2] == from_rfc3339("1978-07-04T21:24:16Z")
    assert pack.records[1][2] == NOW + 268_435_455 * SECOND


def test_decimal_fraction_of_cbor() -> None:
    # RFC 8428, 6: numbers may be decimal fractions; RFC 8949, 3.4.4: 273.15 is c48221196ab3
    payload = bytes.fromhex("81a200616102c48221196ab3")
    assert senml.read(payload, NOW).records == [("a", "", NOW, 273.15)]


@pytest.mark.parametrize("text", ["NaN", "Infinity", "-Infinity", "1e999", "1" * 400])
def test_not_finite_spoils_only_its_record(text: str) -> None:
    payload = f'[{{"n":"a","v":{text}}},{{"n":"b","v":1}}]'.encode()
    pack = senml.read(payload, NOW)
    assert pack.records == [("b", "", NOW, 1.0)]
    assert [problem.code for problem in pack.problems] == ["not-a-number"]


def test_not_finite_in_cbor() -> None:
    pack = senml.read(cbor2.dumps([{0: "a", 2: math.nan}, {0: "b", 2: 1}]), NOW)
    assert pack.records == [("b", "", NOW, 1.0)]
    assert pack.problems[0].code == "not-a-number"


@pytest.mark.parametrize(
    ("raw", "code"),
    [
        ({"n": "a", "v": 1, "t": "now"}, "bad-field"),
        ({"n": "a", "v": 1, "t": True}, "bad-field"),
        ({"n": "a", "v": 1, "ut": "x"}, "bad-field"),
        ({"n": "a", "v": 1, "u": 5}, "bad-field"),
        ({"n": 5, "v": 1}, "bad-field"),
        ({"n": "a", "vb": 1}, "bad-field"),
        ({"n": "a", "vs": 1}, "bad-field"),
        ({"n": "a", "vs": "x", "vd": "y"}, "bad-field"),
        ({"n": "a", "v": [1]}, "not-a-number"),
        ([], "not-senml"),
        (None, "not-senml"),
        ("text", "not-senml"),
    ],
)
def test_one_bad_record_leaves_the_others(raw: object, code: str) -> None:
    pack = senml.resolve([{"n": "x", "v": 1}, raw, {"n": "y", "v": 2}], NOW)
    assert [record[0] for record in pack.records] == ["x", "y"]
    assert [problem.code for problem in pack.problems] == [code]
    assert pack.problems[0].reason


@pytest.mark.parametrize("label", ["bt", "bv", "bs", "bn", "bu"])
@pytest.mark.parametrize("value", [None, [], {}, True])
def test_a_bad_base_field_spoils_the_rest(label: str, value: object) -> None:
    pack = senml.resolve(
        [{"n": "x", "v": 1}, {label: value, "n": "y", "v": 2}, {"n": "z", "v": 1}], NOW
    )
    assert [record[0] for record in pack.records] == ["x"]
    assert [problem.code for problem in pack.problems] == ["bad-field"]


@pytest.mark.parametrize("version", [0, -1, 11, 27, 10.0, "10", True, None])
def test_versions_that_are_not_known(version: object) -> None:
    pack = senml.resolve([{"n": "x", "v": 1}, {"bver": version, "n": "y", "v": 2}], NOW)
    assert pack.records == []
    assert [problem.code for problem in pack.problems] == ["unknown-version"]


def test_times_beyond_reason_do_not_overflow() -> None:
    pack = senml.read(b'[{"n":"a","v":1,"t":1e308},{"n":"b","v":1,"t":-1e308}]', NOW)
    assert [record[0] for record in pack.records] == ["b", "a"]
    infinite = [{"bt": 1e308, "n": "a", "v": 1, "t": 1e308}]
    assert senml.read(json.dumps(infinite).encode(), NOW) == senml.resolve(infinite, NOW)
    assert senml.resolve(infinite, NOW).records[0][2] > 10**23
    same = senml.resolve(load_pack(b'[{"n":"a","v":1,"t":1e308},{"n":"b","v":1,"t":-1e308}]'), NOW)
    assert same == pack


def test_too_many_records() -> None:
    full = [{"n": "a", "v": 1}] * senml.MAX_RECORDS
    assert len(senml.read(json.dumps(full).encode(), NOW).records) == senml.MAX_RECORDS
    for extra in ({"n": "a", "v": 1}, {"n": "a", "vb": True}):
        pack = senml.read(json.dumps([*full, extra]).encode(), NOW)
        assert pack.records == []
        assert [problem.code for problem in pack.problems] == ["too-large"]


@pytest.mark.parametrize(
    "payload", [b"", b"hello", b"[", b"\xff\xfe", b"\x9f", b"\x81" * 5000, b"[" * 5000, b"[nan]"]
)
def test_what_is_no_pack_at_all(payload: bytes) -> None:
    pack = senml.read(payload, NOW)
    assert pack.records == []
    assert [problem.code for problem in pack.problems] == ["not-senml"]
    assert "\n" not in pack.problems[0].reason


NUMBERS = st.integers(-(10**12), 10**12) | st.floats(allow_nan=False, allow_infinity=False)
PLAIN_RECORD = st.fixed_dictionaries(
    {"n": st.sampled_from(["a", "b/c", "", "-x", "ü"])},
    optional={
        "vb": st.booleans() | st.none(),
        "t": NUMBERS,
        "u": st.sampled_from(["Cel", ""]),
        "bn": st.sampled_from(["x-", "", "_"]),
        "bt": NUMBERS,
        "bu": st.sampled_from(["K", ""]),
    },
)
WITH_VALUE = st.fixed_dictionaries({"v": NUMBERS})


@given(
    st.lists(
        PLAIN_RECORD | st.builds(dict.__or__, PLAIN_RECORD, WITH_VALUE), min_size=1, max_size=5
    ),
    st.integers(0, 2 * 10**15),
)
def test_the_short_cut_is_the_rule(pack: list[dict[str, Any]], now: Micros) -> None:
    payload = json.dumps(pack).encode()
    # true == 1.0 in Python, so as text
    assert repr(senml.read(payload, now)) == repr(senml.resolve(pack, now))


def test_plain_packs_take_the_short_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(senml, "load_pack", lambda _: pytest.fail("the long way"))
    pack = [{"bn": "a/", "bt": 1.7e9, "n": "x", "u": "Cel", "v": 1}, {"n": "y", "vb": False}]
    records, problems, _ = senml.read(json.dumps(pack).encode(), NOW)
    assert [(name, value) for name, _, _, value in records] == [("a/x", 1.0), ("a/y", False)]
    assert problems == []
