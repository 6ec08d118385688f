"""`weirwatch report water` and `report probes`: the water's budget and swings; the probes."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from weirwatch.cli.options import ConfigOption, DataOption, JsonOption, places
from weirwatch.domain.errors import ConfigError

Row = Mapping[str, Any]
FromOption = Annotated[
    str | None,
    typer.Option(
        "--from", metavar="TIME", help="RFC 3339, or a span before --to: 30d.  [default: 30d]"
    ),
]
ToOption = Annotated[
    str | None, typer.Option("--to", metavar="TIME", help="RFC 3339, or a span ago.  [now]")
]
SystemOption = Annotated[str, typer.Option("--system", help="Where there are several.")]

HtmlOption = Annotated[
    Path | None, typer.Option("--html", metavar="FILE", help="Write it there with plots.")
]


def register(family: typer.Typer) -> None:
    """Add both commands to the family of reports."""
    family.command(name="water")(water_command)
    family.command(name="probes")(probes_command)


def water_command(
    context: typer.Context,
    start: FromOption = None,
    end: ToOption = None,
    system: SystemOption = "",
    config: ConfigOption = None,
    data: DataOption = None,
    html: HtmlOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what the animals take up, which way it comes in, how the water swings, what moves."""
    from weirwatch.pipeline.water_report import water_report_json

    show = _print_water if html is None else _written(html)
    _report(context, (config, data), (start, end, system), water_report_json, show, as_json)


def probes_command(
    context: typer.Context,
    start: FromOption = None,
    end: ToOption = None,
    system: SystemOption = "",
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say how far each probe can be believed, and which calibration is due."""
    from weirwatch.pipeline.probe_report import probe_report_json

    _report(
        context, (config, data), (start, end, system), probe_report_json, _print_probes, as_json
    )


def _report(
    context: typer.Context,
    place: tuple[Any, Any],
    what: tuple[str | None, str | None, str],
    make: Callable[..., Row],
    show: Callable[[Row], None],
    as_json: bool,
) -> None:
    from weirwatch.cli.desk import desk, print_json
    from weirwatch.cli.time_range import time_range
    from weirwatch.pipeline.water_report import DEFAULT_SPAN, system_of

    with desk(*places(context, *place)) as open_desk:
        begins, ends = time_range(what[0], what[1], open_desk.now(), DEFAULT_SPAN)
        system = system_of(open_desk.settings, what[2])
        report = make(open_desk.archive, open_desk.settings, system, begins, ends)
    if as_json:
        print_json(report)
    else:
        show(report)


def _written(file: Path) -> Callable[[Row], None]:
    from weirwatch.pipeline.water_html import water_document

    def write(report: Row) -> None:
        try:
            file.write_text(water_document(report, report["system"]), encoding="utf-8")
        except OSError as error:
            raise ConfigError(f"{file}: cannot be written: {error.strerror}") from error
        typer.echo(f"{file}: written.")

    return write


def _print_water(report: Row) -> None:
    typer.echo(f"{report['system']}: {report['from'][:10]} to {report['to'][:10]}\n")
    for budget in report["budgets"]:
        _print_budget(budget)
    for swing in (*report["ph_swing"], *report["temperature_swing"]):
        if swing["days"]:
            typer.echo(
                f"{swing['title']}: swings {swing['usual']:.2f} {swing['unit']} a day, at most"
                f" {swing['greatest']:.2f}; {swing['lowest']:.2f} to {swing['highest']:.2f}"
            )
        _print_room(swing.get("room_co2"))
    for item in report["evaporation"]:
        if item["days"]:
            _print_evaporation(item)
    typer.echo("")
    for item in report["moving"]:
        typer.echo(
            f"{item['what']}: {item['value']:.4g} {item['unit']}, {item['per_day']:+.3g} a day:"
            f" at {item['limit']:g} on {item['at'][:10]}"
            f" ({item['earliest'][:10]} to {item['latest'][:10]})"
        )
    if not report["moving"]:
        typer.echo("Nothing moves out of its band within 90 days.")


def _print_evaporation(item: Row) -> None:
    late = ""
    if item["change"] is not None:
        late = f"; the last day {item['change']:.2f} times the median of 14 days"
    typer.echo(f"{item['title']}: {item['usual']:.1f} {item['unit']}{late}")


def _print_room(room: Row | None) -> None:
    if room is not None:
        typer.echo(
            f"  the room's CO2 makes {room['part']:.2f} of it ({room['share']:.0%}), at most"
            f" {room['at_most']:.2f}"
        )


def _print_budget(budget: Row) -> None:
    from weirwatch.domain.wording import counted

    name, unit = budget["quantity"].capitalize(), budget["unit"]
    if budget["consumption"] is None:
        typer.echo(f"{name}: {counted(budget['tests'], 'test')}, and three are needed.\n")
        return
    typer.echo(
        f"{name}: {budget['consumption']:.3g} ± {budget['standard_error']:.2g} {unit} used up"
        f" ({budget['tests']} tests)"
    )
    if budget["recent"] is not None:
        typer.echo(f"  last third: {budget['recent']:.3g} ± {budget['recent_error']:.2g}")
    if budget["change"] is not None:
        typer.echo(
            f"  first to last third: {budget['change']:+.2g} ± {budget['change_error']:.2g} {unit}"
        )
    for word in ("reactor", "dosed"):
        share = budget[f"{word}_share"]
        part = "" if share is None else f", {share:.0%} of it"
        typer.echo(f"  {word}: {budget[word]:.3g} {unit}{part}")
    if budget["doubtful_tests"]:
        numbers = ", ".join(map(str, budget["doubtful_tests"]))
        typer.echo(f"  doubtful tests, not counted: {numbers}")
    for flag in budget["flags"]:
        typer.echo(
            f"  {flag['what'].replace('-', ' ')}: {flag['amount']:+.2g} {flag['unit']} between"
            f" {flag['from'][:16]}Z and {flag['to'][:16]}Z"
        )
    typer.echo("")


def _print_probes(report: Row) -> None:
    from weirwatch.pipeline.probe_words import probe_facts

    for probe in report["probes"]:
        facts = probe_facts(probe)
        if facts:
            typer.echo(f"{probe['title']} ({probe['channel']}): {'; '.join(facts)}")
    due = ", ".join(report["due"]) or "none"
    typer.echo(f"\nCalibration due: {due}")
    typer.echo(f"Proof test due: {', '.join(report['proofs_due']) or 'none'}")
