"""The rules that come along, and how the file changes them."""

from collections.abc import Callable
from pathlib import Path

from weirwatch.config import check, load
from weirwatch.config.builtin import node_rule_ids
from weirwatch.domain.instant import SECOND
from weirwatch.domain.rule import AlarmStands, BuiltIn, Priority, Rule

Write = Callable[[str], Path]


def loaded(path: Path) -> dict[str, Rule]:
    return {rule.id: rule for rule in load(path).rules}


def test_they_come_last_and_each_is_whole(write: Write, good: str) -> None:
    settings = load(write(good))
    builtins = settings.rules[1:]
    assert [rule.id for rule in builtins] == [
        "broker-lost",
        "service-was-down",
        "clock-untrusted",
        "disk-full",
        "notice-undeliverable",
        "planned-work-not-ended",
        "node-offline/sump-node",
        "node-offline/power-node",
    ]
    for rule in builtins:
        assert (rule.kind, rule.channel, rule.condition) == ("system", None, BuiltIn())
        assert rule.failure == rule.id.split("/")[0]
        assert rule.response.endswith(".")
        assert not rule.bold
    delays = {rule.id: rule.on_delay // SECOND for rule in builtins}
    assert delays["broker-lost"] == delays["node-offline/sump-node"] == 60
    assert delays["service-was-down"] == delays["disk-full"] == 0


def test_a_node_names_what_it_blinds(write: Write, good: str) -> None:
    rules = loaded(write(good))
    assert "nothing is seen of: Sump level high." in rules["node-offline/sump-node"].response
    assert "nothing is seen" not in rules["node-offline/power-node"].response


def test_nodes_of_one_name_in_two_systems_are_told_apart() -> None:
    ids = node_rule_ids(["a/n/x", "b/n/y", "a/m/x", "a/n/z/deep"])
    assert ids == {
        "a/n": "node-offline/a/n",
        "b/n": "node-offline/b/n",
        "a/m": "node-offline/m",
    }


def test_the_file_changes_only_what_it_names(write: Write, good: str) -> None:
    change = """
[[rule]]
id = "node-offline/sump-node"
kind = "system"
on_delay_s = 120
priority = "critical"
suppressed_by = ["sump-level-high"]
hold_off_s = 60
shelve_max_minutes = 30
while = [{ alarm = "broker-lost" }]
"""
    plain, changed = loaded(write(good)), loaded(write(good + change))
    before, after = plain["node-offline/sump-node"], changed["node-offline/sump-node"]
    assert after.on_delay == 120 * SECOND
    assert after.priority is Priority.CRITICAL
    assert after.re_alarm == 14_400 * SECOND  # the default of critical
    assert after.suppressed_by == ("sump-level-high",)
    assert after.hold_off == 60 * SECOND
    assert after.shelve_max == 1800 * SECOND
    assert after.while_ == (AlarmStands("broker-lost"),)
    assert (after.title, after.response, after.off_delay) == (
        before.title,
        before.response,
        before.off_delay,
    )
    assert list(changed) == list(plain)


def test_a_changed_delay_counts_for_suppression(write: Write, good: str) -> None:
    text = good + '[[rule]]\nid = "broker-lost"\nkind = "system"\non_delay_s = 20\n'
    text = text.replace("on_delay_s = 30", 'on_delay_s = 30\nsuppressed_by = ["broker-lost"]')
    assert check(write(text)).errors == ()
