"""Secrets of whatever goes out: from a file of their own or the environment, and never shown."""

import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from weirwatch.domain.errors import ConfigError


def read_secrets(where: str, file: Path | None, variable: str) -> Mapping[str, Any]:
    """Return the TOML table in the secrets file or environment variable; empty without either.

    Args:
        where: whose they are, for messages, as `recipient "keeper"`.
        file: `secrets_file`; None: none.
        variable: `secrets_env`; empty: none.

    Raises:
        ConfigError: it cannot be read; the message never repeats what stands in it.
    """
    if file is not None:
        try:
            text = file.read_text("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            why = getattr(error, "strerror", None) or "not UTF-8 text"
            cure = "correct the path, or let the service's user read it"
            raise ConfigError(f"{where}: secrets_file {file}: {why}: {cure}") from None
        return _table(text, f"{where}: secrets_file {file}")
    if variable:
        found = os.environ.get(variable)
        if found is None:
            raise ConfigError(
                f"{where}: secrets_env {variable}: is not set: set it for the service, or name a "
                "secrets_file"
            )
        return _table(found, f"{where}: secrets_env {variable}")
    return {}


def secret_text(where: str, secrets: Mapping[str, Any], key: str) -> str:
    """Return one secret as text; empty when it is not there.

    Raises:
        ConfigError: it is there and not a text.
    """
    value = secrets.get(key, "")
    if not isinstance(value, str):
        raise ConfigError(f"{where}: {key} among its secrets is not a text in quotes")
    return value


def secret_url(where: str, secrets: Mapping[str, Any], url: str) -> str:
    """Return the http or https address among the secrets, else `url`.

    Raises:
        ConfigError: neither is one.
    """
    found = secret_text(where, secrets, "url") or url
    if not found.startswith(("http://", "https://")) or not _is_address(found):
        raise ConfigError(
            f'{where}: url is no http or https address: write one, or url = "…" among its secrets '
            "if it holds a secret itself"
        )
    return found


def _is_address(url: str) -> bool:
    try:
        parts = urlsplit(url)
        return bool(parts.hostname) and parts.port != 0
    except ValueError:
        return False


def _table(text: str, where: str) -> Mapping[str, Any]:
    try:
        return tomllib.loads(text)
    except ValueError:
        # Not the parser's own words: they might quote the secret.
        raise ConfigError(f'{where}: not TOML: write lines as secret = "…"') from None
