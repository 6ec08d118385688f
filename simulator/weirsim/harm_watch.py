"""Who looks for harm in a plant as it goes on: each kind with the times at which it began."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from weirsim.harm import METERS, Harm, Look
from weirsim.model import Plant


@dataclass(slots=True)
class _Kind:
    look: Look
    began_us: list[int] = field(default_factory=list)
    stands: bool = False
    coming_us: int | None = None
    usual: bool = False


class HarmWatch:
    """Looks at a plant at every step, at each kind of harm for itself.

    Args:
        plant: as it runs undisturbed.
        meters: names in `METERS`.

    Raises:
        KeyError: there is no such meter.
    """

    def __init__(self, plant: Plant, meters: Sequence[str]) -> None:
        self._plant = plant
        self._kinds = {name: _Kind(METERS[name].make(plant)) for name in dict.fromkeys(meters)}

    @property
    def harm(self) -> Harm | None:
        """The first harm of the whole play: one that has begun, else the next that is coming."""
        first = min((k.began_us[0] for k in self._kinds.values() if k.began_us), default=None)
        return self.within(0 if first is None else first, None, tuple(self._kinds))

    def begin(self) -> None:
        """Look at the plant just before anything fails.

        Harm that stands already is how this plant is kept, as cold water is: no failure brings it,
        and it is not looked for any more.
        """
        now = self._plant.time_us
        for kind in self._kinds.values():
            at_us = kind.look(self._plant)
            kind.usual = at_us is not None and at_us <= now

    def look(self) -> None:
        """Look at the plant now; call it at every step."""
        now = self._plant.time_us
        for kind in self._kinds.values():
            at_us = None if kind.usual else kind.look(self._plant)
            stands = at_us is not None and at_us <= now
            if stands and not kind.stands and at_us is not None:
                kind.began_us.append(at_us)
            kind.stands = stands
            kind.coming_us = None if stands else at_us

    def within(self, from_us: int, until_us: int | None, meters: Sequence[str]) -> Harm | None:
        """Return the first harm of these kinds that begins, or is coming, within a time.

        Harm that stands already at its beginning belongs to something before.

        Args:
            from_us: its beginning.
            until_us: its end, included; None: without an end.
            meters: names of this watch's own.
        """
        found: list[tuple[int, str]] = []
        for name in meters:
            kind = self._kinds[name]
            coming = [] if kind.coming_us is None else [kind.coming_us]
            found += [
                (at_us, name)
                for at_us in (*kind.began_us, *coming)
                if from_us <= at_us and (until_us is None or at_us <= until_us)
            ]
        begun = [f for f in found if f[0] <= self._plant.time_us]
        first = min(begun or found, default=None)
        if first is None:
            return None
        meter = METERS[first[1]]
        return Harm(first[1], first[0], meter.says, meter.source)
