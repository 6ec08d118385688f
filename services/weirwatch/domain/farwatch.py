"""What the independent watcher makes of what it sees, and when it says so.

Pure: `verdict` judges one look, `step` lets a verdict stand for a while before it is told.
"""

from dataclasses import dataclass, replace
from enum import StrEnum

from weirwatch.domain.instant import SECOND, Micros


class Verdict(StrEnum):
    """How the site looks from afar."""

    WELL = "well"
    STOPPED = "stopped-on-purpose"
    SERVICE_LOST = "service-lost"
    UNHEARD = "service-unheard-of"
    API_DARK = "api-dark"
    BROKER_LOST = "broker-lost"
    SITE_DARK = "site-dark"
    DARK = "dark"
    CANNOT_SEE = "cannot-see"


# How long a verdict must stand until it is told. The service may need 30 s to find a broker again
# that was restarted without its retained topics.
STANDS: dict[Verdict, Micros] = {
    Verdict.WELL: 5 * SECOND,
    Verdict.STOPPED: 600 * SECOND,
    Verdict.SERVICE_LOST: 10 * SECOND,
    Verdict.UNHEARD: 40 * SECOND,
    Verdict.API_DARK: 45 * SECOND,
    Verdict.BROKER_LOST: 15 * SECOND,
    Verdict.SITE_DARK: 15 * SECOND,
    Verdict.DARK: 15 * SECOND,
    Verdict.CANNOT_SEE: 60 * SECOND,
}


@dataclass(frozen=True, slots=True)
class Seen:
    """One look at the site.

    Attributes:
        broker: the connection to the site's broker stands.
        service: what the service last said of its own connection: "up", "stopped" on purpose,
            "lost" (its last will), or "" when nothing was heard.
        api: its API answers; None: not looked at.
        outside: something that is not of the site answers; None: nothing else is looked at.
    """

    broker: bool
    service: str
    api: bool | None
    outside: bool | None


@dataclass(frozen=True, slots=True)
class Watch:
    """Which verdict stands since when, and which was told last."""

    verdict: Verdict = Verdict.WELL
    since: Micros = 0
    told: Verdict = Verdict.WELL


def verdict(seen: Seen) -> Verdict:
    """Return what one look means; what the watcher cannot know it does not claim."""
    if seen.broker:
        by_word = {"lost": Verdict.SERVICE_LOST, "stopped": Verdict.STOPPED, "": Verdict.UNHEARD}
        if seen.service in by_word:
            return by_word[seen.service]
        return Verdict.API_DARK if seen.api is False else Verdict.WELL
    if seen.api:
        return Verdict.BROKER_LOST
    if seen.outside is None:
        return Verdict.DARK
    return Verdict.SITE_DARK if seen.outside else Verdict.CANNOT_SEE


def step(watch: Watch, found: Verdict, now: Micros) -> tuple[Watch, bool]:
    """Return the watch after a look, and whether its verdict is to be told now."""
    if found is not watch.verdict:
        watch = replace(watch, verdict=found, since=now)
    if watch.verdict is watch.told or now - watch.since < STANDS[watch.verdict]:
        return watch, False
    return replace(watch, told=watch.verdict), True
