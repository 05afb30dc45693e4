"""A block of `Key;Value` lines that together are one record."""

from collections.abc import Mapping, Sequence

from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused, Value
from broker_bridge.adapters.logs.protocol.region import Region


class Pairs:
    """Collects the lines of one block. A key met twice spoils the block: nobody can say which one holds."""

    def __init__(self, kind: str, position: int, line: int, limit: int) -> None:
        self.kind = kind
        self._region = Region(position, line, code="pairs", reason="", kind=kind)
        self._limit = limit
        self._raw = bytearray()
        self._between = bytearray()
        self._fields: dict[str, Value] = {}

    def head(self, raw: bytes, fields: Mapping[str, Value]) -> None:
        """Take the line that begins the block, and what it tells."""
        self._region.add(raw)
        self._raw += raw
        self._fields.update(fields)

    def add(self, raw: bytes, line: int, key: str, values: Sequence[str]) -> None:
        """Take one line of the block: a key and its value, or its several values as a list."""
        for part in (bytes(self._between), raw):
            self._region.add(part)
        self._raw += self._between + raw
        self._between.clear()
        if len(self._raw) > self._limit:
            self._raw.clear()
            self.spoil("oversize", f"a block of more than {self._limit} bytes", line, None)
        elif key in self._fields:
            self.spoil("pairs", f"the key {key!r} stands twice in one block", line, key)
        elif len(self._fields) < 10_000:
            self._fields[key] = values[0] if len(values) == 1 else list(values) if values else ""

    def pass_over(self, raw: bytes) -> None:
        """Take a comment or blank line; it belongs to the block if another line of it follows."""
        if len(self._between) <= self._limit:
            self._between += raw

    def ended(self) -> NativeRecord | Refused:
        """The block as one record, or as one refusal."""
        region = self._region
        if region.reason:
            return region.refusal()
        end = region.position + region.size
        return NativeRecord(self.kind, region.position, end, region.line, bytes(self._raw), self._fields)

    def spoil(self, code: str, reason: str, line: int, value: str | None) -> None:
        """Note why the block cannot be used; the first reason stays."""
        region = self._region
        if not region.reason:
            region.code, region.reason, region.place, region.value = code, reason, f"line {line}", value
