"""The home of Parquet: tables written and read, where the package pyarrow is installed."""

from collections.abc import Iterator, Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from weirwatch.domain.errors import ConfigError
from weirwatch.domain.instant import from_rfc3339, to_rfc3339

_TIMES = ("time", "start", "end")
_KINDS = {"count": "int64", "channel": "string", "quality": "string", "reason": "string"}
_KINDS["unit"] = "string"
_BATCH = 10_000
MISSING = "Parquet needs the package pyarrow: install weirwatch[parquet], or use CSV"


def have_parquet() -> bool:
    """Return whether it can be written and read here."""
    return find_spec("pyarrow") is not None


def parquet_bytes(rows: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> bytes:
    """Return the rows as a Parquet file; times (RFC 3339) as UTC microseconds."""
    import pyarrow
    from pyarrow import parquet

    arrays = {}
    for name in columns:
        values = [row[name] for row in rows]
        if name in _TIMES:
            kind = pyarrow.timestamp("us", tz="UTC")
            values = [from_rfc3339(value) for value in values]
        else:
            kind = getattr(pyarrow, _KINDS.get(name, "float64"))()
        arrays[name] = pyarrow.array(values, kind)
    sink = pyarrow.BufferOutputStream()
    parquet.write_table(pyarrow.table(arrays), sink)
    return bytes(sink.getvalue())


def parquet_rows(path: Path) -> Iterator[dict[str, Any]]:
    """Yield a file's rows; times as RFC 3339.

    Raises:
        ConfigError: pyarrow is not there, or the file is not Parquet.
    """
    if not have_parquet():
        raise ConfigError(f"{path}: {MISSING}")
    import pyarrow
    from pyarrow import parquet

    try:
        with parquet.ParquetFile(path) as file:
            for batch in file.iter_batches(_BATCH):
                columns = {}
                for name, column in zip(batch.schema.names, batch.columns, strict=True):
                    if pyarrow.types.is_timestamp(column.type):
                        micros = column.cast(pyarrow.timestamp("us", tz="UTC")).cast("int64")
                        times = micros.to_pylist()
                        columns[name] = [None if t is None else to_rfc3339(t) for t in times]
                    else:
                        columns[name] = column.to_pylist()
                names = list(columns)
                for values in zip(*columns.values(), strict=True):
                    yield dict(zip(names, values, strict=True))
    except pyarrow.ArrowException as error:
        raise ConfigError(f"{path} cannot be read as Parquet: {error}") from error
