"""The broker's login, read from its own file so that no secret stands in the configuration."""

import tomllib
from dataclasses import dataclass, field
from pathlib import Path

from weirwatch.domain.errors import ConfigError


@dataclass(frozen=True, slots=True)
class Credentials:
    """A user name and a password; the password never shows in a log."""

    username: str
    password: str = field(repr=False)


def read_credentials(path: Path) -> Credentials:
    """Return what the TOML file says: `username` and `password`.

    Raises:
        ConfigError: the file cannot be read, is not TOML, or lacks one of the two.
    """
    try:
        told = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError(
            f"broker.credentials_file {path}: cannot be read ({error.strerror}): correct the path,"
            " or let the service's user read it"
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError):
        # Not the parser's own words: they might quote the secret.
        raise ConfigError(
            f'broker.credentials_file {path}: not TOML: write username = "…"'
        ) from None
    username, password = told.get("username"), told.get("password")
    if not isinstance(username, str) or not isinstance(password, str):
        raise ConfigError(
            f"broker.credentials_file {path}: username and password are both needed, as texts"
        )
    return Credentials(username, password)
