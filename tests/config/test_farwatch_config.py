"""The independent watcher's own file: what it becomes, what is refused, what the docs tell."""

import re
from pathlib import Path

import pytest

from weirwatch.config.entries import keys_of
from weirwatch.config.farwatch_config import FarwatchConfig, load_farwatch
from weirwatch.domain.errors import ConfigError

DOCS = (Path(__file__).parents[2] / "docs" / "notices.md").read_text("utf-8")
(EXAMPLE,) = [b for b in re.findall(r"```toml\n(.*?)```", DOCS, re.DOTALL) if "[farwatch]" in b]


def test_the_example_of_the_docs(tmp_path: Path) -> None:
    path = tmp_path / "farwatch.toml"
    path.write_text(EXAMPLE)
    settings = load_farwatch(path)
    assert settings.title == "Harbour Hall"
    assert settings.broker.url == "mqtt://hall.example:1883"
    assert settings.api == "http://hall.example:8080"
    assert settings.outside == (("192.0.2.1", 443),)
    assert settings.data_dir == tmp_path / "farwatch-data"
    assert [person.id for person in settings.recipients] == ["keeper"]


def test_a_missing_file_is_told_with_the_watchers_own_example(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"docs/notices\.md has one to start from"):
        load_farwatch(tmp_path / "farwatch.toml")


def test_every_key_is_told() -> None:
    for key in keys_of(FarwatchConfig):
        assert f"| `{key}` |" in DOCS


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("[farwatch]", "[farwatsh]", "is not a known section"),
        ('url = "mqtt://hall.example:1883"', "", "names no broker to watch"),
        ("title", "titel", 'Did you mean "title"'),
        ("[[recipient]]", "[[recipients]]", "there is none: nobody would be told"),
        ('kind = "console"', 'kind = "mail"', "host: is missing"),
        ('"http://hall', '"hall', "is not the address of an API"),
        ('"192.0.2.1:443"', '"192.0.2.1"', "is not an address and port"),
        ("[broker]", "[heartbeat]\nevery_s = 30\n[broker]", "and no secrets are named"),
    ],
)
def test_what_is_refused(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert old in EXAMPLE
    path = tmp_path / "farwatch.toml"
    path.write_text(EXAMPLE.replace(old, new))
    with pytest.raises(ConfigError) as raised:
        load_farwatch(path)
    assert told in str(raised.value)
