"""Where the failure catalogue is read: `failures.toml`, shipped inside the package."""

import tomllib
from importlib.resources import files

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.failures import Catalogue, parse_catalogue

_FILE = "failures.toml"


def load_catalogue() -> Catalogue:
    """Return the catalogue that ships with this version.

    Raises:
        ConfigError: the shipped file was damaged; every problem names the file.
    """
    return read_catalogue(files("weirwatch").joinpath(_FILE).read_text(encoding="utf-8"))


def read_catalogue(text: str) -> Catalogue:
    """Return the catalogue in the text of a `failures.toml`.

    Raises:
        ConfigError: not TOML, or not a catalogue; every problem names the file.
    """
    try:
        return parse_catalogue(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{_FILE}: {error}; install Weirwatch again") from error
    except ConfigError as error:
        raise ConfigError([f"{_FILE}: {problem}" for problem in error.problems]) from error
