"""[[job]] and [[supply]]: what is refused, and with which cure."""

from pathlib import Path

import pytest
from support.loop_world import CONFIG

from weirwatch.config import check

SUPPLY = '[[supply]]\nid = "tank"\nunit = "L"\n'


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ('[[job]]\nid = "a"\nevery_days = 5', "remind_days"),
        ('[[job]]\nid = "a"\nevery_days = 0', "every_days"),
        ('[[job]]\nid = "a"\nevery_days = 90\nsystem = "nowhere"', "is no system"),
        (f'{SUPPLY}channel = "harbour-hall/sump-node/nothing"', "is no channel"),
        (f"{SUPPLY}per_unit = 0.2", "does nothing without channel"),
        (f"{SUPPLY}strength_g_l = 80", "does nothing without dose"),
        ('[[supply]]\nid = "a"\nunit = "kWh"\ndose = "lime-water"', "is no unit of a dose"),
        (f'{SUPPLY}channel = "harbour-hall/sump-node/level"\ndose = "x"', "both tell"),
        (f"{SUPPLY}colour = 3", "colour"),
    ],
)
def test_a_mistake_is_told(tmp_path: Path, text: str, complaint: str) -> None:
    file = tmp_path / "weirwatch.toml"
    file.write_text(f"{CONFIG}\n{text}\n")
    report = check(file)
    assert any(complaint in sentence for sentence in report.errors), report.errors


def test_a_right_one_is_taken(tmp_path: Path) -> None:
    file = tmp_path / "weirwatch.toml"
    file.write_text(f'{CONFIG}\n{SUPPLY}channel = "harbour-hall/sump-node/level"\nper_unit = 0.2\n')
    assert check(file).errors == ()
