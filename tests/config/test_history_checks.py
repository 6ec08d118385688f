"""`[history]`: a server needs an address, the file does not take one."""

from pathlib import Path

import pytest

from weirwatch.config import load
from weirwatch.domain.errors import ConfigError

PLANT = """
[[system]]
id = "harbour-hall"
[[channel]]
id = "harbour-hall/sump-node/level"
quantity = "level"
unit = "mm"
[[rule]]
id = "sump-high"
kind = "absolute"
channel = "harbour-hall/sump-node/level"
high = 345
failure = "sump-high"
response = "Look for a siphon."
"""


def loaded(folder: Path, history: str) -> Path:
    file = folder / "weirwatch.toml"
    file.write_text(f"[history]\n{history}\n{PLANT}")
    return file


@pytest.mark.parametrize(
    ("history", "said"),
    [
        ('kind = "victoriametrics"', "url.*is missing"),
        ('url = "http://127.0.0.1:8428"', "is of a history on a server"),
        ('kind = "influxdb"\nurl = "http://x:1"\norg = "a"', "bucket.*is missing"),
        ('bucket = "b"', "is of a history on a server"),
        ('kind = "victoriametrics"\nurl = "127.0.0.1:8428"', "is not an address"),
        ('kind = "victoriametrics"\nurl = "http://a:b@x:1"', "secrets never stand in this file"),
        (
            'kind = "victoriametrics"\nurl = "http://x:1"\ncredentials_file = "no.toml"',
            "there is no such file",
        ),
    ],
)
def test_what_is_wrong_is_told(tmp_path: Path, history: str, said: str) -> None:
    with pytest.raises(ConfigError, match=said):
        load(loaded(tmp_path, history))


def test_a_server_is_taken(tmp_path: Path) -> None:
    (tmp_path / "login.toml").write_text('token = "x"')
    history = 'kind = "victoriametrics"\nurl = "https://v:8427/insert/0/influx"\n'
    history += 'query_url = "https://v:8481/select/0/prometheus"\ncredentials_file = "login.toml"'
    found = load(loaded(tmp_path, history)).history
    assert (found.kind, found.url) == ("victoriametrics", "https://v:8427/insert/0/influx")
    assert found.query_url == "https://v:8481/select/0/prometheus"
    assert found.credentials_file == tmp_path / "login.toml"
