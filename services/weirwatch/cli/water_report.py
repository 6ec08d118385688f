"""`weirwatch report water` and `report probes`: the water's budget and swings; the probes."""

from collections.abc import Callable, Mapping
from typing import Annotated, Any

import typer

from weirwatch.cli.options import ConfigOption, DataOption, JsonOption, config_path

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
    as_json: JsonOption = False,
) -> None:
    """Say what the animals take up, which way it comes in, how the water swings, what moves."""
    from weirwatch.pipeline.water_report import water_report_json

    _report(context, (config, data), (start, end, system), water_report_json, _print_water, as_json)


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

    before = context.obj or (None, None)
    config, data = place
    with desk(config_path(config, before[0]), data or before[1]) as open_desk:
        begins, ends = time_range(what[0], what[1], open_desk.now(), DEFAULT_SPAN)
        system = system_of(open_desk.settings, what[2])
        report = make(open_desk.archive, open_desk.settings, system, begins, ends)
    if as_json:
        print_json(report)
    else:
        show(report)


def _print_water(report: Row) -> None:
    typer.echo(f"{report['system']}: {report['from']} to {report['to']}\n")
    for budget in report["budgets"]:
        _print_budget(budget)
    for swing in (*report["ph_swing"], *report["temperature_swing"]):
        if swing["days"]:
            typer.echo(
                f"{swing['title']}: swings {swing['usual']:.2f} {swing['unit']} a day, at most"
                f" {swing['greatest']:.2f}; {swing['lowest']:.2f} to {swing['highest']:.2f}"
            )
    for item in report["evaporation"]:
        if item["days"]:
            typer.echo(f"{item['title']}: {item['usual']:.1f} {item['unit']}")
    typer.echo("")
    for item in report["moving"]:
        typer.echo(
            f"{item['what']}: {item['value']:.4g} {item['unit']}, {item['per_day']:+.3g} a day:"
            f" at {item['limit']:g} on {item['at'][:10]}"
            f" ({item['earliest'][:10]} to {item['latest'][:10]})"
        )
    if not report["moving"]:
        typer.echo("Nothing moves out of its band within 90 days.")


def _print_budget(budget: Row) -> None:
    name, unit = budget["quantity"].capitalize(), budget["unit"]
    if budget["consumption"] is None:
        typer.echo(f"{name}: {budget['tests']} tests, and three are needed.\n")
        return
    typer.echo(
        f"{name}: {budget['consumption']:.3g} ± {budget['standard_error']:.2g} {unit} used up"
        f" ({budget['tests']} tests)"
    )
    if budget["recent"] is not None:
        typer.echo(f"  last third: {budget['recent']:.3g} ± {budget['recent_error']:.2g}")
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
    for probe in report["probes"]:
        facts = _facts(probe)
        if facts:
            typer.echo(f"{probe['title']} ({probe['channel']}): {'; '.join(facts)}")
    due = ", ".join(report["due"]) or "none"
    typer.echo(f"\nCalibration due: {due}")


def _facts(probe: Row) -> list[str]:
    facts = []
    if probe["calibrated_at"] is not None:
        facts.append(f"calibrated {probe['age_days']:.0f} days ago, {probe['verdict']}")
        facts.extend(probe["reasons"])
    if probe["slope_percent"] is not None:
        facts.append(f"slope {probe['slope_percent']:.1f} %, offset {probe['offset_mv']:.1f} mV")
    if probe["days_left"] is not None:
        facts.append(f"slope at its limit in {probe['days_left']:.0f} days")
    if probe["tests_differ"] is not None:
        facts.append(f"{probe['tests_differ']:+.3g} {probe['unit']} from {probe['tests']} tests")
    if probe["twin_differs"] is not None:
        facts.append(f"{probe['twin_differs']:+.3g} {probe['unit']} from its twin")
    if probe["seen"] is not None and probe["seen"] < 0.99:
        facts.append(f"seen in {probe['seen']:.0%} of the hours")
    return facts
