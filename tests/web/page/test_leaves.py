from support.page_sight import NOW, hall, sight

from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.alarm import Event
from weirwatch.ports import NodeState, Notice, Quarantined, StoredEvent
from weirwatch.web.page import leaves

EVIL = "<img src=x onerror=alert(1)>"


def test_people_first_with_their_signal_words_then_animals() -> None:
    html = leaves.card_html(load_catalogue().failures["floor-leak"].card)
    danger, notice = html.index(">DANGER<"), html.index(">NOTICE<")
    assert danger < notice < html.index("What it means") < html.index("Then, in this order")
    assert html.index("Then, in this order") < html.index("<h4>Call</h4>")
    assert "Local electrical codes" in html
    assert html.index("Local electrical codes") < html.index("Sources")


def test_every_card_of_the_catalogue_can_be_shown_whole() -> None:
    for failure in load_catalogue().failures.values():
        html = leaves.card_html(failure.card)
        assert html.count("ww-hazard") == len(failure.card.hazards)
        assert html.count("<li>") == sum(
            map(
                len,
                (
                    failure.card.check_first,
                    failure.card.response,
                    failure.card.call,
                    failure.card.sources,
                ),
            )
        )


def test_events_say_what_who_and_why() -> None:
    event = Event(NOW, "acknowledged", "floor-leak", who="Kari", comment="coming", late=True)
    html = leaves.events_html([StoredEvent(1, NOW, event)], hall(), NOW)
    assert "Water on the floor: acknowledged" in html
    assert "by Kari · “coming” · reported late" in html
    assert "13:00" in html  # Oslo


def test_service_events_have_no_rule() -> None:
    html = leaves.events_html([StoredEvent(1, NOW, Event(NOW, "web-restarted"))], hall(), NOW)
    assert "<b>Web restarted</b>" in html


def test_undelivered_notices_stand_out_with_the_reason() -> None:
    def notice(state: str, attempts: int = 0, error: str = "") -> str:
        made = Notice("n", 1, "phone", NOW, "HIGH: Return flow lost\nmore", {}, state, attempts,
                      last_error=error, delivered_at=NOW)  # fmt: skip
        return leaves.notices_html([made], hall(), NOW)

    assert "to phone · delivered 13:00" in notice("delivered", 1)
    assert "more" not in notice("delivered", 1)  # the first line fits
    assert "on its way" in notice("pending")
    assert "tried again after 3 attempts: disk full" in notice("pending", 3, "disk full")
    assert "ww-strong" in notice("given-up", 9, "gone")
    assert "NOT delivered, given up after 9 attempts: gone" in notice("given-up", 9, "gone")


def test_quarantine_is_counted_with_reasons() -> None:
    seen = sight(
        quarantine_counts={"not-senml": 2, "wrong-unit": 11},
        quarantined=(Quarantined(NOW, "weirwatch/x", "not-senml", "It is no JSON.", b""),),
    )
    html = leaves.quarantine_html(seen, hall(), NOW)
    assert html.index("wrong unit") < html.index("not senml")
    assert "It is no JSON." in html


def test_nodes_say_when_they_left() -> None:
    seen = sight(nodes={"h/n": NodeState("h/n", False, NOW, "battery")})
    assert "NOT connected since 13:00 (just now), on battery" in leaves.nodes_html(
        seen, hall(), NOW
    )


def test_health_is_flat_and_plain() -> None:
    html = leaves.health_html(
        sight(health={"counts": {"commit_failures": 3}, "web": None, "problems": [], "up": True})
    )
    assert '<th scope="row">counts commit failures</th><td>3</td>' in html
    assert "<td>–</td>" in html
    assert "<td>none</td>" in html
    assert "<td>yes</td>" in html


def test_what_comes_from_outside_is_escaped() -> None:
    event = Event(NOW, EVIL, EVIL, EVIL, who=EVIL, comment=EVIL, message=EVIL)
    notice = Notice("n", 1, EVIL, NOW, EVIL, {}, "pending", 2, last_error=EVIL)
    seen = sight(
        quarantine_counts={EVIL: 1},
        quarantined=(Quarantined(NOW, EVIL, EVIL, EVIL, b""),),
        nodes={"n": NodeState(EVIL, True, NOW, EVIL)},
        health={EVIL: EVIL, "list": [EVIL]},
    )
    for html in (
        leaves.events_html([StoredEvent(1, NOW, event)], hall(), NOW),
        leaves.notices_html([notice], hall(), NOW),
        leaves.quarantine_html(seen, hall(), NOW),
        leaves.nodes_html(seen, hall(), NOW),
        leaves.health_html(seen),
    ):
        assert "<img" not in html
        assert "&lt;img" in html
