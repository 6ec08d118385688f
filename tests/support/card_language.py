"""What a safety card may not tell anybody to do, as checks on its sentences."""

import re
from collections.abc import Iterator

from weirwatch.domain.failures import SafetyCard

_RISKY = re.compile(
    r"\b(un-?plug\w*|pull\w*|reach\w*|re-?set\w*|by-?pass\w*|re-?open\w*|open(ed|s|ing)?"
    r"|bridg\w+|defeat\w*|overrid\w*|disabl\w+|jumper\w*|wade\w*)\b",
    re.IGNORECASE,
)
# A denial in the same clause; "no" only right before the verb ("no smell: reset it" is no denial).
_DENIED = re.compile(
    r"(\b(do not|does not|never|nobody|neither|cannot)\b[^,;:]*|\bno )$", re.IGNORECASE
)
_HANDS_ON = re.compile(
    r"\b(clear (the|a|snails|strainer|outlet|its|pump)|clean (the|pump|it)|free (the|a|it)|lift"
    r"|fit a|mop|empty (the|cup)|siphon its|seat it|drain its|look for (a|the)"
    r"|take out|take (it|the doubtful one|system water|salt water) out)\b",
    re.IGNORECASE,
)


def sentences(text: str) -> list[str]:
    """Return the sentences of a text."""
    return [part for part in re.split(r"(?<=[.?!])\s+", text) if part]


def texts(card: SafetyCard) -> Iterator[str]:
    """Yield every text of the card that a person follows."""
    yield card.meaning
    yield from (hazard.text for hazard in card.hazards)
    yield from card.check_first
    yield from card.response
    yield from (call.when for call in card.call)


def risky(text: str) -> list[str]:
    """Return the sentences with a dangerous verb that nothing before it denies."""
    return [
        sentence
        for sentence in sentences(text)
        for match in _RISKY.finditer(sentence)
        if not _DENIED.search(sentence[: match.start()])
    ]


def hands_before_power_off(steps: tuple[str, ...]) -> list[str]:
    """Return the steps that put hands to work before a step said to switch off first."""
    early = []
    for step in steps:
        if "power off first" in step.lower():
            break
        if _HANDS_ON.search(step):
            early.append(step)
    return early
