"""`[plant.chiller]`, `[plant.stocking]` and `[plant.reactor]`: defaults, values, mistakes."""

from dataclasses import asdict
from pathlib import Path

import pytest

from weirsim.gear import ChillerSpec, ReactorSpec
from weirsim.stocking import Stocking
from weirwatch.cli.demo_plant import demo_config
from weirwatch.cli.plant_spec import to_plant_spec
from weirwatch.config import check, load
from weirwatch.config.living_models import ReactorConfig, StockingConfig
from weirwatch.settings import PlantSettings

DEMO = demo_config()


def written(folder: Path, more: str) -> Path:
    file = folder / "hall.toml"
    file.write_text(f"{DEMO.read_text()}\n{more}\n")
    return file


def plant(file: Path) -> PlantSettings:
    found = load(file).plant
    assert found is not None
    return found


def complaints(folder: Path, more: str) -> list[str]:
    file = written(folder, more)
    errors = [told.removeprefix(f"{file}: ") for told in check(file).errors]
    return [told for told in errors if not told.startswith("rule ")]  # whose limits the plant has


def test_the_defaults_are_the_simulators_own() -> None:
    assert StockingConfig.model_validate({}).model_dump() == asdict(Stocking())
    assert ReactorConfig.model_validate({}).model_dump() == asdict(ReactorSpec())


def test_without_the_tables_and_with_empty_ones_the_plant_is_the_same(tmp_path: Path) -> None:
    plain = to_plant_spec(plant(DEMO))
    assert (plain.stocking, plain.reactor, plain.chiller) == (Stocking(), ReactorSpec(), None)
    assert to_plant_spec(plant(written(tmp_path, "[plant.stocking]\n[plant.reactor]"))) == plain


def test_every_figure_arrives(tmp_path: Path) -> None:
    stocking = {key: value * 0.9 for key, value in asdict(Stocking()).items()}
    reactor = {k: v * 0.9 for k, v in asdict(ReactorSpec()).items() if k != "loop"}
    lines = ["[plant.stocking]", *(f"{key} = {value!r}" for key, value in stocking.items())]
    lines += ["[plant.reactor]", *(f"{key} = {value!r}" for key, value in reactor.items())]
    lines += [
        'loop = "uv"',
        "[plant.chiller]\ncooling_w = 450\nset_degc = 26.8\nhysteresis_k = 0.5",
        'loop = "uv"\nelectric_w = 150',
    ]
    spec = to_plant_spec(plant(written(tmp_path, "\n".join(lines))))
    assert spec.stocking == Stocking(**stocking)
    assert spec.reactor == ReactorSpec("uv", **reactor)
    assert spec.chiller == ChillerSpec("chiller", 450.0, 26.8, 0.5, "", "uv", 150.0)


CHILLER = "[plant.chiller]\ncooling_w = 600\nset_degc = 26.5\n"


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (CHILLER, "plant.chiller: has neither a vessel nor a loop. Write where it sits"),
        (CHILLER + 'vessel = "sump"\nloop = "uv"', "plant.chiller: has both a vessel and a loop."),
        (
            CHILLER + 'vessel = "smup"',
            'plant.chiller.vessel = "smup": is no vessel of the plant. Did you mean "sump"?',
        ),
        (CHILLER + 'vessel = "reservoir"', 'plant.chiller.vessel = "reservoir": is the reservoir'),
        (CHILLER + 'loop = "refug"', 'plant.chiller.loop = "refug": is no loop of the plant. Did'),
        (
            '[plant.chiller]\nset_degc = 26\nvessel = "sump"',
            "plant.chiller.cooling_w: is missing. Add cooling_w = 600.",
        ),
        (
            CHILLER + 'vessel = "sump"\npower_w = 3',
            "plant.chiller.power_w = 3: is not a known key.",
        ),
        (
            '[plant.reactor]\nloop = "reacter"',
            'plant.reactor.loop = "reacter": is no loop of the plant. Did you mean "reactor"?',
        ),
        (
            "[plant.stocking]\nweir_share = 1.2",
            "plant.stocking.weir_share = 1.2: must be 1 or less",
        ),
        ("[plant.stocking]\nuptake_mg_l_h = 0", "plant.stocking.uptake_mg_l_h = 0: must be more"),
        ("[plant.stocking]\nuptake = 1", "plant.stocking.uptake = 1: is not a known key. Did you"),
    ],
)
def test_each_mistake_is_named_with_its_cure(tmp_path: Path, more: str, said: str) -> None:
    (told,) = complaints(tmp_path, more)
    assert told.startswith(said)


def test_a_chiller_that_fights_the_heaters_is_doubted(tmp_path: Path) -> None:
    near = written(tmp_path, CHILLER.replace("26.5", "25.6") + 'vessel = "sump"')
    assert any("may run against each other" in told for told in check(near).warnings)
    apart = written(tmp_path, CHILLER + 'vessel = "sump"')
    assert not any("against each other" in told for told in check(apart).warnings)
