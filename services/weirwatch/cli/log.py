"""`weirwatch log`: what was tested, dosed, changed, calibrated and noted by hand."""

from pathlib import Path
from typing import Annotated

import typer

from weirwatch.cli.family import Family
from weirwatch.cli.options import ConfigOption, DataOption, JsonOption, config_path

KindArgument = Annotated[
    str,
    typer.Argument(
        metavar="KIND",
        help="test, dose, reactor, water-change, maintenance, supply, note or calibration.",
    ),
]
WordsArgument = Annotated[
    list[str] | None,
    typer.Argument(
        metavar="WORDS", help="By kind, as in the examples above; docs/log.md has them all."
    ),
]
TimeOption = Annotated[
    str | None, typer.Option("--time", metavar="TIME", help="RFC 3339, or a span ago.  [now]")
]
TextOption = Annotated[str, typer.Option("--text", help="In your own words.")]
WhoOption = Annotated[str, typer.Option("--who", help="Who did it.")]
SystemOption = Annotated[str, typer.Option("--system", help="Where there are several.")]
SureOption = Annotated[bool, typer.Option("--sure", help="It is meant, however odd it looks.")]
ReplacesOption = Annotated[
    int | None, typer.Option("--replaces", metavar="NUMBER", help="The entry this one corrects.")
]
DailyOption = Annotated[
    bool, typer.Option("--daily", help="Of a dose: every day from now on, until the next one.")
]
StrengthOption = Annotated[
    float | None, typer.Option("--strength", metavar="G/L", help="Of a dissolved substance.")
]
EffluentOption = Annotated[
    float | None, typer.Option("--effluent", metavar="DKH", help="Of a reactor's effluent.")
]
BeforeOption = Annotated[
    float | None,
    typer.Option("--before", metavar="AMOUNT", help="Of a supply: what was left when filled."),
]
JobOption = Annotated[
    str, typer.Option("--job", metavar="ID", help="Of maintenance: the recurring job that is done.")
]
FreshOption = Annotated[
    list[str] | None,
    typer.Option("--fresh", metavar="NAME=VALUE", help="Of a water change: alkalinity=7.5 …"),
]
TemperatureOption = Annotated[
    float | None, typer.Option("--temperature", metavar="DEGC", help="Of calibration buffers.")
]
KindOption = Annotated[
    list[str] | None, typer.Option("--kind", metavar="KIND", help="Only this kind; may repeat.")
]
FromOption = Annotated[
    str | None, typer.Option("--from", metavar="TIME", help="RFC 3339, or a span: 30d.  [all]")
]
ToOption = Annotated[
    str | None, typer.Option("--to", metavar="TIME", help="RFC 3339, or a span ago.  [now]")
]


def register(app: typer.Typer) -> None:
    """Add the family."""
    family = typer.Typer(
        cls=Family,
        help="The keeper's log: tests, doses, calibrations, maintenance, notes.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    family.command(name="add")(add_command)
    family.command(name="list")(list_command)
    family.command(name="import")(import_command)
    family.command(name="photo")(photo_command)
    app.add_typer(family, name="log")


def add_command(
    kind: KindArgument,
    words: WordsArgument = None,
    time: TimeOption = None,
    text: TextOption = "",
    who: WhoOption = "",
    system: SystemOption = "",
    sure: SureOption = False,
    replaces: ReplacesOption = None,
    daily: DailyOption = False,
    strength: StrengthOption = None,
    effluent: EffluentOption = None,
    before: BeforeOption = None,
    job: JobOption = "",
    fresh: FreshOption = None,
    temperature: TemperatureOption = None,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write one entry.

    test alkalinity 8.2 dKH; dose sodium-carbonate 40 g; reactor 40 mL/min --effluent 28;
    water-change 200 L; maintenance "pump cleaned"; maintenance --job uv-lamp;
    supply gas-bottle 4.2 kg; note "…";
    calibration CHANNEL 7.00=7.08 10.01=9.95 (known=shown).
    """
    from weirwatch.cli.desk import desk
    from weirwatch.cli.log_words import put, request_of

    options = {
        "text": text,
        "who": who,
        "system": system,
        "sure": sure,
        "replaces": replaces,
        "daily": daily,
        "strength_g_l": strength,
        "effluent_dkh": effluent,
        "before": before,
        "temperature_degc": temperature,
        **({"subject": job} if job else {}),
    }
    with desk(config_path(config), data) as open_desk:
        request = request_of(open_desk, kind, words or [], options, time, fresh or [])
        put(open_desk, [request], as_json=as_json)


def list_command(
    kind: KindOption = None,
    start: FromOption = None,
    end: ToOption = None,
    every: Annotated[bool, typer.Option("--all", help="Corrected entries too.")] = False,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print the log, oldest first; what was corrected is left out unless asked for."""
    from weirwatch.cli.desk import desk
    from weirwatch.cli.log_words import print_log

    with desk(config_path(config), data) as open_desk:
        print_log(open_desk, kind or [], start, end, every=every, as_json=as_json)


def photo_command(
    number: Annotated[int, typer.Argument(metavar="NUMBER", help="Of the entry.")],
    file: Annotated[Path, typer.Argument(metavar="FILE", help="JPEG, PNG or WebP.")],
    who: WhoOption = "",
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put a photo to an entry: JPEG, PNG or WebP of at most 700 000 bytes.

    It is kept in the same file as the log. What the camera wrote into it (place, time) stays in it.
    """
    from weirwatch.cli.desk import desk
    from weirwatch.cli.log_words import put_photo

    with desk(config_path(config), data) as open_desk:
        put_photo(open_desk, number, file, who, as_json=as_json)


def import_command(
    file: Annotated[Path, typer.Argument(metavar="FILE.csv")],
    check: Annotated[bool, typer.Option("--check", help="Look at it only; store nothing.")] = False,
    config: ConfigOption = None,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Read entries from a CSV file: all of them are stored, or none.

    The first line names the columns: kind and time, and any of system, subject, value, unit, text,
    who, strength_g_l, effluent_dkh, before, daily, sure.
    """
    from weirwatch.cli.desk import desk
    from weirwatch.cli.log_words import put, read_csv

    with desk(config_path(config), data) as open_desk:
        put(open_desk, read_csv(file), as_json=as_json, check=check, many=True)
