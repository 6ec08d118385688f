from pathlib import Path

import pytest

from weirwatch.domain.errors import ConfigError
from weirwatch.ingest.credentials import Credentials, read_credentials


def test_reads_user_and_password_and_keeps_the_secret(tmp_path: Path) -> None:
    path = tmp_path / "login.toml"
    path.write_text('username = "service"\npassword = "p#ss"\n')
    login = read_credentials(path)
    assert login == Credentials("service", "p#ss")
    assert "p#ss" not in repr(login)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('password = "secret-word', "not TOML"),
        ('username = "x"\n', "username and password are both needed"),
        ('username = 1\npassword = "secret-word"\n', "username and password are both needed"),
    ],
)
def test_a_wrong_file_is_named_without_its_secret(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "login.toml"
    path.write_text(text)
    with pytest.raises(ConfigError, match=words) as caught:
        read_credentials(path)
    assert str(path) in str(caught.value)
    assert "secret-word" not in str(caught.value)


def test_a_missing_file_names_the_cure(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="correct the path"):
        read_credentials(tmp_path / "none.toml")
