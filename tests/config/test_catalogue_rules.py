"""Rules from the catalogue: each is a right rule, and what the keeper writes is louder."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from weirwatch.config import check, load
from weirwatch.config.catalogue import load_catalogue
from weirwatch.config.catalogue_rules import ANY, Template, load_templates
from weirwatch.config.units import QUANTITIES
from weirwatch.domain.instant import SECOND
from weirwatch.domain.rule import Absolute, Priority, Rule, Side

Write = Callable[[str], Path]

TEMPLATES = load_templates()
HEAD = '[[system]]\nid = "hall"\n'
DOC = (Path(__file__).parents[2] / "docs" / "configuration.md").read_text("utf-8")
GIVEN = {"high": "high = 9", "low": "low = 5", "deadband": "deadband = 0.5",
         "from": 'from = "hall/n/twin"', "limit": "limit = 1"}  # fmt: skip


def channel(name: str, quantity: str, unit: str) -> str:
    line = f'unit = "{unit}"\n' if unit else ""
    return (
        f'[[channel]]\nid = "hall/n/{name}"\nquantity = "{quantity}"\n{line}expected_every_s = 5\n'
    )


def text_for(template: Template, *more: str) -> str:
    quantity = "ph" if template.quantity == ANY else template.quantity
    unit = template.unit or QUANTITIES[quantity][1]
    given = [GIVEN[key] for key in template.give]
    side = [f"{k} = {template.keys[k]}" for k in ("high", "low") if k in template.keys]
    rule = f'[[rule]]\nfrom_catalogue = "{template.failure}"\nchannel = "hall/n/a"\n'
    channels = channel("a", quantity, unit) + channel("twin", quantity, unit)
    return HEAD + channels + rule + "\n".join([*given, *side, *more])


def only(path: Path) -> Rule:
    rule = load(path).rules[0]
    assert rule.kind != "system"
    return rule


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda t: f"{t.failure}-{t.quantity}")
def test_each_makes_a_rule_without_mistake_or_doubt(template: Template, write: Write) -> None:
    path = write(text_for(template))
    report = check(path)
    assert report.errors == ()
    assert all("failures have no rule" in sentence for sentence in report.warnings), report.warnings
    rule = only(path)
    catalogue = load_catalogue().failures
    assert (rule.id, rule.failure) == (template.failure, template.failure)
    assert rule.title == template.keys["title"]
    assert rule.priority is Priority(template.keys["priority"])
    assert not catalogue[template.failure].bold or rule.priority is Priority.CRITICAL
    assert rule.response == template.keys["response"] != ""


def test_every_one_is_in_the_documentation() -> None:
    told = set(re.findall(r"^\| `([a-z0-9-]+)` \| (\w+) \|", DOC, re.MULTILINE))
    mine = {(t.failure, "any" if t.quantity == ANY else t.quantity) for t in TEMPLATES}
    assert mine <= told


def named(failure: str, quantity: str) -> Template:
    return next(t for t in TEMPLATES if (t.failure, t.quantity) == (failure, quantity))


def test_limits_are_converted_to_the_channels_unit(write: Write) -> None:
    text = text_for(named("room-too-hot", "temperature")).replace("high = 30.0", "")
    rule = only(write(text.replace('"Cel"', '"degF"')))
    assert rule.condition == Absolute(Side.HIGH, 86.0, 0.9)  # 30 °C, and a difference of 0.5 K


def test_what_the_keeper_writes_is_louder(write: Write) -> None:
    template = named("temperature-extreme", "temperature")
    text = text_for(template, 'id = "cold"', "on_delay_s = 5", 'priority = "high"')
    rule = only(write(text.replace("high = 29.0", "low = 23.5")))
    assert rule.condition == Absolute(Side.LOW, 23.5, 0.2)
    assert (rule.id, rule.title) == ("cold", "Water too cold")
    assert (rule.on_delay, rule.off_delay) == (5 * SECOND, 300 * SECOND)
    assert rule.priority is Priority.HIGH


def test_another_kind_keeps_the_words_only(write: Write) -> None:
    template = named("return-pump-stopped", "flow")
    text = text_for(template).replace("low = 5", 'kind = "discrepancy"\nexpected_min = 5')
    rule = only(write(f"{text}\nwithin_s = 60"))
    assert (rule.kind, rule.title, rule.on_delay) == ("discrepancy", "Return pump stopped", 0)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('"sump-high"', '"sump-hihg"', 'Did you mean "sump-high"?'),
        ("high = 9", "", "cannot know the limits of your plant. Add high."),
        ('quantity = "level"\nunit = "mm"', 'quantity = "ph"', "It has for level and switch."),
        ('from_catalogue = "sump-high"', "from_catalogue = 3", "is no failure with a rule"),
        ("high = 9", "hihg = 9", 'Did you mean "high"?'),
    ],
)
def test_mistakes_are_told(write: Write, old: str, new: str, told: str) -> None:
    text = text_for(named("sump-high", "level"))
    assert old in text
    report = check(write(text.replace(old, new)))
    assert any(told in sentence for sentence in report.errors), report.errors


def test_check_names_the_failures_that_it_has_a_rule_for(write: Write) -> None:
    (warning,) = check(write(text_for(named("mains-lost", "switch")))).warnings
    ready = warning.split("A rule with from_catalogue serves for ")[1]
    assert "floor-leak" in ready
    assert "probe-silent" in ready
    assert "oxygen-low" not in ready
