"""What the service goes by stays what the file said at the start, and a change is noticed."""

from pathlib import Path

import pytest

from weirwatch.config import load
from weirwatch.config.in_use import FILE_NAME, InUse
from weirwatch.domain.errors import ConfigError

TEXT = """\
[[system]]
id = "hall"
title = "Harbour Hall"

[[channel]]
id = "hall/sump-node/level"
quantity = "level"
unit = "mm"
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "etc" / "weirwatch.toml"
    path.parent.mkdir()
    path.write_text(TEXT)
    return path


def later(path: Path, text: str) -> None:
    """Written anew, as an editor does: another file of the same name."""
    path.with_suffix(".new").write_text(text)
    path.with_suffix(".new").replace(path)


def test_the_copy_is_loaded_as_if_it_stood_in_the_place_of_the_file(file: Path) -> None:
    in_use = InUse(file)
    kept = in_use.keep(file.parent.parent / "data")
    later(file, TEXT.replace("Harbour Hall", "Other"))
    settings = load(file, text_of=kept)
    assert settings.systems[0].title == "Harbour Hall"
    assert settings.service.data_dir == file.parent / "data"
    assert settings.source == file
    assert kept.name == FILE_NAME
    assert kept.stat().st_mode & 0o777 == 0o600
    assert [path.name for path in kept.parent.iterdir()] == [FILE_NAME]


@pytest.mark.parametrize(
    ("text", "edited"),
    [
        (TEXT, False),
        ("# a comment\n" + TEXT, False),
        (TEXT.replace("Hall", "Hill"), True),
        (TEXT + "[web]\n", True),
        ("= not TOML", True),
    ],
)
def test_whether_it_says_something_else(file: Path, text: str, edited: bool) -> None:
    in_use = InUse(file)
    assert not in_use.edited()
    later(file, text)
    assert in_use.edited() is edited
    assert in_use.edited() is edited
    later(file, TEXT)
    assert not in_use.edited(), "taken back"


def test_a_file_that_is_gone_is_a_change(file: Path) -> None:
    in_use = InUse(file)
    file.unlink()
    assert in_use.edited()


def test_a_folder_that_cannot_be_written_is_told(file: Path) -> None:
    with pytest.raises(ConfigError, match="make the data folder writable"):
        InUse(file).keep(file / "data")
