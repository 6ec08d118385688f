"""The catalogue that ships: complete, and safe in every sentence."""

import re

import pytest
from support.card_language import hands_before_power_off, risky, sentences, texts

from weirwatch.config.catalogue import load_catalogue, read_catalogue
from weirwatch.domain.errors import ConfigError
from weirwatch.domain.failures import Catalogue, Group, Harmed, SafetyCard
from weirwatch.domain.rule import Priority

IDS = """
water:
    return-pump-stopped return-flow-reduced sump-high sump-low overflow-blocked floor-leak
    vessel-leaking top-off-stuck-on top-off-stuck-off reservoir-empty
    supply-water-stuck-open salinity-drift skimmer-flow-lost skimmer-overflow
    side-loop-flow-lost circulation-lost
life:
    oxygen-low temperature-extreme heater-stuck-on heater-failed-off chiller-failed
    light-stuck ph-high ph-low-room-co2 reactor-co2-runaway reactor-effluent-off
    alkalinity-overdose doser-stuck-on ammonia-high
power-and-room:
    mains-lost mains-restored mains-unstable circuit-lost battery-low electrical-overheat
    room-co2-high room-too-hot
instruments-and-service:
    probe-silent probe-frozen probe-drift node-offline broker-lost service-was-down
    clock-untrusted disk-full notice-undeliverable planned-work-not-ended
"""
BOLD = """
    overflow-blocked floor-leak supply-water-stuck-open oxygen-low temperature-extreme
    heater-stuck-on reactor-co2-runaway mains-lost electrical-overheat room-co2-high
"""
FIXED = (  # written out, not imported: the promise is the wording
    "Stay out if the floor is wet. Switch off only from a dry place away from the water; "
    "otherwise keep everyone out and call."
)
# The gas card says "leave" first; two cards concern the controller's records only.
OWN_FIRST_LINE = {"room-co2-high", "clock-untrusted", "disk-full"}
# Sentences with a dangerous verb that nothing denies, read and found harmless one by one.
REVIEWED = {
    "Otherwise one reset at most, from a dry place.",
    "Does water reach the floor, a socket or a lead already?",
    "The return pump runs but less water reaches the displays.",
    "Opening one valve moves the flow of all the others.",
    "Opening one takes flow from the others.",
    "A generator: outdoors only, well away from every opening, with CO alarms in the house.",
    "Can a window or outer door be reached without going through the bad air?",
    "Leave the doors open behind you.",
    "An open door or window does not make indoor use safe.",
    "Does the controller reach the network, and a time server?",
}
CATALOGUE = load_catalogue()
CARDS = {ident: failure.card for ident, failure in CATALOGUE.failures.items()}
WET = sorted(set(CARDS) - OWN_FIRST_LINE)


def whole(card: SafetyCard) -> str:
    return " ".join(texts(card))


def callees(card: SafetyCard) -> set[str]:
    return {call.who for call in card.call}


def test_every_failure_is_there_in_its_group_and_no_other() -> None:
    found: list[str] = []
    for group in Group:
        found += [f"{group}:"]
        found += [ident for ident, failure in CATALOGUE.failures.items() if failure.group is group]
    assert found == IDS.split()


def test_the_bold_failures_are_these_and_critical() -> None:
    assert CATALOGUE.bold == set(BOLD.split())
    critical = {
        failure.id
        for failure in CATALOGUE.failures.values()
        if failure.default_priority is Priority.CRITICAL
    }
    assert critical == set(BOLD.split())


@pytest.mark.parametrize("ident", sorted(CARDS))
def test_wet_and_electrical_cards_open_with_the_fixed_line(ident: str) -> None:
    assert (CARDS[ident].first_line == FIXED) is (ident not in OWN_FIRST_LINE)


def test_the_gas_card_opens_with_leaving() -> None:
    assert CARDS["room-co2-high"].first_line.startswith("Leave now")


@pytest.mark.parametrize("ident", sorted(CARDS))
def test_no_card_tells_anybody_to_do_a_dangerous_thing(ident: str) -> None:
    for text in (*texts(CARDS[ident]), CARDS[ident].first_line):
        assert set(risky(text)) <= REVIEWED


def test_every_reviewed_sentence_is_still_said() -> None:
    said = {sentence for card in CARDS.values() for text in texts(card) for sentence in risky(text)}
    assert said == REVIEWED


@pytest.mark.parametrize(
    "bad",
    [
        "Unplug the heater.",
        "Reset the breaker.",
        "Reach behind the sump.",
        "Bypass the float switch.",
        "Open the housing.",
        "Pull the plug.",
        "Bridge the fuse.",
        "Wade to the panel.",
        "Re-open the valve.",
    ],
)
def test_the_check_itself_finds_what_is_dangerous(bad: str) -> None:
    assert risky(bad)
    assert not risky(f"Do not {bad[0].lower()}{bad[1:]}")
    assert risky(f"If there is no smell, {bad[0].lower()}{bad[1:]}")
    assert risky(f"Do not wait: {bad[0].lower()}{bad[1:]}")


@pytest.mark.parametrize("ident", WET)
def test_power_goes_off_before_hands_go_in(ident: str) -> None:
    response = CARDS[ident].response
    assert any("power off first" in step.lower() for step in response)
    assert hands_before_power_off(response) == []


def test_the_order_check_itself_finds_early_hands() -> None:
    assert hands_before_power_off(("Clear the weir.", "Power off first.")) == ["Clear the weir."]


@pytest.mark.parametrize("ident", sorted(CARDS))
def test_checking_first_means_looking_only(ident: str) -> None:
    assert hands_before_power_off(CARDS[ident].check_first) == []


@pytest.mark.parametrize("ident", WET)
def test_shock_is_answered_in_the_right_order(ident: str) -> None:
    text = whole(CARDS[ident])
    order = ("do not touch the victim", "isolate the power", "emergency number", "first aid")
    places = [text.index(words, text.index(order[0])) for words in order]
    assert places == sorted(places)


@pytest.mark.parametrize("ident", sorted(CARDS))
def test_every_card_defers_to_codes_and_licensed_practice(ident: str) -> None:
    expected = "Local electrical codes and licensed practice decide, not this software."
    assert CARDS[ident].last_line == expected


@pytest.mark.parametrize("ident", sorted(CARDS))
def test_sentences_are_short_enough_for_someone_just_woken(ident: str) -> None:
    for text in texts(CARDS[ident]):
        for sentence in sentences(text):
            assert len(sentence.split()) <= 25, sentence


@pytest.mark.parametrize("ident", sorted(CARDS))
def test_a_card_names_animals_or_what_is_left_unwatched(ident: str) -> None:
    harmed = {hazard.to for hazard in CARDS[ident].hazards}
    assert harmed >= {Harmed.PEOPLE, Harmed.ANIMALS}


@pytest.mark.parametrize("ident", sorted(CARDS))
def test_sources_are_publications_with_their_standing(ident: str) -> None:
    for source in CARDS[ident].sources:
        standing = r"(seen in .+|from memory|calculated|common practice, no source)"
        assert re.fullmatch(rf".+ \[{standing}\]", source)
        assert not re.search(r"check ?value|\.md\b", source, re.IGNORECASE)


def cards_with(words: str) -> list[str]:
    return [ident for ident, card in CARDS.items() if words in whole(card).lower()]


@pytest.mark.parametrize("ident", [*cards_with("generator may charge"), "mains-lost"])
def test_a_generator_comes_with_its_warnings(ident: str) -> None:
    text = whole(CARDS[ident]).lower()
    for words in ("outdoors only", "co alarms", "no back-feeding"):
        assert words in text
    assert any("CPSC" in source for source in CARDS[ident].sources)


def test_an_outage_is_about_oxygen_first_and_says_from_where() -> None:
    card = CARDS["mains-lost"]
    assert "Oxygen sets the clock" in card.meaning
    sources = " ".join(card.sources)
    assert "Garcia & Gordon 1992" in sources
    assert "EPA-822-R-00-012" in sources


@pytest.mark.parametrize("ident", ["reactor-co2-runaway", "room-co2-high"])
def test_gas_cards_say_leave_and_ventilate_before_anything_is_touched(ident: str) -> None:
    card = CARDS[ident]
    text = whole(card).lower()
    for words in ("lies low", "no certified gas", "headache", "breathless"):
        assert words in text
    assert card.hazards[0].signal_word == "DANGER"
    assert "carbon dioxide" in card.hazards[0].text.lower()
    assert "fire service" in callees(card)
    first_air = next(i for i, step in enumerate(card.response) if "entilate from outside" in step)
    first_valve = next(i for i, step in enumerate(card.response) if "cylinder valve" in step)
    assert first_air < first_valve


@pytest.mark.parametrize("ident", cards_with("reactor's gas at the cylinder"))
def test_whoever_goes_to_the_cylinder_airs_the_room_first(ident: str) -> None:
    assert "once the room is aired and you feel well there" in whole(CARDS[ident])


@pytest.mark.parametrize("ident", cards_with("tripped breaker"))
def test_breakers_stay_off_when_wet_hot_or_tingling(ident: str) -> None:
    text = whole(CARDS[ident])
    for words in ("wetness", "smell", "scorching", "buzzing", "tingling", "one reset at most"):
        assert words in text
    assert "licensed electrician" in callees(CARDS[ident])


SAYS = [
    ("sump-high", "adds its drain-back to a sump that is already high"),
    ("sump-high", "People still come first"),
    ("floor-leak", "adds its drain-back"),
    ("sump-low", "A heater out of water is hot and may burst"),
    ("mains-lost", "A heater out of water is hot and may burst"),
    ("mains-lost", "The mains may return at any moment, while hands are in the water"),
    ("side-loop-flow-lost", "A UV lamp injures eyes"),
    ("side-loop-flow-lost", "do not simply reopen it. Ventilate the room from outside, drain"),
    ("mains-restored", "do not simply reopen it"),
    ("top-off-stuck-on", "Never use any of them together with bleach"),
    ("ph-high", "caustic"),
    ("doser-stuck-on", "Wear goggles and gloves"),
    ("overflow-blocked", "Some corals are toxic when scraped"),
    ("circuit-lost", "Never defeat the protection"),
    ("electrical-overheat", "no certified smoke alarm"),
    ("electrical-overheat", "call the fire service from outside"),
    ("skimmer-overflow", "give every cable a drip loop"),
    ("floor-leak", "test the GFCI/RCD"),
    ("probe-silent", "unknown, not normal"),
]


@pytest.mark.parametrize(("ident", "words"), SAYS)
def test_the_card_says(ident: str, words: str) -> None:
    assert words in whole(CARDS[ident])


@pytest.mark.parametrize("ident", BOLD.split())
def test_a_bold_card_says_whom_to_call_in_an_emergency(ident: str) -> None:
    assert "emergency number" in callees(CARDS[ident])


def test_a_damaged_file_is_told_by_name() -> None:
    with pytest.raises(ConfigError, match=r"^failures\.toml: .*install Weirwatch again$"):
        read_catalogue("[[failure")
    with pytest.raises(ConfigError) as caught:
        read_catalogue('[[failure]]\nid = "x"\n')
    assert len(caught.value.problems) > 5
    assert all(problem.startswith("failures.toml: x: ") for problem in caught.value.problems)


def test_loading_twice_gives_equal_catalogues_and_shares_nothing() -> None:
    again: Catalogue = load_catalogue()
    assert again == CATALOGUE
    assert again is not CATALOGUE
