"""Suppression by design: what is refused, and what comes along by itself."""

from collections.abc import Callable
from pathlib import Path

import pytest

from weirwatch.config import check, load
from weirwatch.config.suppression import circles
from weirwatch.domain.rule import Rule

Write = Callable[[str], Path]


def rule(rule_id: str, keys: str, kind: str = "absolute", node: str = "power-node/mains") -> str:
    own = {"absolute": "is = true", "discrepancy": "expected = true"}.get(kind, "")
    return (
        f'\n[[rule]]\nid = "{rule_id}"\nkind = "{kind}"\nchannel = "hall/{node}"\n{own}\n{keys}\n'
    )


def loaded(path: Path) -> dict[str, Rule]:
    return {rule.id: rule for rule in load(path).rules}


def test_a_bold_failure_is_never_suppressed(write: Write, good: str) -> None:
    bad = rule("leak", 'failure = "floor-leak"\non_delay_s = 90\nsuppressed_by = ["broker-lost"]')
    assert check(write(good + bad)).errors == (
        f'{write(good + bad)}: rule "leak": suppressed_by = ["broker-lost"]: is refused: '
        "floor-leak is a failure that is never suppressed. Leave suppressed_by out.",
    )


def test_a_circle_is_named_from_end_to_end(write: Write, good: str) -> None:
    text = good + "".join(
        rule(name, f'on_delay_s = {delay}\nfailure = "sump-low"\nsuppressed_by = ["{cause}"]')
        for name, delay, cause in (("a", 1, "b"), ("b", 2, "c"), ("c", 3, "a"))
    )
    told = [error for error in check(write(text)).errors if "goes round" in error]
    assert len(told) == 1
    assert "a → b → c → a" in told[0]


def test_rules_that_wait_for_each_other_are_refused(write: Write, good: str) -> None:
    text = good + "".join(
        rule(name, f'failure = "sump-low"\nwhile = [{{ alarm = "{other}" }}]')
        for name, other in (("a", "b"), ("b", "a"))
    )
    assert "each waits for the other's alarm: a → b → a" in check(write(text)).errors[0]


@pytest.mark.parametrize(
    ("keys", "kind", "fits"),
    [
        ("on_delay_s = 60", "absolute", False),  # equal is not shorter
        ("on_delay_s = 61", "absolute", True),
        ("within_s = 60", "discrepancy", False),
        ("within_s = 31\non_delay_s = 30", "discrepancy", True),
        ("silent = true\non_delay_s = 45", "bad-measurement", False),  # 15 s of silence + 45
        ("silent = true\non_delay_s = 46", "bad-measurement", True),
        ("frozen_s = 61", "bad-measurement", True),
        ("frozen_s = 61\noutside_valid = true", "bad-measurement", False),  # at once
    ],
)
def test_a_cause_must_stand_before_its_consequence(
    write: Write, good: str, keys: str, kind: str, fits: bool
) -> None:
    node = "sump-node/level" if kind == "bad-measurement" else "power-node/mains"
    cause = rule("cause", 'on_delay_s = 60\nfailure = "mains-lost"')
    text = good + cause + rule("effect", f'{keys}\nsuppressed_by = ["cause"]', kind, node)
    errors = check(write(text)).errors
    assert bool(errors) is not fits
    if errors:
        assert (
            'rule "effect": suppressed_by = "cause": its cause "cause" stands after 60 s'
            in (errors[0])
        )


def test_a_silent_probe_keeps_quiet_while_its_node_or_the_broker_is_lost(
    write: Write, good: str
) -> None:
    text = good + rule(
        "mute", "silent = true\non_delay_s = 90", "bad-measurement", "sump-node/level"
    )
    text += rule("still", "frozen_s = 90", "bad-measurement", "sump-node/level")
    bold = 'silent = true\nfailure = "oxygen-low"'
    text += rule("bold", bold, "bad-measurement", "sump-node/level")
    rules = loaded(write(text))
    assert rules["mute"].suppressed_by == ("node-offline/sump-node", "broker-lost")
    assert rules["still"].suppressed_by == ()
    assert rules["bold"].suppressed_by == ()


def test_a_silent_rule_that_is_faster_than_its_node_gets_a_warning(write: Write, good: str) -> None:
    fast = rule("mute", "silent = true\non_delay_s = 10", "bad-measurement", "sump-node/level")
    told = [
        line for line in check(write(good + fast)).warnings if 'rule "mute": on_delay_s' in line
    ]
    assert len(told) == 1
    assert "it sounds after 25 s, before node-offline/sump-node and broker-lost can keep" in told[0]
    slow = fast.replace("on_delay_s = 10", "on_delay_s = 105")
    assert not any("can keep it quiet" in line for line in check(write(good + slow)).warnings)


def test_circles_are_found_in_any_graph() -> None:
    assert list(circles({"a": ["b"], "b": ["c"], "c": []})) == []
    assert list(circles({"a": ["b"], "b": ["a"]})) == [("a", "b")]
    assert list(circles({"x": ["a"], "a": ["b"], "b": ["c"], "c": ["b"]})) == [("b", "c")]
    long = {str(n): [str(n + 1)] for n in range(5_000)} | {"5000": ["0"]}
    assert [len(circle) for circle in circles(long)] == [5_001]
