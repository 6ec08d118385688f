"""The keeper's log: units, belief, what follows from an entry, corrections, and all or nothing."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.loop_world import settings_of
from support.still_clock import NOON

from weirwatch.config import load
from weirwatch.domain.errors import RefusedEntry
from weirwatch.domain.instant import Instant, Micros
from weirwatch.domain.keeper_log import Correction, LogEntry
from weirwatch.pipeline.log_desk import LogDesk
from weirwatch.pipeline.log_entries import entry_json
from weirwatch.store.log_book import LogBook
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.store.sqlite_journal import SqliteJournal

DEMO = Path(__file__).parents[2] / "deploy" / "harbour-hall.toml"
PH = "harbour-hall/sump-node/ph"


class Clock:
    speed = 1.0

    def __init__(self) -> None:
        self.utc: Micros = NOON

    def now(self) -> Instant:
        return Instant(self.utc, self.utc)

    def real_mono(self) -> Micros:
        return self.utc


class World:
    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE_NAME
        SqliteJournal(self.path).close()
        self.book = LogBook(self.path)
        self.clock = Clock()
        self.told: list[tuple[str, Correction]] = []
        self.desk = LogDesk(
            self.book, load(DEMO), self.clock, lambda *found: self.told.append(found)
        )

    def add(self, kind: str, **fields: Any) -> Mapping[str, Any]:
        answer = self.desk.handle({"entries": [{"kind": kind, **fields}]})
        (entry,) = answer["entries"]
        assert isinstance(entry, dict)
        return entry

    def all(self) -> list[LogEntry]:
        archive = SqliteArchive(self.path)
        try:
            return list(archive.log(None, None, (), 0, 1000))
        finally:
            archive.close()


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = World(tmp_path)
    yield made
    made.book.close()


@pytest.mark.parametrize(
    ("subject", "value", "unit", "kept"),
    [
        ("alkalinity", 8.2, "dKH", 8.2),
        ("alkalinity", 2.9, "meq/L", 2.9 * 2.804),  # 2.804 dKH per meq/L, row 4.30
        ("alkalinity", 146.0, "ppm", 146.0 / 50.04 * 2.804),  # as CaCO3, rows 4.31, 4.32
        ("alkalinity", 146.0, "mg/L CaCO3", 146.0 / 50.04 * 2.804),
        ("calcium", 420.0, "ppm", 420.0),  # what kits mean by it: common practice, no source
        ("nitrate", 1.0, "mg/L N", 4.4268),  # molar masses, IUPAC 2021
        ("phosphate", 60.0, "ppb", 0.06),
        ("phosphate", 30.0, "ppb P", 0.09199),
        ("salinity", 35.16504, "ppt", 35.0),  # reference salinity, TEOS-10
        ("salinity", 1.02637, "SG", 35.0),  # 25/25 °C, row 1.23
        ("temperature", 77.0, "degF", 25.0),
    ],
)
def test_units_of_hand_tests(
    world: World, subject: str, value: float, unit: str, kept: float
) -> None:
    entry = world.add("test", subject=subject, value=value, unit=unit)
    assert entry["value"] == pytest.approx(kept, rel=2e-4)
    assert entry["given"] == f"{value:g} {unit}"


@pytest.mark.parametrize(
    ("subject", "value", "unit", "words"),
    [
        ("alkalinity", 82.0, "dKH", "is impossible"),
        ("alkalinity", 8.2, "", "there is no unit; write dKH"),
        ("alkalinity", 8.2, "ppm", "outside 3 to 20"),  # dKH written as ppm
        ("alkalinity", 420.0, "Cel", "write dKH"),
        ("calcium", 42.0, "mg/L", "outside 200 to 700"),
        ("calcium", float("nan"), "mg/L", "no usable number"),
        ("calcium", float("inf"), "mg/L", "no usable number"),
        ("calcuim", 420.0, "mg/L", "is no quantity of the log"),
        ("salinity", 1.35, "SG", "is impossible"),
    ],
)
def test_what_nobody_would_believe_is_questioned_and_not_stored(
    world: World, subject: str, value: float, unit: str, words: str
) -> None:
    with pytest.raises(RefusedEntry, match=words):
        world.add("test", subject=subject, value=value, unit=unit)
    assert world.all() == []


def test_the_unusual_is_stored_when_it_is_meant_but_never_the_impossible(world: World) -> None:
    entry = world.add("test", subject="alkalinity", value=2.5, unit="dKH", sure=True)
    assert entry["value"] == 2.5
    with pytest.raises(RefusedEntry, match="is impossible"):
        world.add("test", subject="alkalinity", value=82.0, unit="dKH", sure=True)


def test_a_dose_is_kept_as_what_it_raises(world: World) -> None:
    # 40 g of soda in 2860 l: 40 / 105.988 x 2 eq = 0.7548 eq, 0.2639 meq/l, 0.740 dKH.
    soda = world.add("dose", subject="sodium-carbonate", value=40.0, unit="g")
    assert soda["detail"]["rises"]["alkalinity"] == pytest.approx(0.740, rel=2e-3)
    dissolved = world.add(
        "dose", subject="sodium-carbonate", value=200.0, unit="mL", strength_g_l=200.0, sure=True
    )
    assert dissolved["detail"]["rises"] == soda["detail"]["rises"]
    plain = world.add("dose", subject="calcium", value=5.0, unit="ppm", daily=True)
    assert plain["detail"] == {"rises": {"calcium": 5.0}, "daily": True}
    lime = world.add("dose", subject="lime-water", value=5.0, unit="L")
    assert lime["detail"]["rises"]["calcium"] > 0
    with pytest.raises(RefusedEntry, match=r"7\.4 dKH of alkalinity at once"):
        world.add("dose", subject="sodium-carbonate", value=400.0, unit="g")
    with pytest.raises(RefusedEntry, match="counts for nothing in the budget"):
        world.add("dose", subject="sodium-carbnate", value=40.0, unit="g")


def test_water_change_and_reactor(world: World) -> None:
    change = world.add("water-change", value=286.0, unit="L", fresh={"alkalinity": 7.5})
    assert change["detail"]["part"] == pytest.approx(0.1)
    with pytest.raises(RefusedEntry, match="of the water"):
        world.add("water-change", value=2000.0, unit="L")
    reactor = world.add("reactor", value=2.4, unit="L/h", effluent_dkh=28.0)
    assert (reactor["value"], reactor["unit"]) == (pytest.approx(40.0), "mL/min")
    with pytest.raises(RefusedEntry, match="needs its effluent"):
        world.add("reactor", value=40.0, unit="mL/min")


def test_a_correction_keeps_the_old_entry(world: World) -> None:
    wrong = world.add("test", subject="calcium", value=430.0, unit="mg/L")
    world.add("test", subject="calcium", value=410.0, unit="mg/L", replaces=wrong["number"])
    first, second = world.all()
    assert (first.value, first.replaced_by) == (430.0, second.number)
    assert second.replaces == first.number
    with pytest.raises(RefusedEntry, match="is corrected by 2 already"):
        world.add("note", text="no", replaces=first.number)
    with pytest.raises(RefusedEntry, match="no entry 99"):
        world.add("note", text="no", replaces=99)


def test_all_are_stored_or_none_and_each_is_named(world: World) -> None:
    good = {"kind": "note", "text": "fine"}
    bad = {"kind": "test", "subject": "calcium", "value": 4.2, "unit": "mg/L"}
    with pytest.raises(RefusedEntry) as refused:
        world.desk.handle({"entries": [good, bad, {"kind": "nap"}, {"kind": "note", "x": 1}]})
    starts = [problem.split(":")[0] for problem in refused.value.problems]
    assert starts == ["entry 2", "entry 3", "entry 4"]
    assert world.all() == []
    assert len(world.desk.handle({"entries": [good], "check": True})["entries"]) == 1
    assert world.all() == []


def test_the_same_of_the_same_moment_is_questioned(world: World) -> None:
    fields = {"subject": "calcium", "value": 420.0, "unit": "mg/L", "time": "2026-05-01T08:00:00Z"}
    world.add("test", **fields)
    with pytest.raises(RefusedEntry, match="entry 1 says the same"):
        world.add("test", **fields)
    world.add("test", **fields, sure=True)
    assert len(world.all()) == 2


def test_nothing_happened_in_the_future(world: World) -> None:
    with pytest.raises(RefusedEntry, match="not in the past"):
        world.add("note", text="later", time="2027-01-01T00:00:00Z")


json = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=12,
)
FIELDS = st.sampled_from(
    ["kind", "time", "subject", "value", "unit", "points", "channel", "fresh", "text", "replaces"]
)


@settings(deadline=None)
@given(st.dictionaries(FIELDS, json), st.sampled_from(["test", "dose", "reactor", "calibration"]))
def test_whatever_is_sent_is_stored_or_refused(fields: dict[str, Any], kind: str) -> None:
    from weirwatch.pipeline.log_entries import LogWorld, make_entry, request_from

    settings = _demo()
    try:
        request = request_from({"kind": kind, **fields})
        entry_json(make_entry(request, LogWorld(settings, NOON, lambda _: None, {})))
    except RefusedEntry:
        return  # anything else that is raised is a fault


_kept: list[Any] = []


def _demo() -> Any:
    if not _kept:
        _kept.append(load(DEMO))
    return _kept[0]


def test_without_a_plant_a_substance_needs_the_volume(tmp_path: Path) -> None:
    SqliteJournal(tmp_path / FILE_NAME).close()
    book = LogBook(tmp_path / FILE_NAME)
    desk = LogDesk(book, settings_of(), Clock())
    try:
        entry = {"kind": "dose", "subject": "sodium-carbonate", "value": 4.0, "unit": "g"}
        with pytest.raises(RefusedEntry, match="describe it in"):
            desk.handle({"entries": [entry]})
        desk.handle(
            {"entries": [{"kind": "dose", "subject": "alkalinity", "value": 0.3, "unit": "dKH"}]}
        )
    finally:
        book.close()
