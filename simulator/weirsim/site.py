"""A plant with its nodes, moved on from one sampling time to the next."""

from collections.abc import Mapping, Sequence

from weirsim.faults import Fault
from weirsim.instruments import NodeSpec
from weirsim.model import DEFAULT_STEP_S, Plant
from weirsim.nodes import Node, Pack
from weirsim.plant import PlantSpec
from weirsim.recorded import RECORDED, RecordedNode, Track


class Site:
    """What both the live run and the offline run drive.

    Args:
        spec: the plant.
        nodes: who measures it.
        start_us: time of the start, microseconds since the Unix epoch.
        faults: what goes wrong, counted from the start.
        seed: of the noise.
        step_s: longest step of the physics.
        tracks: recordings of the probes that repeat one, by channel id.

    Raises:
        ValueError: a description, probe or fault that cannot work.
    """

    def __init__(
        self,
        spec: PlantSpec,
        nodes: Sequence[NodeSpec],
        start_us: int,
        faults: Sequence[Fault] = (),
        seed: int = 0,
        step_s: float = DEFAULT_STEP_S,
        tracks: Mapping[str, Track] | None = None,
    ) -> None:
        self.plant = Plant(spec, start_us, faults, nodes)
        self.nodes = [self._node(node, seed, tracks or {}) for node in nodes]
        self._step_us = round(step_s * 1e6)
        self._due_us = {node.spec.id: node.after(start_us) for node in self.nodes}

    @property
    def next_us(self) -> int:
        """The time of the next sample."""
        return min(self._due_us.values())

    def advance(self) -> list[Pack]:
        """Move the plant to the next sampling time and return what its nodes read there."""
        plant, until_us = self.plant, self.next_us
        while plant.time_us < until_us:
            plant.step(min(self._step_us, until_us - plant.time_us) / 1e6)
        packs = []
        for node in self.nodes:
            if self._due_us[node.spec.id] <= until_us:
                pack = node.sample()
                self._due_us[node.spec.id] = node.after(until_us)
                if pack is not None:
                    packs.append(pack)
        return packs

    def _node(self, spec: NodeSpec, seed: int, tracks: Mapping[str, Track]) -> Node:
        if any(probe.source == RECORDED for probe in spec.probes):
            return RecordedNode(spec, self.plant, seed, tracks)
        return Node(spec, self.plant, seed)
