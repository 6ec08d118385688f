"""The simulator as a drill's plant: `pipeline.plant_source.PlantSource` on `weirsim`."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace

from weirsim.rehearsal import Rehearsal
from weirsim.scenarios import SCENARIOS
from weirsim.site import Site
from weirsim.stage import START_US, Stage
from weirwatch.cli.drill_probes import nodes_for
from weirwatch.cli.plant_spec import to_plant_spec
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import Micros, micros
from weirwatch.domain.rule import BadMeasurement, Deviation, Priority, Rule
from weirwatch.pipeline.plant_source import HarmBegins, Moment
from weirwatch.settings import Settings, drill_root

DAY_H = 36.0  # a play so long shows all that harms within a day of when it began
_WITHOUT = "[plant] without says that it does not happen here"
LEAD_S = 60.0  # plant seconds that a live drill shows all well before the failure


class SimulatedPlay:
    """Implements `Play` on one rehearsal."""

    def __init__(self, rehearsal: Rehearsal) -> None:
        self._rehearsal = rehearsal
        play = rehearsal.play
        self.says = play.says
        self.start: Micros = play.start_us
        self.begins: Micros = play.begins_us
        self.until: Micros = play.until_us
        self.settled: Micros = rehearsal.settled_us
        self.every = None if play.every_s is None else micros(play.every_s)

    @property
    def harm(self) -> HarmBegins | None:
        """The first harm that has begun or is coming."""
        found = self._rehearsal.harm
        return None if found is None else HarmBegins(found.at_us, found.says, found.source)

    def moments(self) -> Iterator[Moment]:
        """Yield one moment after another; once only."""
        for beat in self._rehearsal.beats():
            yield Moment(beat.time_us, beat.link_up, beat.messages)


class SimulatedPlant:
    """Implements `PlantSource`.

    Args:
        settings: with a plant.

    Raises:
        ConfigError: the configuration has no [plant], or one that cannot work.
    """

    def __init__(self, settings: Settings) -> None:
        if settings.plant is None:
            raise ConfigError(
                f"{settings.source}: a drill needs a [plant] section: how much water there is and "
                "what moves it; docs/configuration.md lists the keys"
            )
        self._source = settings.source
        self._root = settings.broker.root
        computed = {derived.channel for derived in settings.derived}
        sent = [channel for channel in settings.channels if channel.id not in computed]
        nodes, self._unfed = nodes_for(settings.plant, sent)
        self._without = settings.plant.without
        try:
            spec = to_plant_spec(settings.plant)
            Site(spec, nodes, START_US)  # what cannot run is told now, not at the first play
            self._stage = Stage(
                spec,
                nodes,
                _guarded(settings.rules, self._unfed),
                _twins(settings.rules, self._unfed),
            )
        except ValueError as trouble:
            raise ConfigError(f"{self._source}: [plant]: {trouble}") from trouble

    @property
    def stage(self) -> Stage:
        """The plant with its nodes, on which timelines are set too."""
        return self._stage

    @property
    def root(self) -> str:
        """First level of the topics."""
        return self._root

    def require_probes(self) -> None:
        """Refuse a plant on which no channel measures anything: a play would be of nothing.

        Raises:
            ConfigError: it is such a plant.
        """
        if not self._stage.nodes:
            raise ConfigError(
                f"{self._source}: no channel measures anything of the simulated plant "
                f"{self._stage.spec.system}: docs/drill.md says by which names it is found"
            )

    def can_play(self) -> Sequence[str]:
        """Return the failures that its physics can show."""
        return [f for f in self._stage.can_play() if f not in self._without]

    def cannot_play(self) -> Mapping[str, str]:
        """Return failure → why, for those it knows that it cannot show, or need not."""
        absent = dict.fromkeys(self._without, _WITHOUT)
        return {**absent, **self._stage.cannot_play()}

    def unfed(self) -> Sequence[str]:
        """Return the configured channels that it has no probe for."""
        return self._unfed

    def play(self, failure: str, run: int, seed: int) -> SimulatedPlay:
        """Return a failure's play; run 0 is nominal."""
        return SimulatedPlay(Rehearsal(self._stage.failure(failure, run, seed), self._root))

    def without_failure(
        self, failure: str, run: int, seed: int, until: Micros
    ) -> SimulatedPlay | None:
        """Return the same play in which nothing fails, until a time of it.

        None: nothing breaks in it at all, and the failure is how it begins.
        """
        play = self._stage.failure(failure, run, seed)
        if not play.faults:
            return None
        calm = replace(play, faults=(), meters=(), until_us=until)
        return SimulatedPlay(Rehearsal(calm, self._root))

    def sets(self) -> Mapping[str, Collection[str]]:
        """Return the failures it can play that take a day or so, and the slower ones."""
        can = self.can_play()
        day = frozenset(f for f in can if SCENARIOS[f].hours <= DAY_H)
        return {"day": day, "drift": frozenset(can) - day}

    def moments_at_most(self, failure: str, run: int, seed: int) -> float:
        """Return how many moments a failure's play has at most."""
        play = self._stage.failure(failure, run, seed)
        every_s = play.every_s or min(node.every_s for node in play.nodes)
        return (play.until_us - play.start_us) / 1e6 / every_s

    def live(self, failure: str, run: int, seed: int, now: Micros) -> SimulatedPlay:
        """Return a failure's play on a live drill's topics.

        It has been well for as long as the scenario wants, but for the last `LEAD_S` before the
        failure, which begin now. It is sampled at the nodes' own interval, slow failures too.
        """
        play = self._stage.failure(failure, run, seed)
        shift = now + micros(LEAD_S) - play.begins_us
        moved = replace(
            play,
            start_us=play.start_us + shift,
            begins_us=play.begins_us + shift,
            until_us=play.until_us + shift,
            every_s=None,
        )
        return SimulatedPlay(Rehearsal(moved, drill_root(self._root)))

    def ordinary(
        self, days: float, run: int, seed: int, every_s: float | None = None
    ) -> SimulatedPlay:
        """Return ordinary life: nothing fails; `every_s`: sampled so often instead."""
        return SimulatedPlay(Rehearsal(self._stage.ordinary(days, run, seed, every_s), self._root))


def _guarded(rules: Sequence[Rule], unfed: Sequence[str]) -> tuple[str, ...]:
    """Return the channels on which a rule of high or critical priority stands."""
    grave = (Priority.HIGH, Priority.CRITICAL)
    found = dict.fromkeys(
        rule.channel
        for rule in rules
        if rule.channel is not None
        and rule.priority in grave
        and not isinstance(rule.condition, BadMeasurement)
    )
    return tuple(channel for channel in found if channel not in unfed)


def _twins(rules: Sequence[Rule], unfed: Sequence[str]) -> tuple[str, ...]:
    """Return the channels that a rule compares with a twin."""
    found = dict.fromkeys(
        rule.channel
        for rule in rules
        if rule.channel is not None
        and isinstance(rule.condition, Deviation)
        and rule.condition.twin is not None
    )
    return tuple(channel for channel in found if channel not in unfed)
