"""Keeps the files of the tables true to the record: events by blocks of their numbers, what is derived by days.

Every event lies in exactly one file, that of its block of numbers and its day, so a late event adds a file to its day
and no event is ever there twice. A block is written by joining what the file has with what is new; what the file has
of events that come again is dropped first. Derived rows of a day are written anew whenever a history with rows on
that day was made anew.
"""

import json
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from broker_bridge.errors import OutletUnavailable, RecordDamaged, WireError
from broker_bridge.events.fact import Fact
from broker_bridge.outlets.tables import rows as made
from broker_bridge.outlets.tables.dictionary import (
    DEFECTS,
    LOOKS,
    MATERIALS,
    TABLES,
    VISITS,
    Table,
    document,
)  # fmt: skip
from broker_bridge.outlets.tables.files import (
    arrow,
    parts,
    read,
    remove,
    table_of,
    write,
    write_csv,
    write_text,
)
from broker_bridge.projector.days import Days
from broker_bridge.projector.derived import Derived
from broker_bridge.projector.holding import holding
from broker_bridge.projector.schema import DAY
from broker_bridge.queries.columns import read_columns
from broker_bridge.queries.record import Record
from broker_bridge.queries.settling import settle

if TYPE_CHECKING:
    import pyarrow as pa

STATE: Final = "_state.json"
"""A name that readers of Parquet folders pass over."""
_BLOCK: Final = {"events": 20_000, "pads": 2_000}
"""Events of one file: small enough to be written again with every new event of today, large enough to stay few."""
_WHOLE: Final = "part-0"
_NO_DAY: Final = "1970-01-01"
NAMES: Final = tuple(table.name for table in TABLES)


class Writer:
    """The folder of all tables. Every method may be called again after a failure: the files come out the same."""

    def __init__(
        self,
        folder: Path,
        *,
        tables: Collection[str] = NAMES,
        csv: bool = False,
        may_tell: Callable[[str | None], bool] = lambda part: True,
    ) -> None:
        """`may_tell`: whether what is derived about boards of a part (None: not known) may leave.

        Raises UsageError where the extra is not installed.
        """
        arrow()
        self.folder = folder
        self._wanted = set(tables)
        self._csv = csv
        self._may_tell = may_tell
        self._tables = {table.name: table for table in TABLES}

    def take(self, record: Record, facts: Sequence[Fact], first: int) -> None:
        """Put events into the tables `events` and `pads`; what lies there from the number `first` on is dropped before.

        Raises OutletUnavailable, StoreUnavailable.
        """
        held = self._held(record, facts)
        self._put(
            "events", first, {fact.number: fact for fact in facts}, lambda fact: [made.event(fact)], held
        )
        paste = {
            fact.number: fact for fact in facts if fact.type == made.PASTE and held.get(fact.number, True)
        }
        self._put("pads", first, paste, _pads, held)

    def _held(self, record: Record, facts: Sequence[Fact]) -> dict[int, bool]:
        """Of these events, and of those of the same raw records at other revisions, whether they hold."""
        revised = [fact.number for fact in facts if fact.revision > 1]
        numbers = {sibling.number for sibling in record.reader.siblings(revised)} if revised else set()
        kept = {fact.number for fact in holding(record.reader, record.index, numbers, record.as_of().number)}
        return {number: number in kept for number in numbers}

    def _put(
        self,
        name: str,
        first: int,
        facts: Mapping[int, Fact],
        rows_of: Callable[[Fact], Iterable[made.Row]],
        held: Mapping[int, bool],
    ) -> None:
        if name not in self._wanted:
            return
        table, size = self._tables[name], _BLOCK[name]
        by_block: dict[int, list[Fact]] = defaultdict(list)
        for number, fact in facts.items():
            by_block[number // size].append(fact)
        touched = {number // size for number, holds in held.items() if not holds or name == "events"}
        # Highest first: of what comes again under other numbers nothing is there twice meanwhile.
        there = {
            int(path.stem.removeprefix("block-")) for path in parts(self.folder / name, "block-*.parquet")
        }
        blocks = set(by_block) | {block for block in there if block >= first // size} | (touched & there)
        for block in sorted(blocks, reverse=True):
            new: dict[int, list[made.Row]] = defaultdict(list)
            for fact in by_block.get(block, ()):
                for row in rows_of(fact):
                    new[made.day_of(row[table.day])].append({**row, "holds": held.get(fact.number, True)})
            self._block(table, block, first, new, held)

    def _block(
        self,
        table: Table,
        block: int,
        first: int,
        new: Mapping[int, list[made.Row]],
        held: Mapping[int, bool],
    ) -> None:
        """Join what the files of a block have with what is new, a file a day."""
        file = f"block-{block:06d}"
        days = {
            path.parent.name.removeprefix("day="): path
            for path in parts(self.folder / table.name, f"{file}.parquet")
        }
        fresh = {made.day_text(day): rows for day, rows in new.items()}
        for day in sorted(days.keys() | fresh.keys()):
            path = days.get(day)
            before = None if path is None else read(path)
            kept = None if before is None else _corrected(before, first, held)
            added = table_of(table, fresh[day]) if day in fresh else None
            found = [part for part in (kept, added) if part is not None and part.num_rows]
            if not found:
                self._remove(table, day, file)
            elif added is not None or before is None or kept is None or not kept.equals(before):
                self._write(table, day, file, arrow().concat_tables(found))

    def derive(self, record: Record) -> bool:
        """Bring the derived tables up to the record; whether anything changed. Raises as `take`."""
        settle(record)
        as_of = record.as_of()
        state = self._state()
        with_days = Days(record.index.path)
        derived = Derived(record.index.path)
        try:
            last = with_days.last_stamp()
            # A stamp from behind the newest is one of another index: everything is written anew.
            after = state.get("stamp", 0) if state.get("stamp", 0) <= last else 0
            days = sorted({day for day, _ in with_days.changed(after)})
            for day in days:
                self._day(
                    VISITS,
                    day,
                    [made.visit(p) for p in with_days.passages(day) if self._may_tell(p.thing.part)],
                )
                carries = [carry for carry in with_days.carries(day) if self._may_tell(carry.thing.part)]
                self._day(MATERIALS, day, list(made.materials(carries)))
                called = [
                    row for row in derived.called(day * DAY, (day + 1) * DAY - 1) if self._may_tell(row.part)
                ]
                self._day(DEFECTS, day, list(made.defects(called)))
            if not days and state.get("number") == as_of.number:
                return False
            self._inspections(record)
        finally:
            derived.close()
            with_days.close()
        for name in self._wanted:
            # So that a table of which nothing is known yet can be asked as well.
            columns = self._path(self._tables[name], _NO_DAY, "columns")
            if not columns.exists():
                write(columns, table_of(self._tables[name], []))
        write_text(self.folder / "DICTIONARY.md", document())
        write_text(
            self.folder / STATE,
            json.dumps(
                {"record": as_of.record, "commit": as_of.commit, "number": as_of.number, "stamp": last}
            ),
        )
        return True

    def _inspections(self, record: Record) -> None:
        """All looks are counted over the whole record; only the days that came out otherwise are written."""
        if LOOKS.name not in self._wanted:
            return
        by_day: dict[int, list[made.Row]] = defaultdict(list)
        for row in made.inspections(read_columns(record, record.as_of())):
            if self._may_tell(row["part"]):
                by_day[made.day_of(row[LOOKS.day])].append(row)
        there = {
            path.parent.name.removeprefix("day=")
            for path in parts(self.folder / LOOKS.name, f"{_WHOLE}.parquet")
        }
        for day, found in by_day.items():
            self._day(LOOKS, day, found, only_if_new=True)
        for gone in there - {made.day_text(day) for day in by_day}:
            self._remove(LOOKS, gone, _WHOLE)

    def _day(self, table: Table, day: int, rows: list[made.Row], *, only_if_new: bool = False) -> None:
        """Write the one file of a day, or take it away where nothing is left."""
        if table.name not in self._wanted:
            return
        text = made.day_text(day)
        if not rows:
            self._remove(table, text, _WHOLE)
            return
        content = table_of(table, rows)
        path = self._path(table, text, _WHOLE)
        if only_if_new and path.exists() and read(path).equals(content):
            return
        self._write(table, text, _WHOLE, content)

    def _write(self, table: Table, day: str, file: str, content: "pa.Table") -> None:
        write(self._path(table, day, file), content)
        if self._csv:
            write_csv(self._path(table, day, file, "csv"), content)

    def _remove(self, table: Table, day: str, file: str) -> None:
        remove(self._path(table, day, file))
        if self._csv:
            remove(self._path(table, day, file, "csv"))

    def _path(self, table: Table, day: str, file: str, kind: str = "parquet") -> Path:
        folder = self.folder / "csv" if kind == "csv" else self.folder
        return folder / table.name / f"day={day}" / f"{file}.{kind}"

    def _state(self) -> dict[str, Any]:
        try:
            found: dict[str, Any] = json.loads((self.folder / STATE).read_text(encoding="utf-8"))
        except FileNotFoundError:
            return {}
        except (OSError, ValueError, RecursionError) as error:
            raise OutletUnavailable(f"{self.folder / STATE} cannot be read: {error}; remove it") from error
        return found


def _corrected(before: "pa.Table", first: int, held: Mapping[int, bool]) -> "pa.Table":
    """What a file has, without the events from `first` on, and with `holds` as it is now; of pads only what holds."""
    pa = arrow()
    numbers = before.column("number").to_pylist()
    if "holds" not in before.column_names:
        return before.filter(pa.array([n < first and held.get(n, True) for n in numbers]))
    kept = before.filter(pa.array([number < first for number in numbers]))
    place = kept.schema.get_field_index("holds")
    holds = [
        held.get(number, was)
        for number, was in zip(
            kept.column("number").to_pylist(), kept.column("holds").to_pylist(), strict=True
        )
    ]
    return kept.set_column(place, kept.schema.field(place), pa.array(holds, pa.bool_()))


def _pads(fact: Fact) -> Iterable[made.Row]:
    try:
        return list(made.pads(fact))
    except (WireError, ValueError) as error:
        raise RecordDamaged(f"paste values of event {fact.id} of {fact.source}: {error}") from error
