"""`weirwatch drill FAILURE --live`: one failure over the broker against the running service."""

import threading
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from weirwatch.cli.desk import SOCKET_NAME, print_json
from weirwatch.cli.drill_plant import LEAD_S, SimulatedPlant, SimulatedPlay
from weirwatch.cli.words import console
from weirwatch.clock import ScaledClock
from weirwatch.config.catalogue import load_catalogue
from weirwatch.control.client import ControlClient
from weirwatch.domain.alarm import Event
from weirwatch.domain.errors import ConfigError, TransientError, UnknownFailure, WeirwatchError
from weirwatch.domain.instant import SECOND, Micros, from_rfc3339, micros, to_rfc3339
from weirwatch.ingest.drill_feed import DrillFeed
from weirwatch.pipeline.drill import Outcome, detecting_rules
from weirwatch.pipeline.drill_result import RunResult, Verdict, counted_failures, judge_run
from weirwatch.pipeline.drill_summary import Summary, summarise
from weirwatch.pipeline.plant_source import Moment
from weirwatch.settings import Settings

FASTEST = 60.0
_ASK_EVERY: Micros = SECOND  # real
_AFTERMATH: Micros = 15 * SECOND  # real; for the notices on their way once all is known
_DEAF_AFTER: Micros = 15 * SECOND  # real; then the broker gives the service nothing of it
_GONE_S = 20.0

Json = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the keeper asks for; `minutes` are real."""

    failure: str
    minutes: float
    speed: float
    seed: int
    who: str


@dataclass(slots=True)
class _Heard:
    """What the service has told of the drill so far."""

    last: Json
    events: list[Json] = field(default_factory=list)

    def take(self, answer: Json) -> list[Json]:
        new = list(answer["events"])
        self.events += new
        self.last = answer
        return new

    @property
    def after(self) -> int:
        return int(self.events[-1]["seq"]) if self.events else 0


def run_live(settings: Settings, wanted: Wanted, *, as_json: bool) -> int:
    """Play it, print what came of it, and return the exit code.

    Raises:
        UnknownFailure, ConfigError: it cannot be played.
        IllegalCommand: the service refuses a drill now, and says why.
        TransientError: the service or the broker does not answer.
    """
    plant = _plant_for(settings, wanted.failure)
    core = ControlClient(settings.service.data_dir / SOCKET_NAME)
    now = from_rfc3339(str(core.health()["time"]))
    play = plant.live(wanted.failure, 0, wanted.seed, now)
    moments = play.moments()
    first, connections = _well(moments, play.begins - micros(LEAD_S))
    begun = core.drill(_request(wanted, play, plant, first.time))
    heard = _Heard(begun)
    feed = DrillFeed(settings.broker, (begun["broker"][0], begun["broker"][1]))
    try:
        if not as_json:
            _say_begun(begun, play, wanted)
        feed.start()
        for topic, payload in connections.items():
            feed.send(topic, payload)
        player = _Player(core, feed, _clock_of(begun), heard, quiet=as_json)
        rules = detecting_rules(settings.rules, counted_failures(wanted.failure))
        player.play(moments, play, rules)
    finally:
        _end(core, heard, wanted.who)
        feed.close()
    ended = max(play.begins, player.reached)
    return _report(settings, wanted, play, heard, ended, as_json=as_json)


class _Player:
    """Plays moment by moment at the drill's own pace, and hears of what the service makes of it."""

    def __init__(
        self,
        core: ControlClient,
        feed: DrillFeed,
        clock: ScaledClock,
        heard: _Heard,
        *,
        quiet: bool,
    ) -> None:
        self._core = core
        self._feed = feed
        self._clock = clock
        self._heard = heard
        self._quiet = quiet
        self._pause = threading.Event()
        self._asked = self._began = clock.real_mono()
        self._all_known: Micros | None = None
        self.reached: Micros = clock.origin_utc

    def play(self, moments: Iterator[Moment], play: SimulatedPlay, rules: Collection[str]) -> None:
        """Play until the drill has ended, or everything is known and told."""
        for moment in moments:
            while self._clock.now().utc < moment.time:
                left_s = (moment.time - self._clock.now().utc) / SECOND / self._clock.speed
                self._pause.wait(min(0.5, max(0.01, left_s)))
                if self._over(play, rules):
                    return
            self.reached = moment.time
            for topic, payload in moment.messages:
                self._feed.send(topic, payload)
            if self._over(play, rules):
                return

    def _over(self, play: SimulatedPlay, rules: Collection[str]) -> bool:
        now = self._clock.real_mono()
        if now - self._asked < _ASK_EVERY:
            return False
        self._asked = now
        request = {"name": "beat", "id": self._heard.last["id"], "after": self._heard.after}
        for event in self._heard.take(self._core.drill(request)):
            self._say(event, play)
        if not self._heard.last["messages"] and now - self._began > _DEAF_AFTER:
            raise TransientError(
                f"the service hears nothing on {self._heard.last['topics']}/…: give the service's "
                "login the right to write there as well (weirwatch node writes it into the ACL)"
            )
        return not self._heard.last["under_way"] or self._finished(play, rules, now)

    def _finished(self, play: SimulatedPlay, rules: Collection[str], now: Micros) -> bool:
        told = any(e["annunciated"] and e["rule"] in rules for e in self._heard.events)
        certain = play.harm is not None or self._clock.now().utc >= play.settled
        if self._all_known is None and told and certain:
            self._all_known = now
        return self._all_known is not None and now - self._all_known >= _AFTERMATH

    def _say(self, event: Json, play: SimulatedPlay) -> None:
        if self._quiet or not event["rule"]:
            return
        since_s = (from_rfc3339(event["time"]) - play.begins) / SECOND
        mark = "  annunciated" if event["annunciated"] else ""
        console().print(f"{since_s:+9.0f} s  {event['rule']}: {event['kind']}{mark}")


def _plant_for(settings: Settings, failure: str) -> SimulatedPlant:
    if failure not in load_catalogue().failures:
        raise UnknownFailure(f"failure {failure!r} is not in the catalogue")
    plant = SimulatedPlant(settings)
    plant.require_probes()
    if failure not in plant.can_play():
        why = plant.cannot_play().get(failure, "not of the plant")
        raise ConfigError(f"{failure}: cannot be played: {why}")
    return plant


def _well(moments: Iterator[Moment], until: Micros) -> tuple[Moment, dict[str, bytes]]:
    """Go through what lies before the drill; return its first moment and the nodes' connections."""
    connections: dict[str, bytes] = {}
    for moment in moments:
        connections |= {t: p for t, p in moment.messages if t.endswith("/connection")}
        if moment.time >= until:
            return moment, connections
    raise ConfigError("the play is over before it begins")


def _request(
    wanted: Wanted, play: SimulatedPlay, plant: SimulatedPlant, plant_time: Micros
) -> dict[str, Any]:
    return {
        "name": "start",
        "failure": wanted.failure,
        "says": play.says,
        "who": wanted.who,
        "minutes": wanted.minutes,
        "speed": wanted.speed,
        "plant_time": to_rfc3339(plant_time),
        "unfed": list(plant.unfed()),
    }


def _clock_of(begun: Json) -> ScaledClock:
    facts = begun["clock"]
    return ScaledClock(facts["speed"], facts["origin_utc"], facts["origin_mono"])


def _say_begun(begun: Json, play: SimulatedPlay, wanted: Wanted) -> None:
    out = console()
    out.print(f"DRILL of {wanted.failure}: {play.says}.")
    out.print(
        f"On {begun['topics']}/…, {wanted.speed:g} times real time, until {begun['ends_at']} at "
        "the latest. Ctrl-C ends it. Every notice of it begins with DRILL."
    )


def _end(core: ControlClient, heard: _Heard, who: str) -> None:
    """End the drill and wait until it is gone, for the last notices; whatever comes."""
    pause = threading.Event()
    ident = heard.last["id"]
    try:
        heard.take(core.drill({"name": "beat", "id": ident, "after": heard.after}))
        if heard.last["under_way"]:
            core.drill({"name": "end", "id": ident, "who": who})
        for _ in range(round(_GONE_S / 0.5)):
            heard.take(core.drill({"name": "beat", "id": ident, "after": heard.after}))
            if heard.last["gone"]:
                return
            pause.wait(0.5)
    except WeirwatchError:
        return  # the service has gone: the drill went with it


def _report(
    settings: Settings,
    wanted: Wanted,
    play: SimulatedPlay,
    heard: _Heard,
    ended: Micros,
    *,
    as_json: bool,
) -> int:
    summary, result = _judged(settings, wanted, play, heard, ended)
    aborted = bool(heard.last["by_alarm"])
    passed = result.verdict is Verdict.DETECTED and not aborted
    if as_json:
        print_json(
            {
                "drill": {k: v for k, v in heard.last.items() if k != "events"},
                "result": summary.as_json(),
                "events": heard.events,
                "passed": passed,
            }
        )
        return 0 if passed else 1
    out = console()
    out.print(f"\nDrill over: {heard.last['why_ended']}.")
    if aborted:
        out.print("A REAL ALARM has ended it: see to that first.", style="bold")
    else:
        out.print(f"{result.verdict.value.upper()}  {summary.sentence}")
    notices = heard.last["notices"]
    out.print(
        f"Notices: {notices['delivered']} delivered, {notices['failures']} failed tries, "
        f"{notices['given_up']} given up."
    )
    return 0 if passed else 1


def _judged(
    settings: Settings, wanted: Wanted, play: SimulatedPlay, heard: _Heard, ended: Micros
) -> tuple[Summary, RunResult]:
    rules = {rule.id: rule for rule in settings.rules}
    events = [_event_of(event) for event in heard.events]
    outcome = Outcome(play.says, play.start, play.begins, ended, events, harm=play.harm)
    result = judge_run(wanted.failure, 0, outcome, rules)
    result = replace(result, notices=int(heard.last["notices"]["delivered"]))
    title = load_catalogue().failures[wanted.failure].title
    return summarise(wanted.failure, title, [result], rules), result


def _event_of(event: Json) -> Event:
    return Event(
        time=from_rfc3339(event["time"]),
        kind=event["kind"],
        rule=event["rule"] or "",
        annunciated=event["annunciated"],
        drill=True,
        message=event["message"],
    )
