"""docs/wire.md: its examples are the golden messages, its tables name what exists and no other."""

import ast
import json
import re
from pathlib import Path

import pytest
from support.wire import NOW, make_codec, message

from weirwatch.domain.quantity import convert, dimension, known_units
from weirwatch.ingest import payload, senml
from weirwatch.settings import TapSettings

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "docs" / "wire.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"<!-- wire: (\S+) -->\n```(json|text)\n(.*?)\n```", TEXT, re.DOTALL)
SOURCES = sorted((ROOT / "services" / "weirwatch" / "ingest").glob("*.py"))


def section(title: str) -> str:
    """Return the text under a heading, up to the next one."""
    return TEXT.split(f"# {title}\n", 1)[1].split("\n## ", 1)[0].split("\n### ", 1)[0]


def first_column(text: str) -> list[str]:
    return [row for row in re.findall(r"^\| (.+?) \|", text, re.MULTILINE) if row[0] != "-"]


@pytest.mark.parametrize(("name", "kind", "shown"), EXAMPLES, ids=[name for name, *_ in EXAMPLES])
def test_example_is_the_golden_message(name: str, kind: str, shown: str) -> None:
    golden = json.loads((ROOT / "tests" / "wire" / "messages" / f"{name}.json").read_text())
    if kind == "json":
        assert json.loads(shown) == golden["payload"]
    else:
        assert shown == golden["text"].strip()
    decoded = make_codec().decode(message(golden["topic"], shown), NOW)
    assert [problem.code for problem in decoded.quarantined] == golden["quarantined"]
    assert len(decoded.readings) == len(golden["readings"])


def test_every_block_is_an_example() -> None:
    assert len(EXAMPLES) > 10
    assert len(re.findall(r"^```\w", TEXT, re.MULTILINE)) == len(EXAMPLES)


def test_every_code_is_documented_and_every_documented_one_exists() -> None:
    carriers = {"trouble", "_Unusable", "_NoValue", "Problem"}
    found = set()
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and node.args:
                called = node.func.attr if isinstance(node.func, ast.Attribute) else ""
                called = node.func.id if isinstance(node.func, ast.Name) else called
                if called in carriers:
                    found |= {
                        word.value
                        for word in ast.walk(node.args[0])
                        if isinstance(word, ast.Constant) and isinstance(word.value, str)
                    }
    found -= {"readings"}  # the kind of topic that one code depends on
    documented = re.findall(r"^\| `([a-z-]+)` \|", section("What goes wrong"), re.MULTILINE)
    assert sorted(documented) == sorted(found)


def test_every_unit_is_documented_and_every_documented_one_exists() -> None:
    rows = re.findall(r"^\| ([a-z ]+) \| (`.+`) \|$", section("Units"), re.MULTILINE)
    documented = [unit for _, units in rows for unit in re.findall(r"`([^`]+)`", units)]
    assert sorted(documented) == sorted(known_units())
    for what, units in rows:
        for unit in re.findall(r"`([^`]+)`", units):
            assert dimension(unit) == what
            convert(1.0, unit, units.split("`")[1])


def test_every_key_of_a_tap_is_documented() -> None:
    keys = re.findall(r"`(\w+)`", " ".join(first_column(section("Taps: foreign nodes"))))
    assert sorted(keys) == sorted(TapSettings.__dataclass_fields__)


def test_every_label_of_senml_is_documented() -> None:
    table = " ".join(first_column(section("Readings")))
    assert sorted(re.findall(r"`(\w+)`", table)) == sorted(senml._LABELS)


def test_the_limits_are_those_of_the_code() -> None:
    assert f"{payload.MAX_BYTES // 1024} KiB and {senml.MAX_RECORDS} records" in TEXT
    assert "2^28 (268 435 456)" in TEXT
    assert senml.RELATIVE_BELOW_S == 268_435_456
