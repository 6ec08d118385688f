"""docs/log.md tells every kind, quantity and substance with the right numbers; its CSV reads."""

import re
from pathlib import Path

import pytest

from weirwatch.cli.log_words import read_csv
from weirwatch.domain.keeper_log import KINDS
from weirwatch.pipeline.calibration_due import DUE_AFTER_DAYS
from weirwatch.pipeline.log_entries import BUDGET, LIME_WATER, SUBSTANCES
from weirwatch.pipeline.log_units import MEASURES, in_unit

TEXT = (Path(__file__).parents[2] / "docs" / "log.md").read_text("utf-8")


def rows(head: str) -> list[list[str]]:
    table = TEXT.split(head)[1].split("\n\n")[0]
    return [[c.strip() for c in line.strip("|").split("|")] for line in table.splitlines()[2:]]


def test_every_kind_is_told_and_no_other() -> None:
    told = [name for row in rows("| Kind |") for name in re.findall(r"`([a-z-]+)`", row[0])]
    assert sorted(told) == sorted(KINDS)


def test_every_quantity_is_told_with_its_unit_and_what_is_believed() -> None:
    table = {row[0].strip("`"): row for row in rows("| Quantity |")}
    assert table.keys() == MEASURES.keys()
    for name, measure in MEASURES.items():
        _, kept, _, believed = table[name]
        assert kept.split()[0] == measure.unit
        low, high = measure.usual
        assert believed == f"{low:g} to {high:g}"


def test_every_unit_that_is_told_is_taken() -> None:
    taken = {
        "alkalinity": ["dKH", "meq/L", "mmol/L", "ppm", "mg/L"],
        "nitrate": ["ppm", "mg/L N"],
        "phosphate": ["ppm", "ppb", "mg/L P", "ug/L P", "ppb P"],
        "ammonia": ["ppm", "mg/L N"],
        "salinity": ["psu", "ppt", "SG"],
        "temperature": ["degF", "K"],
        "conductivity": ["uS/cm", "S/m"],
    }
    for quantity, units in taken.items():
        row = next(row for row in rows("| Quantity |") if row[0] == f"`{quantity}`")
        for unit in units:
            assert unit in f"{row[1]} {row[2]}"
            in_unit(quantity, 1.025, unit)


@pytest.mark.parametrize("word", [*BUDGET, *SUBSTANCES, LIME_WATER])
def test_every_dose_that_counts_is_told(word: str) -> None:
    assert f"`{word}`" in TEXT.split("## Doses")[1].split("## CSV")[0]


def test_the_csv_reads(tmp_path: Path) -> None:
    file = tmp_path / "tests.csv"
    file.write_text(re.findall(r"```csv\n(.*?)```", TEXT, re.DOTALL)[0])
    first, second = read_csv(file)
    assert (first["subject"], first["value"], second["unit"]) == ("alkalinity", 8.1, "mg/L")


def test_when_a_calibration_is_due_is_told() -> None:
    assert DUE_AFTER_DAYS == {
        "ph": 30,
        "ph-voltage": 30,
        "conductivity": 90,
        "oxygen": 90,
        "level": 365,
    }
    assert "pH after 30 days, conductivity and oxygen after 90, level after a year" in TEXT
