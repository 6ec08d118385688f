"""The line of the mains-lost notice, from the demo's own plant and channels."""

from pathlib import Path

from weirwatch.config import load
from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.alarm import Alarm
from weirwatch.domain.calls import Why
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.domain.reading import Quality
from weirwatch.domain.state import Observed
from weirwatch.pipeline.notices import NoticeWriter
from weirwatch.pipeline.outage_line import OutageLine
from weirwatch.settings import Settings

NOW: Micros = 1_777_636_800 * SECOND
DEMO = Path(__file__).parents[2] / "deploy" / "harbour-hall.toml"
HALL = "harbour-hall/"


def settings() -> Settings:
    return load(DEMO)


def good(value: float, age_s: float = 5) -> Observed:
    time = NOW - round(age_s * SECOND)
    return Observed(time, value, Quality.GOOD, "", time, time, value, time)


def test_the_coldest_water_and_the_room_count() -> None:
    observed = {
        f"{HALL}sump-node/temperature": good(25.5),
        f"{HALL}hall-node/north-temperature": good(24.9),
        f"{HALL}power-node/room-temperature": good(18.0),
    }
    line = OutageLine(settings(), observed).sentence(NOW)
    assert line.startswith("Not before (lower bounds, oxygen assumed at 80 % of saturation): ")
    assert "oxygen critical (3 mg/L) in" in line
    assert line.endswith("Oxygen first.")
    warmer = OutageLine(settings(), {f"{HALL}sump-node/temperature": good(25.5)}).sentence(NOW)
    assert warmer != line


def test_an_old_temperature_tells_nothing() -> None:
    observed = {f"{HALL}sump-node/temperature": good(25.5, age_s=3700)}
    assert "cannot be told: no fresh temperature" in OutageLine(settings(), observed).sentence(NOW)


def test_nonsense_is_said_not_raised() -> None:
    observed = {f"{HALL}sump-node/temperature": good(900.0)}
    assert "cannot be told: " in OutageLine(settings(), observed).sentence(NOW)


def test_it_stands_in_the_notice_after_the_first_line_of_the_card_and_in_no_other() -> None:
    demo, catalogue = settings(), load_catalogue()
    observed = {f"{HALL}sump-node/temperature": good(25.5)}
    writer = NoticeWriter(demo, catalogue, observed)
    rules = {rule.id: rule for rule in demo.rules}
    card = catalogue.failures["mains-lost"].card
    lost = writer.notice("1", Why.CALL, 1, "keeper", rules["mains-lost"], Alarm("mains-lost"), NOW)
    lines = lost.text.split("\n")
    at = lines.index(card.first_line)
    assert lines[at + 1].startswith("Not before (lower bounds")
    other = writer.notice("2", Why.CALL, 2, "keeper", rules["sump-high"], Alarm("sump-high"), NOW)
    assert "Not before" not in other.text
