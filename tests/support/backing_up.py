"""A process that backs up or restores again and again until it is killed; says when it begins.

Run as: python backing_up.py backup|restore DATA_DIR COPY
"""

import sys
from pathlib import Path

from weirwatch.store.backup import back_up
from weirwatch.store.lock import WriterLock
from weirwatch.store.restore import restore
from weirwatch.store.schema import FILE_NAME


def main(what: str, data_dir: Path, copy: Path) -> None:
    turn = 0
    while True:
        turn += 1
        sys.stdout.write(f"{turn}\n")
        sys.stdout.flush()
        if what == "backup":
            back_up(data_dir / FILE_NAME, copy, replace=True)
        else:
            with WriterLock(data_dir):
                restore(copy, data_dir, 1_777_636_800_000_000, f"turn-{turn}")


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]))
