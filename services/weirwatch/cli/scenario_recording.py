"""Recorded readings as a scenario's plant: what is played, on which nodes, and what is missing."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from weirsim.instruments import NodeSpec, ProbeSpec, channels
from weirsim.recorded import RECORDED, Track
from weirsim.stage import Stage
from weirwatch.config.scenario_config import RecordingSettings, ScenarioSettings, utc_offset_h
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import SECOND, Micros, micros, to_rfc3339
from weirwatch.domain.reading import Channel
from weirwatch.pipeline.local_time import duration
from weirwatch.pipeline.recording import each_reading
from weirwatch.pipeline.tracks import Tracks, tracks_of
from weirwatch.settings import Settings

_ENDS_EARLY: Micros = 600 * SECOND  # a month's last reading comes a little before the month is over


@dataclass(frozen=True, slots=True)
class Recorded:
    """A recording, ready to be played.

    Attributes:
        scenario: with its start, and never longer than the recording.
        stage: with nodes that repeat it.
        tracks: in the scenario's time.
        simulated, absent: the other channels that are sent.
    """

    scenario: ScenarioSettings
    stage: Stage
    tracks: Tracks
    simulated: tuple[str, ...]
    absent: tuple[str, ...]

    @property
    def by_channel(self) -> Mapping[str, Track]:
        """The tracks as the simulator plays them."""
        tracks = self.tracks
        return {c: Track(times, tracks.values[c]) for c, times in tracks.times.items()}


def recordable(settings: Settings, system: str) -> dict[str, Channel]:
    """Return the channels that a recording can play: those of the plant that are not derived."""
    derived = {derived.channel for derived in settings.derived}
    return {
        channel.id: channel
        for channel in settings.channels
        if channel.system == system and channel.id not in derived
    }


def recorded(
    settings: Settings, stage: Stage, scenario: ScenarioSettings, wanted: RecordingSettings
) -> Recorded:
    """Return a scenario's recording.

    Raises:
        ConfigError: every bad line of its file, or a file that does not last.
    """
    playable = recordable(settings, stage.spec.system)
    known = {channel.id: channel for channel in settings.channels}
    whole = tracks_of(each_reading(wanted.path, known), playable)
    first, last = whole.first, whole.last
    if first is None or last is None:
        raise ConfigError(f"{wanted.path}: holds no reading of {stage.spec.system} to play")
    begins = first if wanted.begins is None else wanted.begins
    lasts = micros(scenario.lasts_s)
    if not first <= begins < last or begins + lasts > last + _ENDS_EARLY:
        raise ConfigError(
            f"{scenario.source}: scenario.lasts or readings_from: {wanted.path.name} has readings "
            f"from {to_rfc3339(first)} to {to_rfc3339(last)} ({duration(last - first)}), and "
            f"{duration(lasts)} from {to_rfc3339(begins)} are wanted. Play less, or begin earlier."
        )
    zone = settings.service.time_zone
    start = scenario.start if wanted.moved else begins
    tracks = whole.part(begins, begins + lasts, start - begins)
    nodes = _nodes(stage, playable, tracks, simulated=wanted.others == "simulated")
    fed = channels(stage.spec.system, nodes)
    return Recorded(
        scenario=replace(
            scenario,
            start=start,
            utc_offset_h=utc_offset_h(start, zone),
            lasts_s=min(lasts, last - begins) / SECOND,
        ),
        stage=replace(stage, nodes=nodes),
        tracks=tracks,
        simulated=tuple(c for c, probe in fed.items() if probe.source != RECORDED),
        absent=tuple(channel for channel in playable if channel not in fed),
    )


def _nodes(
    stage: Stage, playable: Mapping[str, Channel], tracks: Tracks, *, simulated: bool
) -> tuple[NodeSpec, ...]:
    """Return the nodes of all channels that are played, in the order of the configuration."""
    known = {node.id: node for node in stage.nodes}
    measured = channels(stage.spec.system, stage.nodes)
    probes: dict[str, list[ProbeSpec]] = {}
    for channel in playable.values():
        if channel.id in tracks.times:
            probes.setdefault(channel.node, []).append(_repeating(channel))
        elif simulated and channel.id in measured:
            probes.setdefault(channel.node, []).append(measured[channel.id])
    usual = NodeSpec("", "mains", ())
    return tuple(
        replace(known.get(node, usual), id=node, probes=tuple(of_node))
        for node, of_node in probes.items()
    )


def _repeating(channel: Channel) -> ProbeSpec:
    return ProbeSpec(
        name=channel.name,
        source=RECORDED,
        quantity=channel.quantity,
        unit=channel.unit,
        resolution=channel.resolution or 0.0,
        valid=channel.valid,
        title=channel.title,
        vessel=channel.vessel,
    )
