"""Reading the failure catalogue: good data is kept as it is, bad data is told in full."""

import copy
import json
from collections.abc import Callable
from typing import Any

import pytest

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.failures import (
    FIRST_LINE,
    LAST_LINE,
    Call,
    Catalogue,
    Group,
    Harmed,
    Hazard,
    SignalWord,
    card_as_json,
    parse_catalogue,
)
from weirwatch.domain.rule import Priority

Data = dict[str, Any]


def good() -> Data:
    return copy.deepcopy(
        {
            "shared": {
                "hazard": {
                    "live": {"signal_word": "DANGER", "to": "people", "text": "It may be live."}
                },
                "step": {"power-off": "Power off first."},
                "call": {"keeper": {"who": "keeper", "when": "Always."}},
                "source": {"habit": {"text": "Habit", "standing": "common practice, no source"}},
            },
            "failure": [
                {
                    "id": "weir-wet",
                    "title": "Weir wet",
                    "group": "water",
                    "bold": True,
                    "priority": "critical",
                    "wet_or_electrical": True,
                    "first_line": FIRST_LINE,
                    "meaning": "The weir is wet.",
                    "hazards": [
                        "@live",
                        {"signal_word": "CAUTION", "to": "people", "text": "Slippery."},
                        {"signal_word": "NOTICE", "to": "animals", "text": "Fish may jump."},
                        {"signal_word": "NOTICE", "to": "property", "text": "The floor."},
                    ],
                    "check_first": ["Is it raining?"],
                    "response": ["@power-off", "Wait."],
                    "call": ["@keeper", {"who": "plumber", "when": "By day."}],
                    "sources": ["@habit", {"text": "A book", "standing": "from memory"}],
                },
                {
                    "id": "clock-late",
                    "title": "Clock late",
                    "group": "instruments-and-service",
                    "priority": "low",
                    "first_line": "Nothing to touch.",
                    "meaning": "The clock is late.",
                    "hazards": ["@live"],
                    "check_first": ["What time is it?"],
                    "response": ["@power-off"],
                    "call": ["@keeper"],
                    "sources": ["@habit"],
                },
            ],
        }
    )


def problems_of(data: Data) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        parse_catalogue(data)
    return caught.value.problems


def test_a_card_is_what_the_data_says_with_shared_parts_in_place() -> None:
    catalogue = parse_catalogue(good())
    failure = catalogue.failures["weir-wet"]
    assert (failure.group, failure.default_priority) == (Group.WATER, Priority.CRITICAL)
    card = failure.card
    assert card.failure == "weir-wet"
    assert card.title == failure.title == "Weir wet"
    assert card.hazards[0] == Hazard(SignalWord.DANGER, Harmed.PEOPLE, "It may be live.")
    assert [hazard.to for hazard in card.hazards[2:]] == [Harmed.ANIMALS, Harmed.PROPERTY]
    assert card.response == ("Power off first.", "Wait.")
    assert card.call == (Call("keeper", "Always."), Call("plumber", "By day."))
    assert card.sources == ("Habit [common practice, no source]", "A book [from memory]")


def test_bold_ids_and_wet_cards_are_told_apart() -> None:
    catalogue = parse_catalogue(good())
    assert catalogue.bold == frozenset({"weir-wet"})
    wet = {ident: failure.card.wet_or_electrical for ident, failure in catalogue.failures.items()}
    assert wet == {"weir-wet": True, "clock-late": False}


def test_failures_keep_their_order_and_cannot_be_changed() -> None:
    catalogue: Catalogue = parse_catalogue(good())
    assert list(catalogue.failures) == ["weir-wet", "clock-late"]
    with pytest.raises(TypeError):
        del catalogue.failures["weir-wet"]  # type: ignore[attr-defined]


def test_a_card_as_json_is_plain_and_complete() -> None:
    card = parse_catalogue(good()).failures["weir-wet"].card
    told = card_as_json(card)
    assert json.loads(json.dumps(told)) == told
    assert list(told) == [
        "failure",
        "title",
        "first_line",
        "meaning",
        "hazards",
        "check_first",
        "response",
        "call",
        "last_line",
        "sources",
    ]
    assert told["first_line"] == FIRST_LINE
    assert told["last_line"] == LAST_LINE
    assert told["hazards"][1] == {"signal_word": "CAUTION", "to": "people", "text": "Slippery."}
    assert type(told["hazards"][1]["signal_word"]) is str
    assert told["call"][1] == {"who": "plumber", "when": "By day."}


Spoil = Callable[[Data], object]


@pytest.mark.parametrize(
    ("spoil", "problem"),
    [
        (lambda d: d.update(extra=1), "catalogue: extra is no key here; remove or correct it"),
        (lambda d: d.update(failure=[]), "catalogue: failure is []; write a list"),
        (lambda d: d.update(shared=3), "catalogue: shared is 3; write a table"),
        (lambda d: d["failure"].append(7), "failure[3]: is 7; write a table of keys and values"),
        (lambda d: d["shared"].update(hint={}), "shared: hint is no key here"),
        (
            lambda d: d["shared"]["step"].update(unused="Nobody."),
            "shared: step.unused is used by no card; remove it",
        ),
        (
            lambda d: d["shared"]["hazard"]["live"].update(to="persons"),
            "shared.hazard.live: to is 'persons'; write one of people, animals, property",
        ),
        (lambda d: d["failure"].append(d["failure"][0]), "weir-wet: appears twice"),
    ],
)
def test_a_wrong_catalogue_is_told(spoil: Spoil, problem: str) -> None:
    data = good()
    spoil(data)
    assert any(told.startswith(problem) for told in problems_of(data)), problems_of(data)


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        ({"id": "Weir_Wet"}, "failure[1]: id is 'Weir_Wet'; write lower-case words"),
        ({"id": None}, "failure[1]: id is None; write one line of text"),
        ({"title": " "}, "weir-wet: title is ' '; write one line of text"),
        ({"meaning": "Two\nlines."}, "weir-wet: meaning is 'Two\\nlines.'; write one line"),
        ({"group": "pumps"}, "weir-wet: group is 'pumps'; write one of water, life, "),
        ({"group": []}, "weir-wet: group is []; write one of"),
        ({"bold": "yes"}, "weir-wet: bold is 'yes'; write true or false"),
        ({"priority": "high"}, "weir-wet: priority is high; a bold failure is critical"),
        ({"priority": "urgent"}, "weir-wet: priority is 'urgent'; write one of low, medium, "),
        ({"colour": "red"}, "weir-wet: colour is no key here; remove or correct it"),
        ({"first_line": FIRST_LINE[:-1]}, "weir-wet: first_line is 'Stay out if the floor"),
        ({"first_line": FIRST_LINE.lower()}, "weir-wet: first_line is 'stay out if the floor"),
        ({"wet_or_electrical": False}, "weir-wet: wet_or_electrical is not true; every card of"),
        (
            {"wet_or_electrical": False, "group": "power-and-room"},
            "weir-wet: wet_or_electrical is not true; with this first_line, write true",
        ),
        ({"hazards": []}, "weir-wet: hazards is []; write a list with at least one item"),
        ({"hazards": ["@dead"]}, "weir-wet: hazards[1] is '@dead'; there is no [shared.hazard]"),
        ({"hazards": ["Ouch."]}, "weir-wet: hazards[1]: is 'Ouch.'; write a table"),
        (
            {"hazards": ["@live", {"signal_word": "NOTICE", "to": "animals", "text": ""}]},
            "weir-wet: hazards[2]: text is ''; write one line of text",
        ),
        (
            {"hazards": ["@live", {"signal_word": "LOOK", "to": "people", "text": "Oh."}]},
            "weir-wet: hazards[2]: signal_word is 'LOOK'; write one of DANGER, WARNING, CAUTION",
        ),
        (
            {"hazards": [{"signal_word": "NOTICE", "to": "people", "text": "Oh."}]},
            "weir-wet: hazards[1]: NOTICE does not go with people",
        ),
        (
            {"hazards": ["@live", {"signal_word": "DANGER", "to": "animals", "text": "Oh."}]},
            "weir-wet: hazards[2]: DANGER does not go with animals",
        ),
        (
            {"hazards": [{"signal_word": "NOTICE", "to": "animals", "text": "Fish."}]},
            "weir-wet: hazards name none to people",
        ),
        (
            {"hazards": [{"signal_word": "NOTICE", "to": "animals", "text": "Fish."}, "@live"]},
            "weir-wet: hazards stand in the wrong order; people first",
        ),
        (
            {"hazards": [{"signal_word": "WARNING", "to": "people", "text": "Hot."}, "@live"]},
            "weir-wet: hazards stand in the wrong order",
        ),
        ({"check_first": []}, "weir-wet: check_first is []; write a list"),
        ({"response": "Run."}, "weir-wet: response is 'Run.'; write a list"),
        ({"response": [4]}, "weir-wet: response[1]: text is 4; write one line of text"),
        ({"call": [{"who": "keeper"}]}, "weir-wet: call[1]: when is ''; write one line of text"),
        ({"call": None}, "weir-wet: call is None; write a list with at least one item"),
        ({"sources": []}, "weir-wet: sources is []; write a list with at least one item"),
        (
            {"sources": [{"text": "A book", "standing": "sure"}]},
            "weir-wet: sources[1]: standing is 'sure'; write one of seen in quotation or abstract",
        ),
        (
            {"sources": [{"text": "A book", "standing": "from memory", "page": 3}]},
            "weir-wet: sources[1]: page is no key here",
        ),
    ],
)
def test_a_wrong_failure_is_told(change: Data, problem: str) -> None:
    data = good()
    data["failure"][0].update(change)
    assert any(told.startswith(problem) for told in problems_of(data)), problems_of(data)


@pytest.mark.parametrize("key", sorted(set(good()["failure"][0]) - {"bold"}))
def test_a_missing_part_is_told(key: str) -> None:
    data = good()
    del data["failure"][0][key]
    assert any(key in told for told in problems_of(data))


def test_all_problems_are_told_at_once_and_each_once() -> None:
    data = good()
    data["shared"]["hazard"]["live"]["text"] = ""  # both cards use it
    data["failure"][0]["title"] = ""
    data["failure"][0]["sources"] = []
    data["failure"][1]["group"] = "pumps"
    told = problems_of(data)
    assert sorted(problem.split(" is ")[0] for problem in told) == [
        "clock-late: group",
        "shared.hazard.live: text",
        "weir-wet: sources",
        "weir-wet: title",
    ]
