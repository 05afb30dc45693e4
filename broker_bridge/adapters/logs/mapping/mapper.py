"""Native records of one file -> takings: holds what holds, groups what belongs together, rejects what does not fit.

Pure and incremental. Memory: without groups one record; with groups the records of the open group, of which the
mapping states the most.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final

from broker_bridge.adapters.base import Taking
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.adapters.logs.mapping.lookup import Companions
from broker_bridge.adapters.logs.mapping.scope import Group, Held, Row, indexed
from broker_bridge.adapters.logs.mapping.takings import Document, Place, Takings
from broker_bridge.adapters.logs.mapping.values import FieldError, Values
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused
from broker_bridge.adapters.logs.protocol.region import Region

_NONE: Final[tuple[Taking, ...]] = ()


class Mapper:
    """Turns the records of one document into takings, in order."""

    def __init__(
        self, mapping: Compiled, place: Place, document: Document, companions: Companions | None = None
    ) -> None:
        self._mapping = mapping
        self._companions = companions or Companions()
        self._takings = Takings(mapping, place, document)
        self._values = document.values
        self._rule = mapping.file.group
        self._holds = frozenset(self._rule.holds)
        self._held: Held = {}
        self._single = Group(document.values, self._held, {}, self._companions)
        self._groups: dict[Any, Group] = {}
        self._rows = 0
        self._overfull: Region | None = None
        self._strays: list[Refused | FieldError] = []
        self._kinds: Counter[str] = Counter()
        self._group_count = 0

    def add(self, item: NativeRecord | Refused) -> Iterable[Taking]:
        """The takings that are complete with this record, if any."""
        if isinstance(item, Refused):
            return self._refused(item)
        self._kinds[item.kind] += 1
        return self._single_record(item) if self._rule.per == "row" else self._grouped_record(item)

    def pass_over(self, item: NativeRecord | Refused) -> None:
        """Note only what holds for what follows: the item's takings were given before."""
        if isinstance(item, Refused):
            self._hold_refused(item)
        elif item.kind in self._holds or item.kind in self._mapping.derivers:
            try:
                self._hold(item.kind, self._row(item))
            except FieldError as error:
                self._hold(item.kind, error.with_traceback(None))

    def end(self) -> Iterator[Taking]:
        """The takings of what is still open at the end of the content."""
        return self._close_groups()

    @property
    def counters(self) -> dict[str, int]:
        """Records by kind (`records.<kind>`), `rejected`, `groups`, `events`, and events by rule (`rule.<n>`, from 1)."""
        takings = self._takings
        rules = {f"rule.{rule + 1}": count for rule, count in sorted(takings.by_rule.items())}
        return {
            **{f"records.{kind}": count for kind, count in self._kinds.items()},
            "groups": self._group_count,
            "events": takings.events,
            "rejected": takings.rejections,
            **rules,
        }

    def reject_document(self, error: FieldError, content: bytes) -> Taking:
        """The one taking of a file that cannot be read at all."""
        record = NativeRecord("file", 0, len(content), 1, content, {})
        return self._takings.rejection(record, error)

    def _row(self, record: NativeRecord) -> Row:
        row = Row(record, self._mapping.readers[record.kind](record), self._held)
        derive = self._mapping.derivers.get(record.kind)
        if derive is not None:
            derive(self._single, row)
        return row

    # -- records that stand for themselves

    def _single_record(self, record: NativeRecord) -> Iterator[Taking]:
        kind = record.kind
        try:
            row = self._row(record)
        except FieldError as error:
            self._hold(kind, error.with_traceback(None))
            yield self._takings.rejection(record, error)
            return
        if kind in self._holds:
            self._hold(kind, row)
        makers = self._mapping.by_kind.get(kind)
        if makers is None:
            return
        try:
            drafts = [draft for maker in makers for draft in maker(self._single, row)]
            if drafts:
                raw = self._takings.raw(record)
                yield self._takings.made(record.position, drafts, raw, record.flags)
        except FieldError as error:
            yield self._takings.rejection(record, error)

    def _hold(self, kind: str, held: "Row | Refused | FieldError") -> None:
        # Errors come without traceback: it would hold this object and all its rows.
        if kind in self._holds:
            # Rows keep the dictionary that held when they were met: never change it, replace it.
            self._held = {**self._held, kind: held}

    def _hold_refused(self, refused: Refused) -> None:
        if refused.kind is None:
            for kind in self._holds:
                self._hold(kind, refused)
        else:
            self._hold(refused.kind, refused)

    def _refused(self, refused: Refused) -> Iterator[Taking]:
        self._hold_refused(refused)
        if self._rule.per != "row":
            yield from self._refused_in_group(refused)
        yield self._takings.rejection(refused, _as_error(refused))

    # -- groups

    def _grouped_record(self, record: NativeRecord) -> Sequence[Taking]:
        kind, rule = record.kind, self._rule
        closed = list(self._close_groups()) if kind == rule.begins else _NONE
        if self._rows >= rule.max_rows:
            self._overfull = self._overfull or Region(
                record.position, record.line, code="oversize",
                reason=f"more than the {rule.max_rows} records which are held in memory (group.max_rows)",
            )  # fmt: skip
            self._overfull.add(record.raw)
            return closed
        try:
            row = self._row(record)
        except FieldError as error:
            self._hold(kind, error.with_traceback(None))
            self._blame(error.with_traceback(None), kind)
            return (*closed, self._takings.rejection(record, error))
        self._rows += 1
        if kind in self._holds:
            self._hold(kind, row)
        if rule.per != "key":
            self._join(None, row, {})
        elif kind not in self._holds:
            keys = {name: row.values[name] for name in rule.by if name in row.values}
            if len(keys) == len(rule.by):
                self._join(tuple(keys.values()), row, keys)
            else:
                missing = next(name for name in rule.by if name not in keys)
                fault = FieldError(f"{missing} is absent, but the records are grouped by it", f"line {record.line}",
                                   None, "group")  # fmt: skip
                self._strays.append(fault)
                return (*closed, self._takings.rejection(record, fault))
        return closed

    def _join(self, key: Any, row: Row, keys: Values) -> None:
        group = self._groups.get(key)
        if group is None:
            group = self._groups[key] = Group(self._values, self._held, keys, self._companions)
        group.rows.setdefault(row.record.kind, []).append(row)
        if group.held is not self._held:
            for kind, held in self._held.items():
                if group.held.get(kind) not in (None, held):
                    group.changed.add(kind)
            group.held = self._held

    def _blame(self, fault: Refused | FieldError, kind: str | None) -> None:
        """Note that a group may lack this record."""
        if self._rule.per == "key":
            self._strays.append(fault)
        else:
            group = self._groups.get(None)
            if group is None:
                group = self._groups[None] = Group(self._values, self._held, {})
            group.bad.append(fault)
            # Without its header, or with a line that may have been one, records would get the wrong board.
            group.lost = group.lost or kind is None or kind == self._rule.begins or kind in self._holds

    def _refused_in_group(self, refused: Refused) -> Iterator[Taking]:
        if refused.kind is not None and refused.kind == self._rule.begins:
            yield from self._close_groups()
        self._blame(refused, refused.kind)

    def _close_groups(self) -> Iterator[Taking]:
        groups, self._groups, self._rows = self._groups, {}, 0
        overfull, self._overfull = self._overfull, None
        for group in groups.values():
            rows = sorted(
                (row for rows in group.rows.values() for row in rows), key=lambda row: row.record.position
            )
            if not rows:
                continue
            self._group_count += 1
            first = rows[0].record
            raw = (
                self._takings.raw_of_document()
                if self._rule.per == "file"
                else self._takings.raw_of_several(row.record for row in rows)
            )
            try:
                if overfull is not None:
                    raise FieldError(
                        f"the group goes on behind its {self._rule.max_rows} records that are held in memory"
                        " (group.max_rows)", f"line {overfull.line}", None, "oversize",
                    )  # fmt: skip
                flags = self._group_flags(group, rows)
                for verify in self._mapping.checks:
                    verify(group)
                drafts = [draft for maker in self._mapping.makers for draft in maker(group, None)]
                self._check_orphans(group)
                if not drafts:
                    self._check_silence(first)
                    continue
                yield self._takings.made(first.position, drafts, raw, flags)
            except FieldError as error:
                yield self._takings.rejected(first.position, raw, error)
        if overfull is not None:
            refused = overfull.refusal()
            yield self._takings.rejection(refused, _as_error(refused))

    def _check_silence(self, first: NativeRecord) -> None:
        if self._rule.silent == "reject":
            raise FieldError(
                'no rule of the mapping gives an event for this group; where that is right, state silent = "allow"',
                f"line {first.line}", None, "silent",
            )  # fmt: skip

    def _group_flags(self, group: Group, rows: list[Row]) -> tuple[str, ...]:
        flags = {flag for row in rows for flag in row.record.flags}
        if group.bad and (group.lost or self._rule.bad_rows == "reject"):
            fault = group.bad[0]
            reason = fault.reason if isinstance(fault, Refused) else str(fault)
            more = f" (and {len(group.bad) - 1} more)" if len(group.bad) > 1 else ""
            raise FieldError(
                f"a record of this group cannot be used: {reason}{more}", fault.place, fault.value, "group"
            )
        if group.bad or self._strays:
            flags.add("incomplete")
        return tuple(flags)

    def _check_orphans(self, group: Group) -> None:
        """Records that belong to no record around them would vanish without a word."""
        owned: dict[str, set[Any]] = {}
        whole: set[str] = set()
        for child, same, parent in self._mapping.links:
            parents = {tuple([row.values.get(name) for name in same]) for row in group.rows.get(parent, ())}
            index = indexed(group, child, same)
            if index.keys() <= parents and not any(None in key for key in index):
                whole.add(child)
                continue
            for key, rows in index.items():
                if key in parents and None not in key:
                    owned.setdefault(child, set()).update(map(id, rows))
        for child, same, parent in sorted(self._mapping.links):
            if child in whole:
                continue
            for row in group.rows.get(child, ()):
                if id(row) not in owned.get(child, ()):
                    told = ", ".join(f"{name} {row.values.get(name)!r}" for name in same)
                    raise FieldError(
                        f"a record of kind {child} with {told} belongs to no record of kind {parent} in its group",
                        f"line {row.record.line}", told, "orphan",
                    )  # fmt: skip


def _as_error(refused: Refused) -> FieldError:
    return FieldError(refused.reason, refused.place, refused.value, refused.code)
