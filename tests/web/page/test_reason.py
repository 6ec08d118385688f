"""Why, in the page's words: what the engine explains, on the keeper's clock."""

from typing import Any

from support.page_sight import MINUTE, NOW, hall
from support.page_world import LEVEL, RETURN

from weirwatch.domain.instant import to_rfc3339
from weirwatch.web.page.reason import reason_html

EXPLAINED: dict[str, Any] = {
    "channel": RETURN,
    "limit_text": "≤ 1500 L/h",
    "deadband": 500.0,
    "unit": "L/h",
    "while": [
        {"term": f"{LEVEL} above 292 mm", "holds": False},
        {"term": "alarm <b> stands", "holds": True},
    ],
    "delay": {"kind": "off-delay", "ends": to_rfc3339(NOW + 2 * MINUTE), "left_s": 120.0},
    "suppression": {
        "never": False,
        "hold_off_left_s": 90.0,
        "causes": [
            {"rule": "mains-lost", "title": "Mains lost", "stands": True,
             "raised_at": to_rfc3339(NOW - MINUTE)},
            {"rule": "x", "title": "Other", "stands": False, "raised_at": None},
        ],
    },
    "readings": [
        {"time": to_rfc3339(NOW), "value": 1200.0, "quality": "uncertain"},
    ],
    "why": [f"It is shelved until {to_rfc3339(NOW)}: it is not announced.", f"{LEVEL} <i>"],
}  # fmt: skip


def test_every_reason_is_told_and_escaped() -> None:
    html = reason_html(EXPLAINED, hall(), NOW)
    for told in (
        "It is shelved until 13:00: it is not announced.",
        "≤ 1500 L/h",
        "500 L/h",
        "2 min left, ends 13:02",
        "Sump: Level above 292 mm: <b>does not hold</b>",
        "alarm &lt;b&gt; stands: holds",
        "Mains lost: <b>stands</b> since 12:59",
        "Other: does not stand",
        "1 min left",
        "13:00:00  1200",
        "(uncertain)",
        "Sump: Level &lt;i&gt;",
    ):
        assert told in html, told
    assert LEVEL not in html


def test_what_there_is_not_is_not_told() -> None:
    bare: dict[str, Any] = {
        "limit_text": "", "deadband": None, "delay": None, "while": [], "channel": None,
        "unit": "", "why": ["The alarm is normal."],
        "suppression": {"never": True, "hold_off_left_s": None, "causes": []},
    }  # fmt: skip
    html = reason_html(bare, hall(), NOW)
    assert "nothing: it is never suppressed" in html
    assert html.count("<tr>") == 1
