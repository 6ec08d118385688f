"""How long each channel is kept: what the file says, what is wrong in it, what is doubtful."""

from collections.abc import Callable
from pathlib import Path

import pytest

from weirwatch.config import check, load
from weirwatch.settings import Kept

Write = Callable[[str], Path]

CLASSES = """
[history]
raw_days = 300
hourly_years = 10
[[history.retention]]
quantities = ["flow", "power"]
raw_days = 60
[[history.retention]]
quantities = ["level"]
hourly_years = 3
"""
POWER = """
[[channel]]
id = "hall/power-node/power"
quantity = "power"
unit = "W"
raw_days = 20
"""


def test_a_class_goes_before_history_and_a_channel_before_its_class(
    write: Write, good: str
) -> None:
    kept = load(write(CLASSES + good + POWER)).history.retention
    assert kept.of("hall/sump-node/flow", "flow") == Kept(60, 10)
    assert kept.of("hall/sump-node/level", "level") == Kept(300, 3)
    assert kept.of("hall/power-node/mains", "switch") == Kept(300, 10)
    assert kept.of("hall/power-node/power", "power") == Kept(20, 10)
    assert kept.of("hall/was/here-once", "flow") == Kept(60, 10)


def test_without_a_word_readings_stay_400_days_and_hours_for_ever(write: Write, good: str) -> None:
    assert load(write(good)).history.retention.of("x", "flow") == Kept(400, None)


DERIVED = """
[[channel]]
id = "hall/sump-node/conductivity"
quantity = "conductivity"
unit = "mS/cm"
[[channel]]
id = "hall/sump-node/temperature"
quantity = "temperature"
unit = "Cel"
[[derived]]
id = "hall/sump-node/salinity"
formula = "salinity"
[derived.inputs]
conductivity = "hall/sump-node/conductivity"
temperature = "hall/sump-node/temperature"
[[history.retention]]
quantities = ["salinity"]
raw_days = 3000
"""


def test_a_derived_channel_belongs_to_its_quantity_unless_it_says_so_itself(
    write: Write, good: str
) -> None:
    own = DERIVED.replace('formula = "salinity"', 'formula = "salinity"\nraw_days = 90')
    for text, days in ((DERIVED, 3000), (own, 90)):
        kept = load(write(good + text)).history.retention
        assert kept.of("hall/sump-node/salinity", "salinity").raw_days == days


def test_the_lengths_of_a_derived_channel_must_fit_as_well(write: Write, good: str) -> None:
    short = DERIVED.replace('formula = "salinity"', 'formula = "salinity"\nhourly_years = 1')
    (found,) = check(write(good + short)).errors
    told = 'derived "hall/sump-node/salinity": hourly_years = 1: is not longer than raw_days = 3000'
    assert told in found
    odd = short.replace("hourly_years = 1", "hourly_years = 1\nraw_days = 0")
    (found,) = check(write(good + odd)).errors
    assert 'derived "hall/sump-node/salinity": raw_days = 0: must be 2 or more' in found


def class_of(quantities: str, keys: str) -> str:
    return f"[[history.retention]]\nquantities = {quantities}\n{keys}\n"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            "[history]\nhourly_years = 1\n",
            "history.hourly_years = 1: is not longer than raw_days = 400: readings would go with "
            "their summaries. Write 2 or more, or fewer raw_days.",
        ),
        (
            "[history]\nhourly_years = 3\n" + class_of('["flow"]', "raw_days = 1200"),
            "history.retention[1].raw_days = 1200: is not shorter than hourly_years = 3. Write "
            "1095 or fewer, or add more hourly_years.",
        ),
        (
            class_of('["flow"]', "hourly_years = 1"),
            "history.retention[1].hourly_years = 1: is not longer than raw_days = 400",
        ),
        (
            class_of('["flow"]', "raw_days = 60") + class_of('["level", "flow"]', "raw_days = 9"),
            'history.retention[2].quantities = "flow": is named in history.retention[1] already. '
            "Name each quantity once.",
        ),
        (
            class_of('["flow", "flow"]', "raw_days = 60"),
            'history.retention[1].quantities = "flow": is named in history.retention[1] already.',
        ),
        (
            class_of('["flows"]', "raw_days = 60"),
            'history.retention[1].quantities = "flows": is the quantity of no channel. Did you '
            'mean "flow"?',
        ),
        (
            class_of('["flow"]', ""),
            "history.retention[1]: says neither raw_days nor hourly_years. Add one of them, or "
            "leave the table out.",
        ),
        (class_of("[]", "raw_days = 9"), "quantities = []: has fewer than 1 entries. Write for"),
        (class_of('["flow"]', "raw_days = 1"), "raw_days = 1: must be 2 or more. Write for exam"),
        (class_of('["flow"]', "hourly_years = 0"), "hourly_years = 0: must be 1 or more."),
        (
            class_of('["flow"]', "days = 9"),
            'days = 9: is not a known key. Did you mean "raw_days"?',
        ),
        (
            '[history.retention]\nquantities = ["flow"]\nraw_days = 60\n',
            "history.retention: is one table where a list is needed. Write [[history.retention]]",
        ),
        ("[history]\nhourly_years = 1.5\n", "history.hourly_years = 1.5: is not a whole number."),
    ],
)
def test_one_mistake(write: Write, good: str, text: str, told: str) -> None:
    path = write(text + good)
    errors = check(path).errors
    assert len(errors) == 1, errors
    assert told in errors[0]


def test_one_mistake_in_a_channel(write: Write, good: str) -> None:
    text = good.replace('quantity = "flow"', 'quantity = "flow"\nhourly_years = 1')
    errors = check(write(text)).errors
    assert len(errors) == 1
    told = 'channel "hall/sump-node/flow": hourly_years = 1: is not longer than raw_days = 400'
    assert told in errors[0]


def doubts(path: Path) -> list[str]:
    report = check(path)
    assert report.errors == ()
    return [w for w in report.warnings if "failures have no rule" not in w]


def test_a_server_takes_no_classes(write: Write, good: str) -> None:
    server = '[history]\nkind = "victoriametrics"\nurl = "http://127.0.0.1:8428"\n'
    assert doubts(write(server + good)) == []
    found = doubts(write(server + class_of('["flow"]', "raw_days = 60") + good + POWER))
    assert len(found) == 1
    assert "has a retention of its own, and nothing is done with history.retention[1], " in found[0]
    assert 'channel "hall/power-node/power". Leave them out, and tell the server' in found[0]


def test_a_rule_that_looks_back_further_than_is_kept(write: Write, good: str) -> None:
    rule = """
[[rule]]
id = "flow-falls"
kind = "rate-of-change"
channel = "hall/sump-node/flow"
fall = 100
window_s = 864000
deadband = 5
failure = "return-pump-stopped"
response = "Look at the strainer."
"""
    found = [w for w in doubts(write(good + rule)) if "looks back" in w]
    assert found == []
    text = class_of('["flow"]', "raw_days = 9") + good + rule
    found = [w for w in doubts(write(text)) if "looks back" in w]
    assert len(found) == 1
    assert (
        'rule "flow-falls": looks back 10 days, and readings of its channel are kept for 9.'
        in (found[0])
    )
