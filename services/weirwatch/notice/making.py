"""Which notifier serves a recipient, made with its secrets."""

import ssl

from weirwatch.domain.errors import ConfigError
from weirwatch.notice.apprise_ways import AppriseNotifier
from weirwatch.notice.console import ConsoleNotifier
from weirwatch.notice.json_lines import JsonLinesNotifier
from weirwatch.notice.mail import MailNotifier, MailServer
from weirwatch.notice.secrets import read_secrets, secret_text
from weirwatch.notice.webhook import WebhookNotifier
from weirwatch.ports import Clock, Notifier
from weirwatch.settings import RecipientSettings


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


def _webhook(recipient: RecipientSettings, clock: Clock, source: str) -> WebhookNotifier:
    secrets = read_secrets(recipient)
    url = secret_text(recipient, secrets, "url") or recipient.url
    if not url.startswith(("http://", "https://")):
        raise ConfigError(
            f'recipient "{recipient.id}": url is no http or https address: write one, or url = "…" '
            "among its secrets if it holds a secret itself"
        )
    secret = secret_text(recipient, secrets, "secret")
    return WebhookNotifier(recipient.id, url, secret, source, clock, _trust(recipient))


def _mail(recipient: RecipientSettings) -> MailNotifier:
    secrets = read_secrets(recipient)
    server = MailServer(
        host=recipient.host,
        port=recipient.port,
        tls=recipient.tls,
        context=_trust(recipient),
        username=secret_text(recipient, secrets, "username"),
        password=secret_text(recipient, secrets, "password"),
    )
    return MailNotifier(recipient.id, server, recipient.sender, recipient.to)


def _apprise(recipient: RecipientSettings) -> AppriseNotifier:
    urls = read_secrets(recipient).get("urls")
    if not isinstance(urls, list) or not urls or not all(isinstance(url, str) for url in urls):
        raise ConfigError(
            f'recipient "{recipient.id}": its secrets hold no urls: write urls = ["…"] there'
        )
    return AppriseNotifier(recipient.id, urls)


def _trust(recipient: RecipientSettings) -> ssl.SSLContext | None:
    if recipient.ca_file is None:
        return None
    try:
        return ssl.create_default_context(cafile=str(recipient.ca_file))
    except (OSError, ssl.SSLError) as error:
        why = getattr(error, "strerror", None) or "not a PEM file"
        raise ConfigError(
            f'recipient "{recipient.id}": ca_file {recipient.ca_file}: {why}: name a PEM file'
        ) from None
