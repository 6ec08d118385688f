"""The campaign script plays, remembers what it has played, and tells what it found."""

import json
from pathlib import Path
from runpy import run_path
from typing import Any

import pytest

SCRIPT = Path(__file__).parents[1] / "bench" / "campaign.py"


def test_a_campaign_goes_on_where_it_was(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    campaign: dict[str, Any] = run_path(str(SCRIPT))
    out = tmp_path / "plays.jsonl"
    assert campaign["main"](["floor-leak", "--runs", "1", "--out", str(out)]) == 0
    assert "| `floor-leak` | 1 of 1 | 15 s | 15 s | 15 s | 1.1 min | 50 s | 0 |" in (
        capsys.readouterr().out
    )
    (first,) = out.read_text().splitlines()
    assert campaign["main"](["floor-leak", "--runs", "2", "--out", str(out)]) == 0
    again, second = out.read_text().splitlines()
    assert again == first  # not played twice
    assert json.loads(second)["run"] == 1
    worse = first.replace('"verdict": "detected"', '"verdict": "missed"')
    out.write_text(f"{worse}\n")
    assert campaign["main"](["--table", "--out", str(out)]) == 1
    assert "| `floor-leak` | 0 of 1 |" in capsys.readouterr().out
