"""Files of tables: written whole under another name and put in place in one step, so no reader sees half a file."""

import csv
import io
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final

from broker_bridge.errors import OutletUnavailable, UsageError
from broker_bridge.folders import make_folder, sync_folder
from broker_bridge.outlets.tables.dictionary import Table

if TYPE_CHECKING:
    import pyarrow as pa

_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
"""What makes a spreadsheet take a text for a formula (CWE-1236); such a text gets an apostrophe in front."""
UNFINISHED: Final = ".part"


def arrow() -> Any:
    """The library that writes Parquet. Raises UsageError where it is not installed."""
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise UsageError("tables need pyarrow: pip install 'broker-bridge[tables]'") from None
    return pyarrow


def schema(table: Table) -> "pa.Schema":
    """The columns as Parquet has them, meaning and unit in their metadata."""
    pa = arrow()
    types = {
        "text": pa.string(),
        "texts": pa.list_(pa.string()),
        "integer": pa.int64(),
        "number": pa.float64(),
        "truth": pa.bool_(),
        "time": pa.timestamp("us", tz="UTC"),
    }
    return pa.schema(
        [
            pa.field(
                column.name,
                types[column.type],
                metadata={"meaning": column.meaning, **({"unit": column.unit} if column.unit else {})},
            )
            for column in table.columns
        ],
        metadata={"table": table.name, "meaning": table.meaning},
    )


def table_of(table: Table, rows: Iterable[Mapping[str, Any]]) -> "pa.Table":
    """Rows as columns."""
    kept = list(rows)
    columns = {column.name: [row.get(column.name) for row in kept] for column in table.columns}
    return arrow().table(columns, schema=schema(table))


def read(path: Path) -> "pa.Table":
    """A file as it was written. Raises OutletUnavailable when it is no such file."""
    pa = arrow()
    try:
        return pa.parquet.ParquetFile(path).read()
    except (OSError, pa.ArrowInvalid) as error:
        raise OutletUnavailable(
            f"{path} cannot be read: {error}; move it aside and replay this outlet"
        ) from error


def write(path: Path, content: "pa.Table") -> None:
    """Put a Parquet file in place; on the disk when this returns. Raises OutletUnavailable."""

    def fill(file: IO[bytes]) -> None:
        arrow().parquet.write_table(content, file, compression="zstd")

    _place(path, fill)


def write_csv(path: Path, content: "pa.Table") -> None:
    """The same as CSV (RFC 4180): lists with `; ` between, times as RFC 3339. Raises OutletUnavailable."""

    def fill(file: IO[bytes]) -> None:
        text = io.TextIOWrapper(file, encoding="utf-8", newline="")
        writer = csv.writer(text, lineterminator="\r\n")
        writer.writerow(content.column_names)
        for batch in content.to_batches(max_chunksize=10_000):
            columns = [column.to_pylist() for column in batch.columns]
            writer.writerows([_cell(value) for value in row] for row in zip(*columns, strict=True))
        text.flush()
        text.detach()  # the file goes on to the disk by itself

    _place(path, fill)


def remove(path: Path) -> None:
    """Take a file away, and its folder with it when it was the last. Raises OutletUnavailable."""
    try:
        path.unlink(missing_ok=True)
        if path.parent.is_dir() and not any(path.parent.iterdir()):
            path.parent.rmdir()
    except OSError as error:
        raise OutletUnavailable(f"{path} cannot be removed: {error.strerror}") from error


def write_text(path: Path, text: str) -> None:
    """The same for a text. Raises OutletUnavailable."""
    _place(path, lambda file: file.write(text.encode()))


def parts(folder: Path, name: str) -> Iterator[Path]:
    """The files of that name in the folders of all days, sorted."""
    yield from sorted(folder.glob(f"day=*/{name}"))


def _place(path: Path, fill: Any) -> None:
    unfinished = path.with_name(path.name + UNFINISHED)
    try:
        make_folder(path.parent)
        with unfinished.open("wb") as file:
            fill(file)
            file.flush()
            os.fsync(file.fileno())
        unfinished.replace(path)
        sync_folder(path.parent)
    except OSError as error:
        raise OutletUnavailable(f"{path} cannot be written: {error.strerror or error}") from error


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value)
    text = "; ".join(value) if isinstance(value, Sequence) and not isinstance(value, str) else str(value)
    return "'" + text if isinstance(value, str | list) and text.startswith(_FORMULA) else text
