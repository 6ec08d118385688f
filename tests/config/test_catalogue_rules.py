"""Rules from the catalogue: each is a right rule, and what the keeper writes is louder."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from support.catalogue_table import DOCUMENT, filled

from weirwatch.cli.demo_plant import demo_config
from weirwatch.config import check, load
from weirwatch.config.catalogue import load_catalogue
from weirwatch.config.catalogue_rules import ANY, Template, load_templates
from weirwatch.config.units import QUANTITIES
from weirwatch.domain.instant import SECOND
from weirwatch.domain.rule import (
    Absolute,
    Condition,
    Discrepancy,
    Duty,
    Priority,
    Rule,
    Side,
    SwitchIs,
)

Write = Callable[[str], Path]

TEMPLATES = load_templates()
HALL = demo_config().read_text("utf-8")
HALL = HALL[HALL.index("[[system]]") : HALL.index("[[derived]]")]
NODE = "harbour-hall/sump-node"
# A channel of the demo for each failure that is about one; for others one more beside its node's.
CHANNELS = {
    ("return-pump-stopped", "flow"): f"{NODE}/return-flow",
    ("return-flow-reduced", "flow"): f"{NODE}/return-flow",
    ("mains-restored", "flow"): f"{NODE}/return-flow",
    ("side-loop-flow-lost", "flow"): f"{NODE}/uv-flow",
    ("sump-high", "level"): f"{NODE}/level",
    ("sump-low", "level"): f"{NODE}/level",
    ("top-off-stuck-off", "level"): f"{NODE}/level",
    ("vessel-leaking", "level"): f"{NODE}/level",
    ("probe-drift", "level"): f"{NODE}/level",
    ("overflow-blocked", "level"): "harbour-hall/hall-node/north-level",
    ("reservoir-empty", "level"): f"{NODE}/reservoir-level",
    ("supply-water-stuck-open", "level"): f"{NODE}/reservoir-level",
    ("mains-restored", "switch"): "harbour-hall/power-node/mains",
}
GIVEN = {"high": "high = 9", "low": "low = 5", "deadband": "deadband = 0.5",
         "from": 'from = "harbour-hall/sump-node/twin"', "limit": "limit = 1",
         "on_for_s": "on_for_s = 600"}  # fmt: skip
SIDES = ("high", "low", "is")
SMALL = """
[[system]]
id = "hall"
[[channel]]
id = "hall/n/a"
quantity = "level"
unit = "mm"
[[rule]]
from_catalogue = "sump-high"
channel = "hall/n/a"
high = 9
deadband = 0.5
"""
CUT = """
[[rule]]
id = "cut"
from_catalogue = "mains-restored"
channel = "harbour-hall/power-node/mains"
"""


def channel(name: str, quantity: str, unit: str) -> str:
    line = f'unit = "{unit}"\n' if unit else ""
    head = f'[[channel]]\nid = "{NODE}/{name}"\nquantity = "{quantity}"\n'
    return f'{head}{line}vessel = "sump"\nexpected_every_s = 5\n'


def text_for(template: Template, *more: str) -> str:
    quantity = "pressure" if template.quantity == ANY else template.quantity
    unit = template.unit or QUANTITIES[quantity][1]
    given = [GIVEN[key] for key in template.give]
    sides = {k: v for k, v in template.keys.items() if k in SIDES}
    side = [f"{k} = {str(v).lower()}" for k, v in sides.items()]
    place = CHANNELS.get((template.failure, quantity), f"{NODE}/a")
    kind = f'kind = "{template.keys["kind"]}"'
    rule = f'[[rule]]\nfrom_catalogue = "{template.failure}"\nchannel = "{place}"\n{kind}\n'
    channels = channel("a", quantity, unit) + channel("twin", quantity, unit)
    return HALL + channels + rule + "\n".join([*given, *side, *more])


def only(path: Path) -> Rule:
    rule = load(path).rules[0]
    assert rule.kind != "system"
    return rule


@pytest.mark.parametrize(
    "template", TEMPLATES, ids=lambda t: f"{t.failure}-{t.quantity}-{t.keys['kind']}"
)
def test_each_makes_a_rule_without_mistake_or_doubt(template: Template, write: Write) -> None:
    cut = CUT if any("alarm" in t for t in template.links.get("while", [])) else ""
    path = write(text_for(template) + cut)
    report = check(path)
    assert report.errors == ()
    doubts = [s for s in report.warnings if "failures have no rule" not in s]
    assert [s for s in doubts if "plant.without" not in s] == []
    rule = only(path)
    catalogue = load_catalogue().failures
    assert (rule.id, rule.failure) == (template.failure, template.failure)
    assert rule.title in (template.keys["title"], template.title_on("A"))
    assert rule.kind == template.keys["kind"]
    assert rule.priority is Priority(template.keys["priority"])
    assert not catalogue[template.failure].bold or rule.priority is Priority.CRITICAL
    assert rule.response == template.keys["response"] != ""


def test_every_failure_has_one_that_the_service_does_not_see_itself() -> None:
    of_the_service = {
        "node-offline", "broker-lost", "service-was-down", "clock-untrusted", "disk-full",
        "notice-undeliverable", "planned-work-not-ended",
    }  # fmt: skip
    assert {t.failure for t in TEMPLATES} == set(load_catalogue().failures) - of_the_service


def test_the_documentation_lists_every_one_as_it_is() -> None:
    text = DOCUMENT.read_text("utf-8")
    assert filled(text, TEMPLATES) == text


def named(failure: str, quantity: str) -> Template:
    return next(t for t in TEMPLATES if (t.failure, t.quantity) == (failure, quantity))


# By hand from the plant of the demo: 6000 L/h, top-off 300 mm at 30 L/h in strokes of 3 mm,
# 14 L a day, weir heads by Francis, heaters 300 W at 25.5 and 25.4 ± 0.1 °C.
@pytest.mark.parametrize(
    ("failure", "quantity", "condition"),
    [
        ("return-pump-stopped", "flow", Absolute(Side.LOW, 1500.0, 480.0)),
        ("side-loop-flow-lost", "flow", Absolute(Side.LOW, 500.0, 100.0)),
        ("sump-low", "level", Absolute(Side.LOW, 276.0, 7.5)),
        ("overflow-blocked", "level", Absolute(Side.HIGH, 1182.0, 5.833)),
        ("reservoir-empty", "level", Absolute(Side.LOW, 77.0, 14.0)),
        ("heater-stuck-on", "temperature", Absolute(Side.HIGH, 27.6, 0.2)),
        ("vessel-leaking", "switch", Duty(86_400 * SECOND, 3360 * SECOND, None)),
        (
            "heater-failed-off",
            "power",
            Discrepancy(within=900 * SECOND, minimum=450.0, deadband=48.0),
        ),
    ],
)
def test_limits_follow_from_the_plant(
    write: Write, failure: str, quantity: str, condition: Condition
) -> None:
    text = text_for(named(failure, quantity))
    found = only(write(re.sub(r"^(high|low) = .*$", "", text, flags=re.MULTILINE)))
    assert found.condition == condition


def test_the_sumps_limit_lies_between_its_drain_back_and_its_rim(write: Write) -> None:
    condition = only(write(text_for(named("sump-high", "level")))).condition
    assert isinstance(condition, Absolute)
    assert 332.0 < condition.limit < 390.0  # a stop raises it by 32 mm; the float hangs at 390


def test_causes_that_the_file_has_keep_it_quiet(write: Write) -> None:
    lost = '\n[[rule]]\nfrom_catalogue = "mains-lost"\nchannel = "harbour-hall/power-node/mains"\n'
    text = text_for(named("return-pump-stopped", "flow"))
    assert only(write(text)).suppressed_by == ()
    rule = only(write(text + lost))
    assert (rule.suppressed_by, rule.hold_off) == (("mains-lost",), 180 * SECOND)
    assert only(write(f"{text}\nsuppressed_by = []{lost}")).suppressed_by == ()
    slow = f"{lost}on_delay_s = 700\n"  # later than its consequence: it could not
    assert only(write(text + slow)).suppressed_by == ()
    bold = text_for(named("overflow-blocked", "level"))
    assert only(write(bold + lost)).suppressed_by == ()


def test_limits_are_converted_to_the_channels_unit(write: Write) -> None:
    hall, _, mine = text_for(named("room-too-hot", "temperature")).partition(f'"{NODE}/a"')
    mine = mine.replace("high = 29.0", "").replace('"Cel"', '"degF"')
    rule = only(write(f'{hall}"{NODE}/a"{mine}'))
    assert rule.condition == Absolute(Side.HIGH, 84.2, 0.9)  # 29 °C, and a difference of 0.5 K


def test_what_the_keeper_writes_is_louder(write: Write) -> None:
    template = named("temperature-extreme", "temperature")
    text = text_for(template, 'id = "cold"', "on_delay_s = 5", 'priority = "high"')
    rule = only(write(text.replace("high = 29.0", "low = 23.5")))
    assert rule.condition == Absolute(Side.LOW, 23.5, 0.2)
    assert (rule.id, rule.title) == ("cold", "Water too cold")
    assert (rule.on_delay, rule.off_delay) == (5 * SECOND, 300 * SECOND)
    assert rule.priority is Priority.HIGH


def test_a_rule_for_any_channel_says_which_it_watches(write: Write) -> None:
    rule = '[[rule]]\nfrom_catalogue = "probe-silent"\nchannel = "hall/n/a"\n'
    text = SMALL[: SMALL.index("[[rule]]")].replace(
        'unit = "mm"', 'unit = "mm"\nexpected_every_s = 5'
    )
    assert only(write(text + rule)).title == "Probe silent: A"
    named = text.replace("[[channel]]", '[[channel]]\ntitle = "Sump level"')
    assert only(write(named + rule)).title == "Probe silent: Sump level"
    assert only(write(f'{named}{rule}title = "Dark"')).title == "Dark"


def test_another_kind_keeps_the_words_only(write: Write) -> None:
    template = named("return-pump-stopped", "flow")
    text = text_for(template).replace("absolute", "discrepancy") + "expected_min = 5"
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
    text = SMALL
    assert old in text
    report = check(write(text.replace(old, new)))
    assert any(told in sentence for sentence in report.errors), report.errors


LEAK = """
[[system]]
id = "hall"
[[channel]]
id = "hall/n/{name}"
quantity = "switch"
{states}
[[rule]]
from_catalogue = "floor-leak"
channel = "hall/n/{name}"
{side}
"""


@pytest.mark.parametrize(
    ("name", "states", "asked"),
    [
        ("floor-dry", "", True),
        ("floor", 'states = ["wet", "dry"]', True),
        ("floor-dry", 'states = ["dry", "wet"]', False),  # the words are surer than the name
        ("floor-wet", "", False),
    ],
)
def test_a_contact_that_is_on_while_all_is_well_is_asked_for_its_side(
    write: Write, name: str, states: str, asked: bool
) -> None:
    errors = check(write(LEAK.format(name=name, states=states, side=""))).errors
    assert bool(errors) is asked, errors
    if asked:
        (error,) = errors
        assert "Add is = false if it is 1 while all is well" in error
    for side in (True, False):
        text = LEAK.format(name=name, states=states, side=f"is = {str(side).lower()}")
        assert only(write(text)).condition == SwitchIs(side)


def test_a_leak_rule_that_waits_for_dry_is_doubted(write: Write) -> None:
    states = 'states = ["wet", "dry"]'
    wrong = check(write(LEAK.format(name="floor", states=states, side="is = true"))).warnings
    assert any("silent when it is wet. Write is = false." in doubt for doubt in wrong)
    right = check(write(LEAK.format(name="floor", states=states, side="is = false"))).warnings
    assert not any("silent when it is wet" in doubt for doubt in right)


def test_what_the_catalogue_cannot_write_is_told_once(write: Write) -> None:
    (error,) = check(write(SMALL.replace('"sump-high"', '"sump-hihg"'))).errors
    assert 'Did you mean "sump-high"?' in error
    (error,) = check(write(SMALL.replace('channel = "hall/n/a"', 'channel = "hall/n/b"'))).errors
    assert "is no channel of this file" in error


def test_check_names_the_failures_that_it_has_a_rule_for(write: Write) -> None:
    text = text_for(named("mains-lost", "switch"))
    (warning,) = (w for w in check(write(text)).warnings if "failures have no rule" in w)
    ready = warning.split("weirwatch check --suggest writes rules for ")[1]
    assert "overflow-blocked" in ready
    assert "probe-silent" in ready
    assert "chiller-failed" not in ready
