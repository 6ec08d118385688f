"""Which part of a plant a channel's name speaks of."""

import re

_ALONE = 1  # letters of a name that only a word of its own can be: `return` names no loop `r`


def names(channel: str, part: str) -> bool:
    """Return whether a channel's name has a part's name in it, as a word or within one."""
    if len(part) > _ALONE:
        return part in channel
    return re.search(rf"(?<![^\W_]){re.escape(part)}(?![^\W_])", channel) is not None
