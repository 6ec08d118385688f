"""What does a reading say of derived channels? New readings, computed and judged like any other.

Pure but for the window of evaporation. The quality of a derived reading is the worst of its inputs;
an input that is stale makes it uncertain, one that is bad or outside a formula's range makes it
bad, with the last good value held. It never raises.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from weirwatch.domain.book import make_ready
from weirwatch.domain.engine import adopt, decide_reading, start
from weirwatch.domain.instant import Micros, micros, seconds
from weirwatch.domain.liveness import judge
from weirwatch.domain.quantity import converter
from weirwatch.domain.reading import Channel, Quality, Reading
from weirwatch.domain.rule import RuleBook
from weirwatch.domain.state import Observed
from weirwatch.pipeline.evaporation import Window
from weirwatch.pipeline.formulas import FORMULAS, Formula
from weirwatch.settings import DerivedSettings


@dataclass(frozen=True, slots=True)
class _Input:
    role: str
    channel: str
    scale: float
    offset: float
    ages: bool  # it reports on time, so that an old value is a stale one


@dataclass(frozen=True, slots=True)
class Plan:
    """One derived channel, ready to be computed; `inputs[0]` leads."""

    channel: Channel
    formula: Formula
    inputs: tuple[_Input, ...]
    constants: Mapping[str, float]
    every: Micros
    max_age: Micros
    window: Window | None
    told: dict[str, float] = field(default_factory=dict)

    def react(self, reading: Reading, observed: Mapping[str, Observed]) -> Reading | None:
        """Return the derived reading that the leading input's newest reading calls for, if any."""
        lead = observed.get(reading.channel)
        if lead is not None and reading.time < lead.time:
            return None  # history: what was derived then stays
        if self.window is not None and reading.quality is Quality.GOOD:
            value = reading.value * self.inputs[0].scale + self.inputs[0].offset
            self.window.see(reading.time, value)
        own = observed.get(self.channel.id)
        if own is not None and reading.time - own.time < self.every:
            return None
        return self._derived(reading, observed, own)

    def _derived(
        self, reading: Reading, observed: Mapping[str, Observed], own: Observed | None
    ) -> Reading | None:
        values: dict[str, float] = {}
        quality, reason = Quality.GOOD, ""
        for entry in self.inputs:
            seen = observed.get(entry.channel) if entry.channel != reading.channel else reading
            if seen is None:
                return None  # never heard: there is nothing to compute with
            values[entry.role] = seen.value * entry.scale + entry.offset
            worse, why = self._doubt(entry, seen, reading.time)
            if worse > quality:
                quality, reason = worse, why
        if quality is not Quality.BAD:
            try:
                value, doubt = self._value(values)
            except (ValueError, ArithmeticError) as error:
                quality, reason = Quality.BAD, f"cannot be computed: {error}"
            else:
                if doubt and quality is Quality.GOOD:
                    quality, reason = Quality.UNCERTAIN, doubt
                return Reading(self.channel.id, reading.time, value, quality, reason)
        return Reading(self.channel.id, reading.time, self._held(own), quality, reason[:200])

    def _doubt(self, entry: _Input, seen: Reading | Observed, time: Micros) -> tuple[Quality, str]:
        if seen.quality is not Quality.GOOD:
            why = f": {seen.reason}" if seen.reason else ""
            return seen.quality, f"{entry.role} is {seen.quality.word}{why}"
        age = abs(time - seen.time)
        if entry.ages and age > self.max_age:
            return Quality.UNCERTAIN, f"{entry.role} is stale: {seconds(age):.0f} s apart"
        return Quality.GOOD, ""

    def _value(self, values: Mapping[str, float]) -> tuple[float, str]:
        if self.window is not None:
            litres, seen = self.window.per_day()
            doubt = "" if self.window.enough else f"only {seen:.0%} of the window was seen"
            return litres, doubt
        if self.formula.compute is None:
            raise ValueError("the formula has no way to compute it")
        value = float(self.formula.compute(values, self._constants()))
        if not abs(value) < 1e12:  # also refuses not-a-number
            raise ValueError(f"the result {value} is no usable number")
        return value, ""

    def _constants(self) -> Mapping[str, float]:
        """Return the constants, with what hand tests tell."""
        known = {**self.constants, **self.told} if self.told else self.constants
        for name, quantity in self.formula.from_log.items():
            if name not in known:
                raise ValueError(f"there is no hand test of {quantity} in the log yet")
        return known

    def _held(self, own: Observed | None) -> float:
        if own is not None and own.good_value is not None:
            return own.good_value
        return self.channel.valid[0] if self.channel.valid is not None else 0.0


class Deriver:
    """All derived channels by the channel whose readings call for them."""

    def __init__(self, derived: Sequence[DerivedSettings], channels: Sequence[Channel]) -> None:
        """Compile the plans; loads the libraries they need, so that the loop never waits for it."""
        by_id = {channel.id: channel for channel in channels}
        self._plans: dict[str, tuple[Plan, ...]] = {}
        for settings in derived:
            plan = _plan(settings, by_id)
            lead = plan.inputs[0].channel
            self._plans[lead] = (*self._plans.get(lead, ()), plan)
            if plan.formula.compute is not None:
                _warm_up(plan)

    @property
    def leads(self) -> Mapping[str, tuple[Plan, ...]]:
        """Channel id → plans that its readings call for; most channels are not in it."""
        return self._plans

    @property
    def windows(self) -> Mapping[str, Micros]:
        """Channel id → how far back formulas with a window want to be told of it; see `seed`."""
        return {
            lead: max(plan.window.span for plan in plans if plan.window is not None)
            for lead, plans in self._plans.items()
            if any(plan.window is not None for plan in plans)
        }

    def tell(self, tests: Mapping[str, Mapping[str, float]]) -> None:
        """Take the newest hand tests: system → quantity → value in the log's unit."""
        for plan in (plan for plans in self._plans.values() for plan in plans):
            of_system = tests.get(plan.channel.system, {})
            plan.told.clear()
            plan.told.update(
                (name, of_system[quantity])
                for name, quantity in plan.formula.from_log.items()
                if quantity in of_system
            )

    def seed(self, readings: Iterable[Reading]) -> None:
        """Take what was stored before this start, in rising order of time, for the windows."""
        for reading in readings:
            for plan in self._plans.get(reading.channel, ()):
                if plan.window is not None and reading.quality is Quality.GOOD:
                    value = reading.value * plan.inputs[0].scale + plan.inputs[0].offset
                    plan.window.see(reading.time, value)

    def readings(self, reading: Reading, observed: Mapping[str, Observed]) -> Iterator[Reading]:
        """Yield what follows from one judged reading that the engine has adopted."""
        for plan in self._plans.get(reading.channel, ()):
            derived = plan.react(reading, observed)
            if derived is not None:
                yield derived


def with_derived(
    readings: Iterable[Reading], deriver: Deriver, channels: Iterable[Channel], begin: Micros
) -> Iterator[Reading]:
    """Yield recorded readings and, right after each, what the service would have derived from it.

    Args:
        readings: in time order over all channels.
        deriver: new, or seeded with what was before `begin`.
        channels: all of them, derived ones too.
        begin: when the record begins.
    """
    by_id = {channel.id: channel for channel in channels}
    book = make_ready(RuleBook({}, by_id, ZoneInfo("UTC")))  # no rules: it only observes
    state = start({}, {}, book, begin, link_up=True)

    def follow(reading: Reading) -> Iterator[Reading]:
        yield reading
        before = state.observed.get(reading.channel)
        judged = judge(by_id[reading.channel], reading, before=before)
        adopt(state, decide_reading(state, judged, reading.time, book), book)
        for derived in deriver.readings(judged, state.observed):
            yield from follow(derived)

    for reading in readings:
        yield from follow(reading)


def measured_of(channels: Iterable[str], derived: Sequence[DerivedSettings]) -> frozenset[str]:
    """Return the measured channels that these come from: derived ones by their inputs."""
    inputs = {entry.channel: frozenset(entry.inputs.values()) for entry in derived}
    found: set[str] = set()
    waiting = [*channels]
    while waiting:
        channel = waiting.pop()
        if channel in inputs:
            waiting += inputs[channel]
        else:
            found.add(channel)
    return frozenset(found)


def input_converter(from_unit: str, to_unit: str) -> tuple[float, float]:
    """Return (scale, offset) from a channel's unit to a role's.

    Some channels are written without a unit (pH, salinity): they are taken as the role's.

    Raises:
        ValueError: the units are of different dimensions.
    """
    if not from_unit and to_unit in ("pH", "psu"):
        return 1.0, 0.0
    if from_unit == "%EL" and to_unit == "/":  # SenML's battery level is per cent
        return 0.01, 0.0
    return converter(from_unit, to_unit)


def _plan(settings: DerivedSettings, channels: Mapping[str, Channel]) -> Plan:
    formula = FORMULAS[settings.formula]
    inputs = tuple(
        _Input(
            role,
            settings.inputs[role],
            *input_converter(channels[settings.inputs[role]].unit, formula.roles[role].unit),
            channels[settings.inputs[role]].expected_every is not None,
        )
        for role in formula.roles
        if role in settings.inputs
    )
    window = None
    if formula.compute is None:
        lead = inputs[0]
        by_time = lead.role == "top-off"
        window = Window(
            span=micros(settings.constants["window_h"] * 3600.0),
            rate_l_h=settings.constants["rate_l_h"] if by_time else None,
            litres_per_mm=0.0 if by_time else settings.constants["area_m2"],
            refill_mm=settings.constants["refill_mm"],
        )
        if not lead.ages:
            window.gap = None
    return Plan(
        channels[settings.channel],
        formula,
        inputs,
        settings.constants,
        settings.every,
        settings.max_age,
        window,
    )


def _warm_up(plan: Plan) -> None:
    usual = {"mS/cm": 53.0, "Cel": 25.0, "psu": 35.0, "pH": 8.1, "/": 1.0}
    values = {
        entry.role: usual.get(plan.formula.roles[entry.role].unit, 1.0) for entry in plan.inputs
    }
    try:
        plan._value(values)
    except (ValueError, ArithmeticError):
        return  # constants outside a range: each reading will say so
