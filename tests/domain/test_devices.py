"""Where is it? Only what is known is said, power first."""

from weirwatch.domain.devices import Device, devices_of, where_text
from weirwatch.domain.rule import BuiltIn, Rule


def rule(ident: str) -> Rule:
    return Rule(id=ident, title=ident, kind="system", condition=BuiltIn(), failure="")


def test_only_what_is_known_is_said() -> None:
    device = Device("pump", "Pump", frozenset({"a"}), rcd="no. 2", stop_cock="in the cellar")
    assert where_text(device) == "Pump – RCD: no. 2, stop-cock: in the cellar."
    assert where_text(Device("pump", "Pump", frozenset({"a"}))) == ""


def test_every_device_of_a_rule_in_their_own_order() -> None:
    one, two = Device("b", "B", frozenset({"x", "y"})), Device("a", "A", frozenset({"y"}))
    assert devices_of(rule("x"), (one, two)) == (one,)
    assert devices_of(rule("y"), (one, two)) == (one, two)
    assert devices_of(rule("z"), (one, two)) == ()
