"""The plant without clock or broker: readings as fast as they can be computed."""

from collections.abc import Iterator, Sequence

from weirsim.faults import Fault
from weirsim.harbour_hall import NODES
from weirsim.instruments import NodeSpec
from weirsim.model import DEFAULT_STEP_S
from weirsim.plant import PlantSpec
from weirsim.site import Site

START_US = 1_767_225_600_000_000  # 2026-01-01T00:00:00Z


def simulate(
    spec: PlantSpec,
    seconds: float,
    faults: Sequence[Fault] = (),
    seed: int = 0,
    *,
    nodes: Sequence[NodeSpec] = NODES,
    start_us: int = START_US,
    step_s: float = DEFAULT_STEP_S,
) -> Iterator[tuple[int, str, float]]:
    """Yield (time in microseconds since the Unix epoch, channel id, value) in time order.

    A node without power takes no readings; what a node reads while it is offline is left out too
    (in the live run it comes late).

    Args:
        spec: the plant.
        seconds: virtual span from the start, above 0.
        faults: what goes wrong, counted from the start.
        seed: of the noise; the same seed gives the same readings.
        nodes: who measures.
        start_us: time of the start.
        step_s: longest step of the physics.

    Raises:
        ValueError: a description, probe or fault that cannot work; at once, not at the first value.
    """
    site = Site(spec, nodes, start_us, faults, seed, step_s)
    return _run(site, start_us + round(seconds * 1e6))


def _run(site: Site, until_us: int) -> Iterator[tuple[int, str, float]]:
    system = site.plant.spec.system
    while site.next_us <= until_us:
        packs = site.advance()
        offline = site.plant.upset.offline
        for node, time_us, readings in packs:
            if node.id not in offline:
                for probe, value in readings:
                    yield time_us, node.channel(system, probe), value
