"""Drafts of events -> takings: origin, place and checks are added here; what does not fit becomes a rejection."""

import base64
import hashlib
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.adapters.logs.mapping.eventrule import Draft, checked
from broker_bridge.adapters.logs.mapping.subject import best_identifier
from broker_bridge.adapters.logs.mapping.values import FieldError, Values
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused, digest_of
from broker_bridge.events.base import Origin
from broker_bridge.events.source import SourceRejected

INLINE: Final = 4096
"""Raw bytes of a rejected record up to this length travel inside its event."""

_WITHHELD: Final = "a field that names a person cannot be used; its text is in the edge's archive only"

RawParts = dict[str, Any]
"""The fields of an event's `raw`. Not yet a model: validated together with the event it costs a third."""


@dataclass(frozen=True, slots=True)
class Document:
    """The file that is being read, as events need to know it."""

    generation: str
    name: str
    hash: str | None
    """SHA-256 of the decompressed content, which is its name in the raw archive; None while the content grows."""
    size: int
    values: Values
    """What the file's name and time tell."""
    taken_in: datetime
    """Time of rejections, which know none of their own: the file's modification time (UTC)."""
    flags: tuple[str, ...] = ()
    """What is doubtful about the file as a whole."""
    companions: tuple[tuple[str, str], ...] = ()
    """Name and content's hash of each companion file that was looked into."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where the source stands, by configuration; None where the mapping has to tell."""

    adapter: str
    station: str | None = None
    equipment: str | None = None
    lane: int | None = None


class Takings:
    """Makes the takings of one document."""

    def __init__(self, mapping: Compiled, place: Place, document: Document) -> None:
        self._revision = mapping.revision
        self._validity = mapping.file.validity
        self._persons = mapping.persons
        self._place = place
        self._document = document
        self._companions = [{"name": name, "hash": hash_} for name, hash_ in document.companions]
        self._looking = mapping.looking
        self.rejections = 0
        self.events = 0
        self.by_rule: Counter[int] = Counter()
        """Events by the number of their rule in the mapping file, from 0."""

    def made(self, position: int, drafts: Sequence[Draft], raw: RawParts, flags: tuple[str, ...]) -> Taking:
        """The taking of one raw record. Raises FieldError when an event of it would not be valid."""
        events = len(drafts)
        statements = tuple([self._statement(draft, raw, events, flags) for draft in drafts])
        for draft in drafts:
            self.by_rule[draft.rule] += 1
        self.events += events
        document = self._document
        return Taking(document.generation, position, self._revision, statements, document.name)

    def _statement(self, draft: Draft, raw: RawParts, events: int, flags: tuple[str, ...]) -> Statement:
        time, data, place = draft.time, draft.data, self._place
        if self._validity.since or self._validity.until:
            self._check_validity(draft)
        origin: dict[str, Any] = {
            "adapter": place.adapter,
            "raw": raw,
            "events": events,
            "time_means": time.means,
            "zone": time.zone,
            "zone_basis": time.basis,
        }
        if time.text:
            origin["time_text"] = time.text
        all_flags = (*draft.flags, *flags, *self._document.flags)
        if all_flags:
            origin["flags"] = sorted(set(all_flags))
        if self._companions and (draft.row is None or draft.row.record.kind in self._looking):
            origin["companions"] = self._companions
        data["origin"] = origin
        if not draft.states_station and place.station is not None:
            data["station"] = place.station
        if place.equipment is not None:
            data.setdefault("equipment", place.equipment)
        if place.lane is not None:
            data.setdefault("lane", place.lane)
        made = checked(draft, data)
        return Statement(made, time.utc, best_identifier(made.boards))

    def _check_validity(self, draft: Draft) -> None:
        time, since, until = draft.time, self._validity.since, self._validity.until
        day = time.utc.date()
        if (since and day < since) or (until and day >= until):
            raise FieldError(
                f"{time.text or time.utc} is outside the time for which this mapping holds"
                f" ({since or '...'} to {until or '...'})",
                f"line {draft.row.record.line}" if draft.row else "",
                time.text,
                "validity",
            )

    def raw(self, record: NativeRecord) -> RawParts:
        """Where one record is and how to prove it."""
        raw = record.raw
        return {
            "hash": digest_of(raw),
            "size": len(raw),
            "archived": self._document.hash,
            "offset": record.position,
            "line": record.line,
        }

    def raw_of_document(self) -> RawParts:
        """The whole content."""
        document = self._document
        return {
            "hash": document.hash,
            "size": document.size,
            "archived": document.hash,
            "offset": 0,
            "line": 1,
        }

    def raw_of_several(self, records: Iterable[NativeRecord]) -> RawParts:
        """Records that need not touch: the hash and size of their bytes one after the other, the place of the first."""
        digest, size, first = hashlib.sha256(), 0, None
        for record in records:
            first = first or record
            digest.update(record.raw)
            size += len(record.raw)
        assert first is not None
        return {
            "hash": digest.hexdigest(),
            "size": size,
            "archived": self._document.hash,
            "offset": first.position,
            "line": first.line,
        }

    def rejection(self, record: NativeRecord | Refused, error: FieldError) -> Taking:
        """The taking of a record that cannot become events."""
        size, digest = len(record.raw), ""
        if isinstance(record, Refused):
            size, digest = record.size, record.digest
        raw: RawParts = {
            "hash": digest or digest_of(record.raw),
            "size": size,
            "archived": self._document.hash,
            "offset": record.position,
            "line": record.line,
        }
        # An event is kept for good and cannot forget: bytes that may name persons stay in the archive.
        if size <= INLINE and not self._persons:
            raw["inline"] = base64.b64encode(record.raw).decode("ascii")
        return self.rejected(record.position, raw, error, looked=record.kind in self._looking)

    def rejected(self, position: int, raw: RawParts, error: FieldError, looked: bool = True) -> Taking:
        """The taking of raw bytes that cannot become events. `looked`: companion files may have been the cause."""
        self.rejections += 1
        place, document = self._place, self._document
        private = any(name in f"{error} {error.place}" for name in self._persons)
        data = SourceRejected(
            station=place.station,
            equipment=place.equipment,
            lane=place.lane,
            reason=_WITHHELD if private else _told(str(error), 8000),
            place=_told(error.place, 512) or None,
            value=_told(error.value, 256) if error.value and not private else None,
            code=error.code,
            origin=Origin.model_validate(
                {
                    "adapter": place.adapter,
                    "raw": raw,
                    "time_means": "saved",
                    "flags": ("withheld",) if self._persons else (),
                    "companions": (looked and self._companions) or None,
                }
            ),
        )
        statement = Statement(data, document.taken_in, None)
        return Taking(document.generation, position, self._revision, (statement,), document.name)


def _told(text: str, most: int) -> str:
    text = text.replace("\x00", "\\x00")
    return text if len(text) <= most else text[: most - 3] + "..."
