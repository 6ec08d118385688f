"""A campaign of drills: every failure that physics can show, many times from random starts.

    .venv/bin/python tests/bench/campaign.py --runs 20 --out campaign.jsonl
    .venv/bin/python tests/bench/campaign.py --months 10 --out ordinary.jsonl

Each run but the first draws season, time of day, room, severity, target and the probes' noise. All
failures are played once before any is played twice, and each play is a line of the file: a campaign
that was stopped goes on where it was, unless rules, channels or plant have changed since. At the
end, or with --table alone, it prints the table as it stands in docs/drill.md. Exit code 1 if a play
was missed, told too late, or a false alarm sounded.
"""

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

from weirwatch.cli.demo_plant import demo_config
from weirwatch.cli.drill_plant import SimulatedPlant
from weirwatch.cli.drill_run import Job, run_all
from weirwatch.cli.drill_view import short
from weirwatch.config import load
from weirwatch.pipeline.drill_result import NormalResult, RunResult
from weirwatch.pipeline.drill_summary import percentile, run_json
from weirwatch.settings import Settings

Row = dict[str, Any]
_MONTH_DAYS = 30.0
_HEAD = (
    "| failure | told before harm | told after: half | 95 % | longest | soonest harm "
    "| smallest margin | false alarms |"
)


def main(words: Sequence[str] | None = None) -> int:
    """Play what is still to be played, then print the table."""
    args = _arguments(words)
    settings = load(args.config)
    mark = fingerprint(settings)
    done = {(row["failure"], row["run"]): row for row in _lines(args.out) if row["mark"] == mark}
    todo = [job for job in _jobs(args, settings) if (job.failure, job.run) not in done]
    if not args.table:
        with args.out.open("a", encoding="utf-8") as file:
            for job, result in run_all(settings, todo, args.jobs):
                row = {"failure": job.failure, "run": job.run, "mark": mark, **_row(result)}
                done[job.failure, job.run] = row
                print(json.dumps(row), file=file, flush=True)
    rows = list(done.values())
    ordinary = [row for row in rows if not row["failure"]]
    failures = [row for row in rows if row["failure"]]
    if failures:
        print("\n".join([_HEAD, "|---|---|---|---|---|---|---|---|", *table(failures)]))
    for row in ordinary:
        print(f"{row['played']}: {', '.join(row['false_alarms']) or 'quiet'}")
    bad = [r for r in failures if r["verdict"] != "detected"]
    return 1 if bad or any(row["false_alarms"] for row in rows) else 0


def fingerprint(settings: Settings) -> str:
    """Return a mark that changes with rules, channels and plant."""
    said = repr((settings.rules, settings.channels, settings.derived, settings.plant))
    return sha256(said.encode()).hexdigest()[:12]


def table(rows: Sequence[Row]) -> Iterator[str]:
    """Yield one line of Markdown a failure."""
    for failure in dict.fromkeys(row["failure"] for row in rows):
        plays = [row for row in rows if row["failure"] == failure]
        told = [row["detected_s"] for row in plays if row["detected_s"] is not None]
        good = sum(row["verdict"] == "detected" for row in plays)
        spans = [percentile(told, share) if told else None for share in (0.5, 0.95, 1.0)]
        harm = min((r["harm_s"] for r in plays if r["harm_s"] is not None), default=None)
        margin = min((r["margin_s"] for r in plays if r["margin_s"] is not None), default=None)
        false = sum(len(row["false_alarms"]) for row in plays)
        cells = [*map(short, [*spans, harm, margin]), str(false)]
        yield f"| `{failure}` | {good} of {len(plays)} | {' | '.join(cells)} |"


def _row(result: RunResult | NormalResult) -> Row:
    if isinstance(result, RunResult):
        return run_json(result)
    return {
        "played": result.says,
        "false_alarms": [alarm.rule for alarm in result.false_alarms],
        "readings": result.readings,
        "quarantined": result.quarantined,
    }


def _jobs(args: argparse.Namespace, settings: Settings) -> list[Job]:
    if args.months:
        return [
            Job("", run, args.seed, args.days, every_s=args.every) for run in range(args.months)
        ]
    failures = args.failure or SimulatedPlant(settings).can_play()
    return [Job(failure, run, args.seed) for run in range(args.runs) for failure in failures]


def _lines(file: Path) -> Iterator[Row]:
    if file.exists():
        yield from map(json.loads, file.read_text(encoding="utf-8").splitlines())


def _arguments(words: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("failure", nargs="*", help="only these; all that can be played otherwise")
    parser.add_argument("--runs", type=int, default=20, help="plays of each failure")
    parser.add_argument("--months", type=int, default=0, help="months of ordinary life instead")
    parser.add_argument("--days", type=float, default=_MONTH_DAYS, help="of each such month")
    parser.add_argument("--every", type=float, help="sampling of ordinary life in seconds")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1, help="plays at once")
    parser.add_argument("--out", type=Path, default=Path("campaign.jsonl"))
    parser.add_argument("--table", action="store_true", help="play nothing, print what is there")
    parser.add_argument("--config", type=Path, default=demo_config())
    return parser.parse_args(words)


if __name__ == "__main__":
    sys.exit(main())
