"""docs/configuration.md tells every key, no other, with its right default; its examples load."""

import re
from pathlib import Path

import pytest

from weirwatch.config import call_models as c
from weirwatch.config import check, load
from weirwatch.config import derived_models as d
from weirwatch.config import device_models as v
from weirwatch.config import living_models as g
from weirwatch.config import models as m
from weirwatch.config import plant_models as p
from weirwatch.config import recipient_models as n
from weirwatch.config import rule_models as r
from weirwatch.config import upkeep_models as u
from weirwatch.config import work_models as w
from weirwatch.config.entries import keys_of
from weirwatch.config.problems import as_toml
from weirwatch.config.rule_checks import NOT_YET
from weirwatch.config.units import QUANTITIES
from weirwatch.config.values import Section
from weirwatch.domain.quantity import known_unit

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "docs" / "configuration.md").read_text("utf-8")

KINDS: dict[str, type[Section]] = {
    f'kind = "{kind}"': model for kind, model in r.KINDS.items() if kind != "system"
}
SECTIONS: dict[str, type[Section]] = {
    "[service]": m.ServiceConfig,
    "[broker]": m.BrokerConfig,
    "[web]": m.WebConfig,
    "[history]": m.HistoryConfig,
    "[[history.retention]]": m.RetentionConfig,
    "[[system]]": m.SystemConfig,
    "[[channel]]": m.ChannelConfig,
    "[[rule]]": r.RuleConfig,
    "while": r.WhileConfig,
    "[[planned_work]]": w.PlannedWorkConfig,
    "check": w.CheckConfig,
    "[[job]]": u.JobConfig,
    "[[supply]]": u.SupplyConfig,
    "[[recipient]]": n.RecipientConfig,
    "[notice]": c.NoticeConfig,
    "[heartbeat]": n.HeartbeatConfig,
    "[[roster]]": c.RosterConfig,
    "[[holiday]]": c.HolidayConfig,
    "[[device]]": v.DeviceConfig,
    "[[tap]]": m.TapConfig,
    "[[derived]]": d.DerivedConfig,
    "[plant]": p.PlantConfig,
    "[[plant.vessel]]": p.VesselConfig,
    "[plant.pump]": p.PumpConfig,
    "[[plant.loop]]": p.LoopConfig,
    "[[plant.heater]]": p.HeaterConfig,
    "[plant.top_off]": p.TopOffConfig,
    "[plant.outage]": p.OutageConfig,
    "[plant.chiller]": p.ChillerConfig,
    "[plant.stocking]": g.StockingConfig,
    "[plant.reactor]": g.ReactorConfig,
    **KINDS,
}
COMMON = keys_of(r.RuleConfig)


def documented() -> dict[str, dict[str, str]]:
    """Return by section the default that each key's row tells."""
    found: dict[str, dict[str, str]] = {}
    section, in_table = "", False
    for line in TEXT.splitlines():
        heading = re.match(r"#{2,3} `(.+)`$", line)
        if line.startswith("#"):
            section = heading[1] if heading else ""
        if not line.startswith("|"):
            in_table = False
        elif line.startswith("| Key | Default |"):
            in_table = True
        row = re.match(r"\| `([a-z0-9_]+)` \| (.*?) \| .+ \|$", line.replace("| |", "|  |"))
        if in_table and row:
            found.setdefault(section, {})[row[1]] = row[2].strip()
    return found


def own_keys(section: str) -> list[str]:
    keys = keys_of(SECTIONS[section])
    return [key for key in keys if not (section.startswith("kind") and key in COMMON)]


def test_every_section_is_there_and_no_other() -> None:
    assert documented().keys() == SECTIONS.keys()


@pytest.mark.parametrize("section", SECTIONS)
def test_every_key_is_told_and_every_told_key_exists(section: str) -> None:
    assert set(documented()[section]) == set(own_keys(section))


@pytest.mark.parametrize("section", SECTIONS)
def test_the_told_defaults_are_right(section: str) -> None:
    fields = {f.alias or name: f for name, f in SECTIONS[section].model_fields.items()}
    for key, told in documented()[section].items():
        field = fields[key]
        default = field.get_default(call_default_factory=True, validated_data={})
        if field.is_required():
            assert told == "required", key
        elif default in (None, "", [], {}):
            assert told == "", key
        else:
            number = isinstance(default, float) and default.is_integer()
            assert told == f"`{as_toml(int(default) if number else default)}`", key


def test_a_built_in_rule_may_set_what_the_text_says() -> None:
    assert set(COMMON) - set(keys_of(r.SystemRuleConfig)) == {"channel", "failure"}
    assert "every key of `[[rule]]` but `channel` and `failure`" in TEXT


def test_every_quantity_is_in_the_table_with_a_known_unit() -> None:
    table = TEXT.split("| Quantity |")[1].split("\n\n")[0]
    told: set[str] = set()
    for line in table.splitlines()[2:]:
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        names = re.findall(r"`([^`]+)`", cells[0])
        units = re.findall(r"`([^`]+)`", cells[2])
        told.update(names)
        assert all(known_unit(unit) for unit in units)
        for name in names:
            assert (units[0] if units else "") == QUANTITIES[name][1]
    assert told == set(QUANTITIES)


def base() -> str:
    """Return the system and the channels of the demo, without its rules and plant."""
    blocks = re.split(r"\n(?=\[|#)", (ROOT / "deploy" / "harbour-hall.toml").read_text("utf-8"))
    text = "\n".join(b for b in blocks if b.startswith(("[[system]]", "[[channel]]")))
    return re.sub(r"^vessel = .*\n", "", text, flags=re.MULTILINE)


@pytest.mark.parametrize("block", re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL))
def test_every_example_loads(block: str, tmp_path: Path) -> None:
    (tmp_path / "broker-login.toml").write_text('username = "u"\npassword = "p"\n')
    (tmp_path / "ca.pem").write_text("")
    file = tmp_path / "weirwatch.toml"
    file.write_text(block if "[[system]]" in block else f"{base()}\n{block}", "utf-8")
    report = check(file)
    kind = re.search(r'^kind = "(.+)"$', block, re.MULTILINE)
    if kind and kind[1] in NOT_YET:
        assert len(report.errors) == 1
        assert "is not judged by this version yet" in report.errors[0]
        return
    assert report.errors == ()
    assert load(file).systems[0].id == "harbour-hall"
    known = ("failures have no rule", "there is none: nothing is watched")
    if "[[system]]" not in block:  # the smallest file leaves out what it may
        assert [w for w in report.warnings if not any(k in w for k in known)] == []
