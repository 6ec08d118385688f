"""What a recipient of each kind needs, and where its secrets must be."""

from collections.abc import Iterable, Iterator

from weirwatch.clock import SystemClock
from weirwatch.config.draft import Draft
from weirwatch.config.entries import Entry
from weirwatch.config.problems import Problem, did_you_mean
from weirwatch.config.recipient_models import HeartbeatConfig, RecipientConfig
from weirwatch.config.values import LOOPBACK
from weirwatch.domain.errors import ConfigError
from weirwatch.notice.making import heartbeat_post, notifier_for

_NEEDED = {
    "mail": {
        "host": 'Add host = "mail.hall.example"',
        "from_": 'Add from = "weirwatch@hall.example"',
        "to": 'Add to = "keeper@hall.example"',
    },
}
_OF_KIND = {
    "path": ("file",),
    "url": ("webhook",),
    "host": ("mail",),
    "port": ("mail",),
    "tls": ("mail",),
    "from_": ("mail",),
    "to": ("mail",),
    "secrets_file": ("webhook", "mail", "apprise"),
    "secrets_env": ("webhook", "mail", "apprise"),
    "ca_file": ("webhook", "mail"),
}


def check_recipients(draft: Draft, failures: Iterable[str]) -> Iterator[Problem]:
    """Yield what is wrong with recipients; a secret is never repeated."""
    known = frozenset(failures)
    yield from check_heartbeat(draft.heartbeat)
    for entry in draft.recipients:
        yield from check_kind(entry)
        for failure in dict.fromkeys(entry.config.may_handle):
            if failure not in known and entry.whole("may_handle"):
                cure = did_you_mean(failure, known)
                what = "names a failure that is not there"
                yield Problem(entry.at("may_handle"), what, cure, failure)


def _keys(entry: Entry[RecipientConfig]) -> Iterator[Problem]:
    config = entry.config
    for key, cure in _NEEDED.get(config.kind, {}).items():
        if getattr(config, key) is None and entry.whole(key.rstrip("_")):
            what = f'is missing for kind = "{config.kind}"'
            yield Problem(entry.at(key.rstrip("_")), what, cure)
    for key, kinds in _OF_KIND.items():
        if key in config.model_fields_set and config.kind not in kinds:
            wanted = " or ".join(f'"{kind}"' for kind in kinds)
            yield Problem(
                entry.at(key.rstrip("_")),
                f'does nothing for kind = "{config.kind}"',
                f"Leave it out, or write kind = {wanted}",
            )
    if config.contact and not config.stand_in:
        yield Problem(entry.at("contact"), "is only told to a stand-in", "Add stand_in = true")


def check_heartbeat(entry: Entry[HeartbeatConfig]) -> Iterator[Problem]:
    """Yield what is wrong with where signs of life go."""
    config = entry.config
    yield from _two_places(entry)
    if config.model_fields_set and not config.wanted and not entry.broken:
        cure = 'Add url = "https://hall.example/alive", or secrets_file with a url in it'
        yield Problem(entry.at("url"), "is missing, and no secrets are named", cure)


def _two_places(entry: Entry[RecipientConfig] | Entry[HeartbeatConfig]) -> Iterator[Problem]:
    config = entry.config
    if config.secrets_file is not None and config.secrets_env is not None:
        what = "stands beside secrets_file"
        yield Problem(entry.at("secrets_env"), what, "Leave one of them out", config.secrets_env)


def _secret_places(entry: Entry[RecipientConfig]) -> Iterator[Problem]:
    config = entry.config
    yield from _two_places(entry)
    if config.secrets_file is not None or config.secrets_env is not None:
        return
    if config.kind == "apprise":
        cure = 'Add secrets_file = "…", and in that file urls = ["…"]'
        yield Problem(entry.at("secrets_file"), 'is missing for kind = "apprise"', cure)
    if config.kind == "webhook" and config.url is None and not entry.broken:
        cure = 'Add url = "https://hall.example/notices", or secrets_file with a url in it'
        yield Problem(entry.at("url"), 'is missing for kind = "webhook"', cure)


def _plain_mail(entry: Entry[RecipientConfig]) -> Iterator[Problem]:
    config = entry.config
    secret = config.secrets_file is not None or config.secrets_env is not None
    open_way = config.kind == "mail" and config.tls == "none" and config.host not in LOOPBACK
    if open_way and secret:
        cure = 'Write "starttls" or "tls", or leave the secrets out'
        yield Problem(entry.at("tls"), "would send the password in the open", cure, config.tls)


def check_kind(entry: Entry[RecipientConfig]) -> Iterator[Problem]:
    """Yield what a recipient of its kind lacks or has too much."""
    if entry.whole("kind"):
        yield from _keys(entry)
        yield from _secret_places(entry)
        yield from _plain_mail(entry)


def doubt_recipients(draft: Draft) -> Iterator[Problem]:
    """Yield what keeps a notifier from being made here: secrets that this user cannot read.

    A doubt and no mistake: whoever asks for the status may not be allowed to read them. The
    service itself refuses to start.
    """
    for entry in draft.recipients:
        settings = entry.config.to_domain(draft.folder)
        try:
            notifier_for(settings, SystemClock(), "").close()
        except ConfigError as error:
            yield from _doubts(error, f'recipient "{settings.id}": ', entry.place)
    heartbeat = draft.heartbeat.config.to_domain(draft.folder)
    if heartbeat is not None:
        try:
            heartbeat_post(heartbeat, SystemClock(), "")
        except ConfigError as error:
            yield from _doubts(error, "heartbeat: ", draft.heartbeat.place)


def _doubts(error: ConfigError, prefix: str, place: str) -> Iterator[Problem]:
    for problem in error.problems:
        what, _, cure = problem.removeprefix(prefix).rpartition(": ")
        cure = f"{cure[:1].upper()}{cure[1:]}: the service does not start without"
        yield Problem(place, what, cure)
