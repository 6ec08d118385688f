"""Which notifier serves a recipient, and what sends signs of life: made with their secrets."""

import ssl
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from weirwatch.domain.errors import ConfigError
from weirwatch.notice.apprise_ways import AppriseNotifier
from weirwatch.notice.console import ConsoleNotifier
from weirwatch.notice.heartbeat_post import HeartbeatPost
from weirwatch.notice.http_post import HttpPost
from weirwatch.notice.json_lines import JsonLinesNotifier
from weirwatch.notice.mail import MailNotifier, MailServer
from weirwatch.notice.secrets import read_secrets, secret_text, secret_url
from weirwatch.notice.webhook import WebhookNotifier
from weirwatch.ports import Clock, Notifier
from weirwatch.settings import HeartbeatSettings, RecipientSettings


def notifier_for(recipient: RecipientSettings, clock: Clock, source: str) -> Notifier:
    """Return the notifier; `source` is that of its CloudEvents.

    Raises:
        ConfigError: a secret or a file is missing or cannot be used.
    """
    match recipient.kind:
        case "file":
            if recipient.path is None:
                raise ConfigError(f'recipient {recipient.id!r}: kind = "file" needs a path')
            return JsonLinesNotifier(recipient.path)
        case "webhook":
            return _webhook(recipient, clock, source)
        case "mail":
            return _mail(recipient)
        case "apprise":
            return _apprise(recipient)
        case _:
            return ConsoleNotifier()


def heartbeat_post(settings: HeartbeatSettings, clock: Clock, source: str) -> HeartbeatPost:
    """Return what sends signs of life; `source` is that of its CloudEvents.

    Raises:
        ConfigError: a secret or a file is missing or cannot be used.
    """
    where = "heartbeat"
    secrets = read_secrets(where, settings.secrets_file, settings.secrets_env)
    url = secret_url(where, secrets, settings.url)
    post = HttpPost(url, _trust(where, settings.ca_file))
    return HeartbeatPost(post, secret_text(where, secrets, "secret"), source, clock)


def _webhook(recipient: RecipientSettings, clock: Clock, source: str) -> WebhookNotifier:
    where, secrets = _secrets(recipient)
    url = secret_url(where, secrets, recipient.url)
    secret = secret_text(where, secrets, "secret")
    trust = _trust(where, recipient.ca_file)
    return WebhookNotifier(recipient.id, url, secret, source, clock, trust)


def _mail(recipient: RecipientSettings) -> MailNotifier:
    where, secrets = _secrets(recipient)
    server = MailServer(
        host=recipient.host,
        port=recipient.port,
        tls=recipient.tls,
        context=_trust(where, recipient.ca_file),
        username=secret_text(where, secrets, "username"),
        password=secret_text(where, secrets, "password"),
    )
    return MailNotifier(recipient.id, server, recipient.sender, recipient.to)


def _apprise(recipient: RecipientSettings) -> AppriseNotifier:
    where, secrets = _secrets(recipient)
    urls = secrets.get("urls")
    if not isinstance(urls, list) or not urls or not all(isinstance(url, str) for url in urls):
        raise ConfigError(f'{where}: its secrets hold no urls: write urls = ["…"] there')
    return AppriseNotifier(recipient.id, urls)


def _secrets(recipient: RecipientSettings) -> tuple[str, Mapping[str, Any]]:
    where = f'recipient "{recipient.id}"'
    return where, read_secrets(where, recipient.secrets_file, recipient.secrets_env)


def _trust(where: str, ca_file: Path | None) -> ssl.SSLContext | None:
    if ca_file is None:
        return None
    try:
        return ssl.create_default_context(cafile=str(ca_file))
    except (OSError, ssl.SSLError) as error:
        why = getattr(error, "strerror", None) or "not a PEM file"
        raise ConfigError(f"{where}: ca_file {ca_file}: {why}: name a PEM file") from None
