"""The demo's plant: where its configuration is, which faults it plays, how it is made."""

from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from weirsim.faults import Fault
from weirsim.run import PlantRunner
from weirwatch.cli.drill_plant import SimulatedPlant
from weirwatch.domain.errors import ConfigError, WeirwatchError
from weirwatch.domain.instant import Micros
from weirwatch.ports import Clock
from weirwatch.settings import Settings
from weirwatch.store.connection import open_reader
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.state import restored

DEMO_FILE = "harbour-hall.toml"
PUMP_FAILURE = "return-pump-stopped"


def demo_config() -> Path:
    """Return the demo's configuration: in the installed package, or in the source tree.

    Raises:
        ConfigError: it is in neither.
    """
    here = Path(__file__).resolve().parent
    for candidate in (here / DEMO_FILE, here.parents[2] / "deploy" / DEMO_FILE):
        if candidate.exists():
            return candidate
    raise ConfigError(f"{DEMO_FILE} is missing from the installation: install weirwatch again")


def resume_point(data_dir: Path) -> Micros | None:
    """Return the last committed instant of a data folder, or None on a new or damaged one."""
    path = data_dir / FILE_NAME
    if not path.exists():
        return None
    try:
        with closing(open_reader(path)) as connection:
            return restored(connection).alive_at
    except WeirwatchError:
        return None  # the service itself will say what is wrong with the file


def faults_of(texts: Sequence[str], default_at_s: float, default_for_s: float) -> list[Fault]:
    """Return the faults to play; without any: the return pump stops and is mended.

    Args:
        texts: `ID` or `ID@SECONDS` each.
        default_at_s: plant seconds until the default fault, and for a fault without `@SECONDS`.
        default_for_s: plant seconds until the default fault is mended.

    Raises:
        ConfigError: every unknown id and bad number.
    """
    if not texts:
        return [Fault(PUMP_FAILURE, default_at_s, duration_s=default_for_s)]
    faults: list[Fault] = []
    problems: list[str] = []
    for text in texts:
        try:
            faults.append(Fault.parse(text if "@" in text else f"{text}@{default_at_s:g}"))
        except ValueError as trouble:
            problems.append(f"--fault {text}: {trouble}")
    if problems:
        raise ConfigError(problems)
    return faults


def make_plant(
    settings: Settings, address: tuple[str, int], clock: Clock, faults: Sequence[Fault]
) -> PlantRunner:
    """Return the simulated plant of these settings with its own nodes, not yet running.

    Raises:
        ConfigError: the configuration has no [plant], or one that cannot work, or no channel that
            measures anything of it.
    """
    if settings.plant is None:
        raise ConfigError(f"{settings.source}: the demo needs a [plant] section")
    plant = SimulatedPlant(settings)
    plant.require_probes()
    spec, nodes, root = plant.stage.spec, plant.stage.nodes, settings.broker.root
    try:
        return PlantRunner(spec, address, root, spec.system, clock, faults, nodes=nodes)
    except ValueError as trouble:
        raise ConfigError(f"{settings.source}: [plant] or --fault: {trouble}") from trouble
