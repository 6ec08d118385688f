"""`[heartbeat]`: where signs of life go, with its secrets elsewhere."""

from pathlib import Path

import pytest

from weirwatch.config import check, load

HALL = '[[system]]\nid = "hall"\n[[channel]]\nid = "hall/n/l"\nquantity = "level"\nunit = "mm"\n'


def written(folder: Path, text: str) -> Path:
    path = folder / "weirwatch.toml"
    path.write_text(HALL + text)
    return path


def test_without_it_none_are_sent(tmp_path: Path) -> None:
    assert load(written(tmp_path, "")).heartbeat is None


def test_an_address_and_secrets(tmp_path: Path) -> None:
    text = (
        '[heartbeat]\nurl = "https://hall.example/alive"\nevery_s = 30\nsecrets_file = "s.toml"\n'
    )
    (tmp_path / "s.toml").write_text('secret = "x"\n')
    found = load(written(tmp_path, text)).heartbeat
    assert found is not None
    assert (found.url, found.every_s) == ("https://hall.example/alive", 30.0)
    assert found.secrets_file == tmp_path / "s.toml"
    assert not [w for w in check(written(tmp_path, text)).warnings if "heartbeat" in w]


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ("every_s = 30", "url: is missing, and no secrets are named"),
        ('url = "ftp://hall.example"', "url"),
        ('url = "https://me:pw@hall.example/"', "secrets never stand in this file"),
        ('url = "http://h/"\nevery_s = 1', "every_s"),
        ('secrets_file = "a"\nsecrets_env = "B"', "stands beside secrets_file"),
    ],
)
def test_mistakes(tmp_path: Path, keys: str, words: str) -> None:
    (error,) = check(written(tmp_path, f"[heartbeat]\n{keys}\n")).errors
    assert "heartbeat" in error
    assert words in error
    assert "pw" not in error


def test_secrets_that_cannot_be_read_here_are_a_doubt(tmp_path: Path) -> None:
    report = check(written(tmp_path, '[heartbeat]\nsecrets_file = "gone.toml"\n'))
    assert report.errors == ()
    assert [w for w in report.warnings if "heartbeat" in w and "gone.toml" in w]
