"""A process that commits ten minutes of readings at a time, seals and lets go, until it is killed.

Prints the number of each group it is sure of, and "m" whenever it begins to look after the file.
What group `seq` holds follows from `seq`, so that anybody can say what must be in the file. After
eight hours it is silent for three weeks, so that summaries grow old too.

Run as: python sealing_writer.py DATA_DIR
"""

import random
import sys
from pathlib import Path

from support.stored import CHANNELS, T0, Row

from weirwatch.domain.alarm import Event
from weirwatch.domain.instant import SECOND, Micros
from weirwatch.ports import Group
from weirwatch.settings import Kept, RetentionSettings
from weirwatch.store.lock import WriterLock
from weirwatch.store.retention import DAY
from weirwatch.store.sqlite_journal import open_journal

STEP: Micros = 600 * SECOND
LIFE = 48  # groups
BREAK: Micros = 22 * DAY
RETENTION = RetentionSettings(  # longer than anything is late
    Kept(raw_days=0.5),
    by_quantity={"temperature": Kept(raw_days=0.25, hourly_years=30 / 365.25)},
)
LATE = (9, 14, 30)  # groups: one and a half to five hours


def begin_of(seq: int) -> Micros:
    """When a group's ten minutes begin."""
    return T0 + seq * STEP + seq // LIFE * BREAK


def rows_of(seq: int) -> list[Row]:
    """The readings of a group, some of them late, some of them there already."""
    chance = random.Random(seq)
    rows: list[Row] = []
    for number in range(1, len(CHANNELS) + 1):
        for place in range(30):
            ts = begin_of(seq) + place * 20 * SECOND + chance.randrange(1000)
            quality = chance.choice((0, 0, 0, 0, 1, 2))
            reason = ("", "warming up", "outside valid range")[quality]
            rows.append((ts, number, round(chance.gauss(25, 1), 2), quality, reason))
    for late in LATE:
        if seq % LIFE > late and seq % 3 == late % 3:
            ts = begin_of(seq - late) + chance.randrange(600 * SECOND)
            rows.append((ts, chance.randint(1, len(CHANNELS)), float(seq), 0, ""))
    if seq % LIFE > max(LATE) and seq % 5 == 0:  # a redelivery
        rows += [(*row[:2], -1.0, 2, "again") for row in rows_of(seq - chance.choice(LATE))[:3]]
    return rows


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def main(data_dir: Path) -> None:
    with WriterLock(data_dir):
        journal, message = open_journal(data_dir, "20260501T120000Z", retention=RETENTION)
        say(f"opened {message}")
        journal.adopt(CHANNELS, ())
        seq = journal.restore().next_seq
        while True:
            now = begin_of(seq) + STEP
            event = Event(now, "raised", rule=str(seq))
            group = Group(readings=rows_of(seq), events=[(seq, event)], committed_at=now)
            journal.commit(group)
            say(str(seq))
            for _ in range(1 + seq % 4):
                say("m")
                journal.maintain(now, 0.0)
            seq += 1


if __name__ == "__main__":
    main(Path(sys.argv[1]))
