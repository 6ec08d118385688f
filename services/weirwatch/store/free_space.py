"""How much room the disk has left."""

import shutil
from pathlib import Path

LEAST_FREE_BYTES = 200_000_000
LEAST_FREE_SHARE = 0.03


def disk_trouble(folder: Path) -> str | None:
    """Return a sentence when the folder's disk is nearly full or cannot be asked, else None."""
    try:
        usage = shutil.disk_usage(folder)
    except OSError as trouble:
        return f"the disk of {folder} cannot be asked ({trouble.strerror}): see whether it is there"
    if usage.free >= LEAST_FREE_BYTES and usage.free >= LEAST_FREE_SHARE * usage.total:
        return None
    return (
        f"only {usage.free / 1e6:.0f} MB ({100 * usage.free / usage.total:.0f} %) are free where "
        f"{folder} lies: make room; when it is full, nothing new is kept nor acknowledged"
    )
