"""The home of Parquet: tables written and read, where the package pyarrow is installed."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from importlib.util import find_spec
from io import BytesIO
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import from_rfc3339, to_rfc3339

_TIMES = ("time", "start", "end")
_KINDS = {"count": "int64", "channel": "string", "quality": "string", "reason": "string"}
_KINDS["unit"] = "string"
_BATCH = 10_000
_GROUP = 100_000  # rows written at once
MISSING = "Parquet needs the package pyarrow: install weirwatch[parquet], or use CSV"


def have_parquet() -> bool:
    """Return whether it can be written and read here."""
    return find_spec("pyarrow") is not None


def parquet_bytes(rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> bytes:
    """Return the rows as a Parquet file; times (RFC 3339) as UTC microseconds."""
    sink = BytesIO()
    write_parquet(sink, rows, columns)
    return sink.getvalue()


def write_parquet(out: BinaryIO, rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> None:
    """Write the rows as a Parquet file, some at a time: a year of them is more than fits."""
    import pyarrow
    from pyarrow import parquet

    schema = pyarrow.schema([(name, _kind(name)) for name in columns])
    waiting = iter(rows)
    with parquet.ParquetWriter(out, schema) as writer:
        while some := list(islice(waiting, _GROUP)):
            arrays = [_array([row[name] for row in some], name) for name in columns]
            writer.write_table(pyarrow.table(arrays, schema=schema))


def _kind(name: str) -> Any:
    import pyarrow

    if name in _TIMES:
        return pyarrow.timestamp("us", tz="UTC")
    return getattr(pyarrow, _KINDS.get(name, "float64"))()


def _array(values: Sequence[Any], name: str) -> Any:
    import pyarrow

    found = [from_rfc3339(value) for value in values] if name in _TIMES else values
    return pyarrow.array(found, _kind(name))


def parquet_rows(path: Path) -> Iterator[dict[str, Any]]:
    """Yield a file's rows; times as RFC 3339.

    Raises:
        ConfigError: pyarrow is not there, the file is not Parquet, two columns have one name, or
            its times are of no time zone.
    """
    if not have_parquet():
        raise ConfigError(f"{path}: {MISSING}")
    import pyarrow
    from pyarrow import parquet

    try:
        with parquet.ParquetFile(path) as file:
            _check_columns(path, file.schema_arrow)
            for batch in file.iter_batches(_BATCH):
                columns = {
                    name: _times(column) if pyarrow.types.is_timestamp(column.type) else column
                    for name, column in zip(batch.schema.names, batch.columns, strict=True)
                }
                values = [
                    column if isinstance(column, list) else column.to_pylist()
                    for column in columns.values()
                ]
                for row in zip(*values, strict=True):
                    yield dict(zip(columns, row, strict=True))
    except pyarrow.ArrowException as error:
        raise ConfigError(f"{path} cannot be read as Parquet: {error}") from error


def _check_columns(path: Path, schema: Any) -> None:
    import pyarrow

    if len(set(schema.names)) < len(schema.names):
        raise ConfigError(f"{path}: two columns have the same name: leave one out")
    for field in schema:
        if pyarrow.types.is_timestamp(field.type) and field.type.tz is None:
            raise ConfigError(
                f"{path}: the times of the column {field.name!r} are of no time zone: write them"
                " with one, as timestamp[us, tz=UTC]"
            )


def _times(column: Any) -> list[str | None]:
    """Return times as RFC 3339, cut to microseconds; as a number where there is no such year."""
    import pyarrow

    wanted = pyarrow.timestamp("us", tz="UTC")
    micros = column.cast(wanted, safe=column.type.unit != "ns").cast("int64").to_pylist()
    return [None if time is None else _time(time) for time in micros]


def _time(micros: int) -> str:
    try:
        return to_rfc3339(micros)
    except OverflowError:
        return str(micros)
