"""Native records of one file -> takings: holds what holds, groups what belongs together, rejects what does not fit.

Pure and incremental. Memory: without groups one record; with groups the records of the open group, of which the
mapping states the most.
"""

import base64
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.adapters.logs.mapping.eventrule import Draft, checked
from broker_bridge.adapters.logs.mapping.scope import Group, Held, Row, indexed
from broker_bridge.adapters.logs.mapping.subject import best_identifier
from broker_bridge.adapters.logs.mapping.values import FieldError, Values
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused, digest_of
from broker_bridge.events.base import Origin, Raw
from broker_bridge.events.source import SourceRejected

INLINE: Final = 4096
"""Raw bytes of a rejected record up to this length travel inside its event."""


@dataclass(frozen=True, slots=True)
class Document:
    """The file that is being read, as events need to know it."""

    generation: str
    name: str
    hash: str
    """SHA-256 of the decompressed content, which is its name in the raw archive."""
    size: int
    values: Values
    """What the file's name and time tell."""
    taken_in: datetime
    """Time of rejections, which know none of their own: the file's modification time (UTC)."""
    flags: tuple[str, ...] = ()
    """What is doubtful about the file as a whole."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where the source stands, by configuration; None where the mapping has to tell."""

    adapter: str
    station: str | None = None
    equipment: str | None = None
    lane: int | None = None


class Mapper:
    """Turns the records of one document into takings, in order."""

    def __init__(self, mapping: Compiled, place: Place, document: Document) -> None:
        self._mapping = mapping
        self._place = place
        self._document = document
        self._rule = mapping.file.group
        self._holds = frozenset(self._rule.holds)
        self._held: Held = {}
        self._single = Group(document.values, self._held, {})
        self._groups: dict[Any, Group] = {}
        self._rows = 0
        self._overfull: NativeRecord | None = None
        self._strays: list[Refused | FieldError] = []
        self.counters: dict[str, int] = {}
        """Records by kind (`records.<kind>`), `rejected`, `groups`, `events`, and events by rule (`rule.<n>`)."""

    def add(self, item: NativeRecord | Refused) -> Iterator[Taking]:
        """The takings that are complete with this record, if any."""
        if isinstance(item, Refused):
            return self._refused(item)
        self._count("records." + item.kind)
        return self._single_record(item) if self._rule.per == "row" else self._grouped_record(item)

    def end(self) -> Iterator[Taking]:
        """The takings of what is still open at the end of the content."""
        return self._close_groups()

    def reject_document(self, error: FieldError, content: bytes) -> Taking:
        """The one taking of a file that cannot be read at all."""
        record = NativeRecord("file", 0, len(content), 1, content, {})
        return self._rejection(record, error)

    # -- records that stand for themselves

    def _single_record(self, record: NativeRecord) -> Iterator[Taking]:
        kind = record.kind
        try:
            row = Row(record, self._mapping.readers[kind](record), self._held)
        except FieldError as error:
            self._hold(kind, error)
            yield self._rejection(record, error)
            return
        if kind in self._holds:
            self._hold(kind, row)
        makers = self._mapping.by_kind.get(kind)
        if makers is None:
            return
        try:
            drafts = [draft for maker in makers for draft in maker(self._single, row)]
            if drafts:
                raw = self._raw_of(record.position, record.line, record.raw)
                yield self._taking(record.position, drafts, raw, record.flags)
        except FieldError as error:
            yield self._rejection(record, error)

    def _hold(self, kind: str, held: "Row | Refused | FieldError") -> None:
        if kind in self._holds:
            # Rows keep the dictionary that held when they were met: never change it, replace it.
            self._held = {**self._held, kind: held}

    def _refused(self, refused: Refused) -> Iterator[Taking]:
        if refused.kind is None:
            for kind in self._holds:
                self._hold(kind, refused)
        else:
            self._hold(refused.kind, refused)
        if self._rule.per != "row":
            yield from self._refused_in_group(refused)
        yield self._rejection(refused, _as_error(refused))

    # -- groups

    def _grouped_record(self, record: NativeRecord) -> Iterator[Taking]:
        kind, rule = record.kind, self._rule
        if kind == rule.begins:
            yield from self._close_groups()
        if self._rows >= rule.max_rows:
            self._overfull = self._overfull or record
            return
        try:
            row = Row(record, self._mapping.readers[kind](record), self._held)
        except FieldError as error:
            self._hold(kind, error)
            self._blame(error, self._readable_keys(record))
            yield self._rejection(record, error)
            return
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
                yield self._rejection(record, fault)

    def _join(self, key: Any, row: Row, keys: Values) -> None:
        group = self._groups.get(key)
        if group is None:
            group = self._groups[key] = Group(self._document.values, self._held, keys)
        group.rows.setdefault(row.record.kind, []).append(row)
        if row.record.kind in self._holds:
            group.held_count[row.record.kind] = group.held_count.get(row.record.kind, 0) + 1
        group.held = self._held

    def _readable_keys(self, record: NativeRecord) -> Any:
        return () if self._rule.per == "key" else None

    def _blame(self, fault: Refused | FieldError, key: Any) -> None:
        """Note that a record which is missing from a group may have belonged to it."""
        if self._rule.per == "key":
            self._strays.append(fault)
        else:
            group = self._groups.get(None)
            if group is None:
                group = self._groups[None] = Group(self._document.values, self._held, {})
            group.bad.append(fault)

    def _refused_in_group(self, refused: Refused) -> Iterator[Taking]:
        if refused.kind is not None and refused.kind == self._rule.begins:
            yield from self._close_groups()
        self._blame(refused, None)

    def _close_groups(self) -> Iterator[Taking]:
        groups, self._groups, self._rows = self._groups, {}, 0
        overfull, self._overfull = self._overfull, None
        for group in groups.values():
            rows = sorted(
                (row for rows in group.rows.values() for row in rows), key=lambda row: row.record.position
            )
            if not rows:
                continue
            self._count("groups")
            first = rows[0].record
            raw = self._raw_of_group(rows)
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
                if drafts:
                    yield self._taking(first.position, drafts, raw, flags)
            except FieldError as error:
                yield self._rejected(first.position, raw, error)

    def _group_flags(self, group: Group, rows: list[Row]) -> tuple[str, ...]:
        flags = {flag for row in rows for flag in row.record.flags}
        if group.bad and self._rule.bad_rows == "reject":
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
        for child, same, parent in self._mapping.links:
            parents = {tuple([row.values.get(name) for name in same]) for row in group.rows.get(parent, ())}
            for key, rows in indexed(group, child, same).items():
                if key in parents and None not in key:
                    owned.setdefault(child, set()).update(map(id, rows))
        for child, same, parent in sorted(self._mapping.links):
            for row in group.rows.get(child, ()):
                if id(row) not in owned.get(child, ()):
                    told = ", ".join(f"{name} {row.values.get(name)!r}" for name in same)
                    raise FieldError(
                        f"a record of kind {child} with {told} belongs to no record of kind {parent} in its group",
                        f"line {row.record.line}", told, "orphan",
                    )  # fmt: skip

    # -- takings

    def _taking(self, position: int, drafts: list[Draft], raw: Raw, flags: tuple[str, ...]) -> Taking:
        statements = tuple([self._statement(draft, raw, len(drafts), flags) for draft in drafts])
        for draft in drafts:
            self._count(f"rule.{draft.rule + 1}")
        self._count("events", len(drafts))
        return Taking(
            self._document.generation, position, self._mapping.revision, statements, self._document.name
        )

    def _statement(self, draft: Draft, raw: Raw, events: int, flags: tuple[str, ...]) -> Statement:
        time, data, place = draft.time, draft.data, self._place
        validity = self._mapping.file.validity
        day = time.utc.date()
        if (validity.since and day < validity.since) or (validity.until and day >= validity.until):
            raise FieldError(
                f"{time.text or time.utc} is outside the time for which this mapping holds"
                f" ({validity.since or '...'} to {validity.until or '...'})",
                f"line {draft.row.record.line}" if draft.row else "", time.text, "validity",
            )  # fmt: skip
        all_flags = (*draft.flags, *flags, *self._document.flags)
        data["origin"] = Origin.model_construct(
            adapter=place.adapter,
            raw=raw,
            events=events,
            time_text=time.text or None,
            time_means=time.means,
            zone=time.zone,
            zone_basis=time.basis,
            flags=tuple(sorted(set(all_flags))) if all_flags else (),
        )
        if not draft.states_station and place.station is not None:
            data["station"] = place.station
        if place.equipment is not None and "equipment" not in data:
            data["equipment"] = place.equipment
        if place.lane is not None and "lane" not in data:
            data["lane"] = place.lane
        made = checked(draft, data)
        return Statement(made, time.utc, best_identifier(made.boards))

    def _raw_of(self, position: int, line: int, raw: bytes) -> Raw:
        # Constructed, not validated: every part was made here (validating costs as much as the event itself).
        return Raw.model_construct(
            hash=digest_of(raw), size=len(raw), archived=self._document.hash, offset=position, line=line
        )

    def _raw_of_group(self, rows: list[Row]) -> Raw:
        document, first = self._document, rows[0].record
        if self._rule.per == "file":
            return Raw(hash=document.hash, size=document.size, archived=document.hash, offset=0, line=1)
        digest = hashlib.sha256()
        for row in rows:
            digest.update(row.record.raw)
        return Raw(
            hash=digest.hexdigest(),
            size=sum(len(row.record.raw) for row in rows),
            archived=document.hash,
            offset=first.position,
            line=first.line,
        )

    def _rejection(self, record: NativeRecord | Refused, error: FieldError) -> Taking:
        size, digest = len(record.raw), ""
        if isinstance(record, Refused):
            size, digest = record.size, record.digest
        raw = Raw(
            hash=digest or digest_of(record.raw),
            size=size,
            inline=base64.b64encode(record.raw).decode("ascii") if size <= INLINE else None,
            archived=self._document.hash,
            offset=record.position,
            line=record.line,
        )
        return self._rejected(record.position, raw, error)

    def _rejected(self, position: int, raw: Raw, error: FieldError) -> Taking:
        self._count("rejected")
        place = self._place
        data = SourceRejected(
            station=place.station,
            equipment=place.equipment,
            lane=place.lane,
            reason=_told(str(error), 8000),
            place=_told(error.place, 512) or None,
            value=_told(error.value, 256) if error.value else None,
            code=error.code,
            origin=Origin(adapter=place.adapter, raw=raw, time_means="saved"),
        )
        statement = Statement(data, self._document.taken_in, None)
        document = self._document
        return Taking(document.generation, position, self._mapping.revision, (statement,), document.name)

    def _count(self, name: str, by: int = 1) -> None:
        self.counters[name] = self.counters.get(name, 0) + by


def _as_error(refused: Refused) -> FieldError:
    return FieldError(refused.reason, refused.place, refused.value, refused.code)


def _told(text: str, most: int) -> str:
    text = text.replace("\x00", "\\x00")
    return text if len(text) <= most else text[: most - 3] + "..."
