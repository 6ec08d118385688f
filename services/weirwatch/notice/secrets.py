"""A recipient's secrets: read from a file of its own or from the environment, and never shown."""

import os
import tomllib
from collections.abc import Mapping
from typing import Any

from weirwatch.domain.errors import ConfigError
from weirwatch.settings import RecipientSettings


def read_secrets(recipient: RecipientSettings) -> Mapping[str, Any]:
    """Return the TOML table in the recipient's secrets file or environment variable.

    Raises:
        ConfigError: it cannot be read; the message never repeats what stands in it.
    """
    where = f'recipient "{recipient.id}"'
    if recipient.secrets_file is not None:
        try:
            text = recipient.secrets_file.read_text("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            why = getattr(error, "strerror", None) or "not UTF-8 text"
            cure = "correct the path, or let the service's user read it"
            raise ConfigError(
                f"{where}: secrets_file {recipient.secrets_file}: {why}: {cure}"
            ) from None
        return _table(text, f"{where}: secrets_file {recipient.secrets_file}")
    if recipient.secrets_env:
        found = os.environ.get(recipient.secrets_env)
        if found is None:
            raise ConfigError(
                f"{where}: secrets_env {recipient.secrets_env}: is not set: set it for the "
                "service, or name a secrets_file"
            )
        return _table(found, f"{where}: secrets_env {recipient.secrets_env}")
    return {}


def secret_text(recipient: RecipientSettings, secrets: Mapping[str, Any], key: str) -> str:
    """Return one secret as text; empty when it is not there.

    Raises:
        ConfigError: it is there and not a text.
    """
    value = secrets.get(key, "")
    if not isinstance(value, str):
        raise ConfigError(
            f'recipient "{recipient.id}": {key} among its secrets is not a text in quotes'
        )
    return value


def _table(text: str, where: str) -> Mapping[str, Any]:
    try:
        return tomllib.loads(text)
    except ValueError:
        # Not the parser's own words: they might quote the secret.
        raise ConfigError(f'{where}: not TOML: write lines as secret = "…"') from None
