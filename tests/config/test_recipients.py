"""Recipients in the configuration: what each kind needs, and that no secret is ever repeated."""

from collections.abc import Callable
from pathlib import Path

import pytest

from weirwatch.config import check, load

TEXT = """
[[system]]
id = "hall"
[[channel]]
id = "hall/sump-node/level"
quantity = "level"
unit = "mm"
[[recipient]]
id = "one"
"""
MAIL = 'kind = "mail"\nhost = "mail.hall.example"\nfrom = "w@hall.example"\nto = "k@hall.example"\n'
Write = Callable[[str], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    (tmp_path / "secrets.toml").write_text('password = "s3cr3t"\nurls = ["json://h/s3cr3t"]\n')

    def write(text: str) -> Path:
        path = tmp_path / "weirwatch.toml"
        path.write_text(TEXT + text)
        return path

    return write


def test_what_they_become(write: Write, tmp_path: Path) -> None:
    more = 'secrets_file = "secrets.toml"\nstand_in = true\nmay_handle = ["floor-leak"]\n'
    (mail,) = load(write(f'{MAIL}{more}longest = 400\ncontact = "the keeper"\n')).recipients
    assert (mail.host, mail.port, mail.tls) == ("mail.hall.example", 587, "starttls")
    assert (mail.sender, mail.to) == ("w@hall.example", "k@hall.example")
    assert mail.secrets_file == tmp_path / "secrets.toml"
    assert mail.stand_in
    assert mail.may_handle == {"floor-leak"}
    assert (mail.longest, mail.contact) == (400, "the keeper")
    assert "s3cr3t" not in repr(mail)
    (plain,) = load(write(f'{MAIL}tls = "tls"\n')).recipients
    assert plain.port == 465


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('kind = "mail"\nfrom = "a@b"\nto = "a@b"', 'one": host: is missing for kind = "mail"'),
        (MAIL.replace("from", "#"), 'one": from: is missing for kind = "mail". Add from = "weir'),
        (MAIL.replace("k@hall", "k hall"), "is not a mail address"),
        (f'{MAIL}url = "https://h/"', 'url: does nothing for kind = "mail"'),
        ('kind = "webhook"\nurl = "ftp://h/"', "is not an address"),
        ('kind = "webhook"\nurl = "https://u:s3cr3t@h/"', "secrets never stand in this file"),
        ('kind = "webhook"\nsecret = "s3cr3t"', "secrets never stand in this file"),
        ('kind = "apprise"', 'secrets_file: is missing for kind = "apprise"'),
        ('kind = "webhook"', 'url: is missing for kind = "webhook". Add url = "https://'),
        (
            f'{MAIL}secrets_file = "secrets.toml"\nsecrets_env = "X"',
            'secrets_env = "X": stands beside secrets_file',
        ),
        (f'{MAIL}tls = "none"\nsecrets_file = "secrets.toml"', "the password in the open"),
        ('kind = "console"\ncontact = "me"', "is only told to a stand-in"),
        ('kind = "console"\nmay_handle = ["leak"]', "names a failure that is not there"),
        ('kind = "console"\nlongest = 100', "must be 320 or more"),
    ],
)
def test_what_is_refused(write: Write, text: str, told: str) -> None:
    errors = check(write(text)).errors
    assert len(errors) == 1, errors
    assert told in errors[0]
    assert "s3cr3t" not in errors[0]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (f'{MAIL}secrets_file = "none.toml"', "No such file or directory. Correct the path"),
        (f'{MAIL}secrets_env = "WEIRWATCH_NOT_SET"', "is not set. Set it for the service"),
        ('kind = "webhook"\nsecrets_file = "secrets.toml"', "url is no http or https address"),
    ],
)
def test_what_this_user_cannot_read_is_a_doubt(write: Write, text: str, told: str) -> None:
    report = check(write(text))
    assert report.errors == ()
    (warning,) = [warning for warning in report.warnings if told in warning]
    assert warning.endswith(": the service does not start without.")
    assert load(write(text)).recipients
    assert "s3cr3t" not in "".join(report.warnings)
