"""A process that commits numbered groups until it is killed, and prints each number it is sure of.

Run as: python journal_writer.py DATA_DIR
"""

import sys
from pathlib import Path

from support.stored import CHANNELS, HIGH_LEVEL, whole_group

from weirwatch.store.lock import WriterLock
from weirwatch.store.sqlite_journal import open_journal


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def main(data_dir: Path) -> None:
    with WriterLock(data_dir):
        journal, message = open_journal(data_dir, "20260501T120000Z")
        say(f"opened {message}")
        numbers = dict(journal.adopt(CHANNELS, (HIGH_LEVEL,)))
        seq = journal.restore().next_seq
        while True:
            journal.commit(whole_group(numbers, seq))
            say(str(seq))
            seq += 1


if __name__ == "__main__":
    main(Path(sys.argv[1]))
