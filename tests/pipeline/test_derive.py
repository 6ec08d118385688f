"""Derived channels: published numbers, quality, staleness, and what is out of range."""

from collections.abc import Mapping

import gsw
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.domain.state import Observed
from weirwatch.pipeline.derive import Deriver
from weirwatch.pipeline.formulas import FORMULAS, needed_constants
from weirwatch.settings import DerivedSettings

T0: Micros = 1_777_636_800 * SECOND
UNITS = {
    "conductivity": "mS/cm", "temperature": "Cel", "salinity": "psu", "ph": "pH", "oxygen": "mg/L",
    "flow": "L/h", "level": "mm", "top-off": "", "room": "Cel", "battery": "%EL", "ammonia": "mg/L",
    "voltage": "mV",
}  # fmt: skip


def channel(role: str) -> Channel:
    quantity = "switch" if role == "top-off" else role
    return Channel(f"hall/node/{role}", quantity, UNITS[role], expected_every=5 * SECOND)


def seen(reading: Reading) -> Observed:
    good = reading.quality is Quality.GOOD
    return Observed(
        reading.time, reading.value, reading.quality, reading.reason, reading.time,
        reading.time if good else None, reading.value if good else None, reading.time,
    )  # fmt: skip


class World:
    """One derived channel and what was observed so far."""

    def __init__(
        self,
        formula: str,
        *roles: str,
        valid: tuple[float, float] | None = None,
        more: Mapping[str, float] | None = None,
        without: str = "",
    ) -> None:
        spec = FORMULAS[formula]
        self.own = Channel("hall/node/derived", spec.quantity, spec.unit, valid=valid)
        inputs = {role: f"hall/node/{role}" for role in roles}
        constants = {k: float(v or 0) for k, v in needed_constants(spec, inputs).items()} | dict(
            more or {}
        )
        constants.pop(without, None)
        settings = DerivedSettings(
            self.own.id, formula, inputs, constants, every=60 * SECOND, max_age=300 * SECOND
        )
        self.deriver = Deriver([settings], [*map(channel, roles), self.own])
        self.observed: dict[str, Observed] = {}

    def say(
        self,
        at: float,
        given: Mapping[str, float] | None = None,
        quality: Quality = Quality.GOOD,
        reason: str = "",
        **values: float,
    ) -> list[Reading]:
        found = []
        for role, value in {**(given or {}), **values}.items():
            name = f"hall/node/{role.replace('_', '-')}"
            reading = Reading(name, T0 + round(at * SECOND), value, quality, reason)
            old = self.observed.get(name)
            if old is None or reading.time > old.time:
                self.observed[name] = seen(reading)
            for derived in self.deriver.readings(reading, self.observed):
                self.observed[derived.channel] = seen(derived)
                found.append(derived)
        return found


# Each: formula; inputs; constants; what comes out; within what; by which source.
KNOWN: list[tuple[str, dict[str, float], dict[str, float], float, float, str]] = [
    ("salinity", {"temperature": 25.0, "conductivity": 53.0}, {}, 34.9473, 5e-4, "gsw, row 1.6"),
    ("salinity", {"temperature": 20.0, "conductivity": 47.918044}, {}, 35.0, 5e-4, "row 1.8"),
    ("salinity", {"conductivity": 53.0710}, {}, 35.0, 5e-4, "at 25 °C, row 1.13"),
    (
        "salinity",
        {"temperature": 20.0, "conductivity": 53.2423},
        {"compensation_per_k": 0.02},
        35.0,
        2e-3,
        "row 1.32",
    ),
    ("specific-gravity", {"salinity": 35.0}, {}, 1.02637, 2e-5, "25/25 °C, row 1.23"),
    ("density", {"temperature": 20.0, "salinity": 35.0}, {}, 1024.766, 5e-3, "row 1.17"),
    ("oxygen-saturation", {"temperature": 25.0, "oxygen": 6.771}, {}, 100.0, 0.1, "row 3.9"),
    ("turnover", {"flow": 6000.0}, {"volume_l": 3000.0}, 2.0, 1e-12, "Q/V"),
    (
        "drain-back-margin",
        {"level": 300.0},
        {"area_m2": 1.0, "rim_l": 420.0, "drain_back_l": 80.0},
        40.0,
        1e-9,
        "volume balance",
    ),
    (
        "drain-back-margin",
        {"flow": 0.0, "level": 380.0},
        {"area_m2": 1.0, "rim_l": 420.0, "drain_back_l": 80.0},
        40.0,
        1e-9,
        "it has drained back already",
    ),
    (
        "outage-hours",
        {"room": 19.0, "oxygen": 6.2, "battery": 100.0, "temperature": 25.5},
        {"volume_l": 2860.0, "loss_w_per_k": 45.0},
        3.2,
        1e-9,
        "oxygen at 1 mg/l/h",
    ),
]


@pytest.mark.parametrize(("formula", "inputs", "constants", "result", "tol", "source"), KNOWN)
def test_known_values(
    formula: str,
    inputs: Mapping[str, float],
    constants: Mapping[str, float],
    result: float,
    tol: float,
    source: str,
) -> None:
    world = World(formula, *inputs, more=constants)
    lead = next(role for role in FORMULAS[formula].roles if role in inputs)
    world.say(0, {role: value for role, value in inputs.items() if role != lead})
    (derived,) = world.say(1, {lead: inputs[lead]})
    assert derived.value == pytest.approx(result, abs=tol), source
    assert derived.quality is Quality.GOOD
    assert derived.time == T0 + SECOND


def test_carbon_dioxide_is_that_of_the_room_it_would_balance_with() -> None:
    # Outdoor air and 8 dKH give about pH 8.2 NBS at 25 °C (from memory); less pH, more gas.
    world = World("pco2", "ph", "temperature", more={"alkalinity_dkh": 8.0})
    world.say(0, temperature=25.0)
    (outdoors,) = world.say(1, ph=8.2)
    (stuffy,) = world.say(70, ph=8.0)
    assert 300 < outdoors.value < 650
    assert stuffy.value > 1.4 * outdoors.value


def test_ammonia_at_tank_ph_is_a_few_per_cent_free() -> None:
    world = World("unionised-ammonia", "ph", "temperature", more={"ammonia_mg_l": 1.0})
    world.say(0, temperature=25.0)
    (free,) = world.say(1, ph=8.2)
    assert 0.04 < free.value < 0.08  # section 5 of the tests of weirwatch.water has the exact rows


def test_the_worst_quality_and_its_reason_come_through() -> None:
    world = World("salinity", "conductivity", "temperature")
    world.say(0, quality=Quality.UNCERTAIN, reason="warming up", temperature=25.0)
    (derived,) = world.say(1, conductivity=53.0)
    assert derived.quality is Quality.UNCERTAIN
    assert derived.reason == "temperature is uncertain: warming up"
    world.say(61, quality=Quality.BAD, reason="outside valid range", temperature=85.0)
    (derived,) = world.say(62, conductivity=53.0)
    assert (derived.quality, derived.reason) == (
        Quality.BAD,
        "temperature is bad: outside valid range",
    )


def test_a_stale_input_makes_it_uncertain() -> None:
    world = World("salinity", "conductivity", "temperature")
    world.say(0, temperature=25.0)
    assert world.say(300, conductivity=53.0)[0].quality is Quality.GOOD
    (derived,) = world.say(361, conductivity=53.0)
    assert derived.quality is Quality.UNCERTAIN
    assert derived.reason == "temperature is stale: 361 s apart"


def test_an_input_never_heard_gives_nothing() -> None:
    assert World("salinity", "conductivity", "temperature").say(0, conductivity=53.0) == []


def test_out_of_range_is_bad_with_the_reason_and_the_last_good_value() -> None:
    world = World("salinity", "conductivity", "temperature")
    world.say(0, temperature=25.0)
    (good,) = world.say(1, conductivity=53.0)
    (bad,) = world.say(62, conductivity=900.0)
    assert bad.quality is Quality.BAD
    assert bad.value == good.value
    assert bad.reason.startswith("cannot be computed: ")
    first = World("salinity", "conductivity", "temperature", valid=(20.0, 45.0))
    first.say(0, temperature=25.0)
    assert first.say(1, conductivity=900.0)[0].value == 20.0, "not outside valid by itself"


def test_it_is_computed_at_most_every_so_often_and_never_for_history() -> None:
    world = World("density", "temperature", "salinity")
    world.say(0, temperature=25.0)
    assert len(world.say(1, salinity=35.0)) == 1
    assert world.say(60, salinity=35.0) == []
    assert len(world.say(61, salinity=35.0)) == 1
    assert world.say(30, salinity=30.0) == []
    assert world.say(61, salinity=35.0) == [], "a duplicate"


@settings(deadline=None)
@given(
    st.sampled_from(sorted(name for name in FORMULAS if name != "evaporation")),
    st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=5, max_size=5),
    st.floats(0, 1e6),
)
def test_it_never_raises_and_never_gives_what_is_no_number(
    formula: str, values: list[float], constant: float
) -> None:
    spec = FORMULAS[formula]
    missing = {k: constant for k, v in spec.constants.items() if v is None}
    world = World(formula, *spec.roles, more=missing)
    found = []
    for role, value in reversed(list(zip(spec.roles, values, strict=False))):
        found += world.say(1, {role: value})
    assert len(found) == 1
    assert abs(found[0].value) < 1e12


def test_evaporation_from_the_running_time_of_the_top_off() -> None:
    # On for 20 s every 20 minutes at 30 l/h: 24 l/day x (20 / 1200) x 30 / 24 = 12 l/day.
    world = World("evaporation", "top-off", more={"rate_l_h": 30.0})
    found = []
    for tick in range(0, 26 * 3600, 5):
        found += world.say(tick, top_off=float(tick % 1200 < 20))
    early = [r for r in found if r.time < T0 + 19 * 3600 * SECOND]
    assert {r.quality for r in early} == {Quality.UNCERTAIN}
    assert "of the window was seen" in early[0].reason
    assert found[-1].quality is Quality.GOOD
    assert found[-1].value == pytest.approx(12.0, rel=0.02)


def test_evaporation_from_the_reservoir_leaves_a_refill_out() -> None:
    # 0.2 m2 falling 70 mm a day are 14 l/day; refilled by 300 mm at noon, read to the millimetre.
    world = World("evaporation", "level", more={"area_m2": 0.2})
    found = []
    for tick in range(0, 30 * 3600, 30):
        level = 400 - 70 * tick / 86_400 + (300 if tick > 12 * 3600 else 0)
        found += world.say(tick, level=float(round(level)))
    assert found[-1].value == pytest.approx(14.0, rel=0.05)
    assert found[-1].quality is Quality.GOOD


def test_a_gap_is_not_counted_as_dry() -> None:
    world = World("evaporation", "top-off", more={"rate_l_h": 30.0})
    found = []
    for tick in range(0, 30 * 3600, 5):
        if not 5 * 3600 < tick < 8 * 3600:
            found += world.say(tick, top_off=float(tick % 1200 < 20))
    assert found[-1].value == pytest.approx(12.0, rel=0.02)


def test_the_reference_library_agrees_on_salinity() -> None:
    world = World("salinity", "conductivity", "temperature")
    for at, t in enumerate((18.0, 22.0, 26.0, 30.0)):
        world.say(at * 61, temperature=t)
        (derived,) = world.say(at * 61 + 1, conductivity=50.0)
        assert derived.value == pytest.approx(float(gsw.SP_from_C(50.0, t, 0.0)), abs=1e-9)


def test_after_a_start_the_window_is_told_of_the_day_before() -> None:
    world = World("evaporation", "top-off", more={"rate_l_h": 30.0})
    assert world.deriver.windows == {"hall/node/top-off": 86_400 * SECOND}
    stored = [
        Reading("hall/node/top-off", T0 + tick * SECOND, float(tick % 1200 < 20))
        for tick in range(0, 24 * 3600, 5)
    ]
    world.deriver.seed(stored)
    (first,) = world.say(24 * 3600 + 60, top_off=0.0)
    assert first.quality is Quality.GOOD
    assert first.value == pytest.approx(12.0, rel=0.02)


def test_a_hand_test_is_the_constant_from_then_on() -> None:
    world = World("pco2", "ph", "temperature", more={"alkalinity_dkh": 8.0})
    (first,) = world.say(0, temperature=25.0, ph=8.1)
    world.deriver.tell({"hall": {"alkalinity": 4.0, "calcium": 400.0}, "other": {"alkalinity": 9}})
    (told,) = world.say(60, ph=8.1)
    assert told.value / first.value == pytest.approx(0.5, abs=0.1)  # half the alkalinity, about
    world.deriver.tell({})  # the test was corrected away: the file's number counts again
    (back,) = world.say(120, ph=8.1)
    assert back.value == pytest.approx(first.value)


def test_without_number_or_hand_test_the_reading_is_bad_and_says_why() -> None:
    world = World("pco2", "ph", "temperature", without="alkalinity_dkh")
    (found,) = world.say(0, temperature=25.0, ph=8.1)
    assert (found.quality, found.reason) == (
        Quality.BAD, "cannot be computed: there is no hand test of alkalinity in the log yet",
    )  # fmt: skip


def test_millivolts_become_ph() -> None:
    world = World("ph", "voltage", "temperature")
    (found,) = world.say(0, temperature=28.0, voltage=-69.71)
    assert found.value == pytest.approx(8.167, abs=1e-3)  # row 2.17, corrected to a perfect probe
