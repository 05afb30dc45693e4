"""Records of many lines: a line begins one, a line ends it, patterns pick fields and inner records out of it."""

from typing import Annotated, ClassVar, Literal

from pydantic import Field, model_validator

from broker_bridge.adapters.logs.protocol.json_text import ENCLOSING
from broker_bridge.adapters.logs.protocol.line_reader import LineReader
from broker_bridge.adapters.logs.protocol.lines import Line
from broker_bridge.adapters.logs.protocol.patterns import AnyPattern, NamedPattern, compiled, groups
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused, Value
from broker_bridge.adapters.logs.protocol.region import Region
from broker_bridge.adapters.logs.protocol.settings import Kind, Settings, TextSettings


class Inner(Settings):
    """Lines inside a block that are records themselves."""

    kind: Kind
    pattern: NamedPattern


class BlockOf(Settings):
    """One kind of block."""

    kind: Kind
    begins: AnyPattern
    """A line that matches begins a block; named groups are fields."""
    ends: AnyPattern | None = None
    """A line that matches is the last of the block; absent: the block ends before the next one, or with the file."""
    lines: tuple[NamedPattern, ...] = ()
    """Named groups of lines inside are fields; a list where a group is found on several lines."""
    records: tuple[Inner, ...] = ()
    """Lines inside that are records themselves: rows of components below the board they belong to."""


class Blocks(TextSettings):
    """Records of many lines."""

    NESTED: ClassVar[bool] = True

    kind: Literal["blocks"]
    records: Annotated[tuple[BlockOf, ...], Field(min_length=1)]
    outside: Literal["refuse", "skip"] = "refuse"
    """What becomes of lines outside of every block."""

    @model_validator(mode="after")
    def _kinds_are_unique(self) -> "Blocks":
        self.refuse_double_kinds(list(self.kinds_in_order()))
        return self

    def kinds_in_order(self) -> list[str]:
        """The kinds of blocks and of the records inside."""
        return [kind for one in self.records for kind in (one.kind, *(inner.kind for inner in one.records))]

    def kinds(self) -> dict[str, frozenset[str]]:
        """The kinds of record and the fields they may have."""
        known: dict[str, frozenset[str]] = {}
        for one in self.records:
            patterns = [one.begins, *one.lines, *([one.ends] if one.ends else [])]
            known[one.kind] = frozenset(name for text in patterns for name in groups(compiled(text)))
            for inner in one.records:
                known[inner.kind] = frozenset(groups(compiled(inner.pattern)))
        return known

    @property
    def ends(self) -> bool:
        """Whether a block can be seen to lack its end."""
        return any(one.ends is not None for one in self.records)


class _Open:
    """A block that is open."""

    def __init__(self, rule: "_Rule", line: Line) -> None:
        self.rule = rule
        self.region = Region(line.position, line.number, code="", reason="", kind=rule.kind)
        self.raw = bytearray()
        self.fields: dict[str, Value] = {}
        self.inner: list[NativeRecord] = []

    def note(self, found: dict[str, str | None]) -> None:
        for name, text in found.items():
            if text is None:
                continue
            known = self.fields.get(name)
            if known is None:
                self.fields[name] = text
            elif isinstance(known, list):
                known.append(text)
            else:
                self.fields[name] = [known, text]


class _Rule:
    def __init__(self, one: BlockOf) -> None:
        self.kind = one.kind
        self.begins = compiled(one.begins)
        self.ends = compiled(one.ends) if one.ends is not None else None
        self.lines = [compiled(text) for text in one.lines]
        self.records = [(inner.kind, compiled(inner.pattern)) for inner in one.records]


class BlocksReader(LineReader):
    """The incremental reader."""

    def __init__(self, settings: Blocks) -> None:
        super().__init__(settings)
        self._set = settings
        self._rules = [_Rule(one) for one in settings.records]
        self._open: _Open | None = None
        self._limit = settings.max_record_bytes

    def line(self, line: Line) -> None:
        """Take one line."""
        opened = self._open
        if opened is not None and opened.rule.ends is not None:
            self._inside(opened, line)
            found = opened.rule.ends.search(line.text)
            if found is not None:
                opened.note(found.groupdict())
                self._close(opened)
            return
        for rule in self._rules:
            found = rule.begins.search(line.text)
            if found is not None:
                self.end()
                self._open = _Open(rule, line)
                self._open.note(found.groupdict())
                self._inside(self._open, line, is_first=True)
                return
        if opened is not None:
            self._inside(opened, line)
        elif self._set.outside == "refuse" and line.text and not line.text.isspace():
            self.refuse(line, "unknown_kind", "stands outside of every block")

    def _inside(self, opened: _Open, line: Line, is_first: bool = False) -> None:
        opened.region.add(line.raw)
        opened.raw += line.raw
        if len(opened.raw) > self._limit:
            opened.raw.clear()
            opened.inner.clear()
            self._spoil(opened, "oversize", f"a block of more than {self._limit} bytes", line.number)
        if is_first:
            return
        for kind, pattern in opened.rule.records:
            found = pattern.search(line.text)
            if found is not None:
                inner = self.record(kind, line, found.groupdict())
                opened.inner.append(inner)
                return
        for pattern in opened.rule.lines:
            found = pattern.search(line.text)
            if found is not None:
                opened.note(found.groupdict())

    @staticmethod
    def _spoil(opened: _Open, code: str, reason: str, line: int) -> None:
        if not opened.region.reason:
            opened.region.code, opened.region.reason, opened.region.place = code, reason, f"line {line}"

    def _close(self, opened: _Open) -> None:
        self._open = None
        region = opened.region
        if region.reason:
            self.ready.append(region.refusal())
            return
        self.complete = True
        end = region.position + region.size
        self.ready.append(
            NativeRecord(
                opened.rule.kind, region.position, end, region.line, bytes(opened.raw), opened.fields
            )
        )
        for inner in opened.inner:
            inner.fields = {**inner.fields, ENCLOSING: opened.fields}
            self.ready.append(inner)

    def unreadable(self, refused: Refused) -> None:
        """Take a line that cannot be read: the block around it cannot be used."""
        if self._open is None:
            super().unreadable(refused)
            return
        self._spoil(
            self._open, refused.code, f"a line of this block cannot be read: {refused.reason}", refused.line
        )
        if refused.size == len(refused.raw):
            self._open.region.add(refused.raw)
            return
        opened = self._open
        self._close(opened)
        super().unreadable(refused)

    def end(self) -> None:
        """Give the block that is open."""
        opened = self._open
        if opened is None:
            return
        if opened.rule.ends is not None:
            self.complete = False
            self._spoil(opened, "incomplete", "the block has no end", opened.region.line)
        self._close(opened)
