"""Notices through the library Apprise: push, chat and SMS services by URL. An optional extra."""

import importlib
import logging
import warnings
from collections.abc import Sequence
from typing import Any

from weirwatch.domain.errors import ConfigError, TransientError
from weirwatch.ports import Notice


class AppriseNotifier:
    """Hands each notice to every URL of one recipient.

    Args:
        recipient: named in errors; URLs are not, for they hold secrets.
        urls: from the recipient's secrets.

    Raises:
        ConfigError: the library is not installed, or does not know a URL.
    """

    def __init__(self, recipient: str, urls: Sequence[str]) -> None:
        self._recipient = recipient
        # What the library says of a failure may name the URL, and with it the secret.
        logging.getLogger("apprise").disabled = True
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about modules that later Pythons lack
            self._all = self._made(urls)

    def _made(self, urls: Sequence[str]) -> Any:
        where = f'recipient "{self._recipient}"'
        try:
            library: Any = importlib.import_module("apprise")
        except ImportError:
            raise ConfigError(
                f"{where}: kind = \"apprise\" needs the library: pip install 'weirwatch[apprise]'"
            ) from None
        services = library.Apprise()
        for number, url in enumerate(urls, start=1):
            if not services.add(url):
                raise ConfigError(
                    f"{where}: urls[{number}] among its secrets is not a URL that Apprise knows: "
                    "correct it"
                )
        return services

    def send(self, notice: Notice) -> None:
        """Hand one notice over.

        Raises:
            TransientError: at least one of the services did not take it.
        """
        first, _, rest = notice.text.partition("\n")
        try:
            taken = self._all.notify(title=first, body=rest or first)
        except Exception as trouble:  # noqa: BLE001 - whatever one of a hundred services raises
            name = type(trouble).__name__
            raise TransientError(f"apprise for {self._recipient}: failed ({name})") from None
        if not taken:
            raise TransientError(f"apprise for {self._recipient}: not every service took it")

    def close(self) -> None:
        """Do nothing: each notice has connections of its own."""
