"""INI-like blocks: `[Section]` begins a record, `key=value` lines are its fields."""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from broker_bridge.adapters.logs.protocol.line_reader import LineReader
from broker_bridge.adapters.logs.protocol.lines import Line
from broker_bridge.adapters.logs.protocol.pairs import Pairs
from broker_bridge.adapters.logs.protocol.patterns import AnyPattern, compiled
from broker_bridge.adapters.logs.protocol.record import Refused
from broker_bridge.adapters.logs.protocol.region import Region
from broker_bridge.adapters.logs.protocol.settings import Kind, Settings, TextSettings


class Sections(Settings):
    """One kind of section."""

    kind: Kind
    section: AnyPattern
    """Pattern of the whole name between the brackets; its named groups are fields: `Board (?P<pos>[0-9]+)`."""


class Ini(TextSettings):
    """INI-like blocks."""

    kind: Literal["ini"]
    assign: Annotated[str, Field(min_length=1, max_length=4)] = "="
    comments: tuple[Annotated[str, Field(min_length=1)], ...] = (";", "#")
    records: Annotated[tuple[Sections, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _kinds_are_unique(self) -> "Ini":
        self.refuse_double_kinds([one.kind for one in self.records])
        return self

    def kinds(self) -> dict[str, frozenset[str]]:
        """The kinds of record; their keys are not known beforehand."""
        return {one.kind: frozenset() for one in self.records}


class IniReader(LineReader):
    """The incremental reader. A section of which a line cannot be read is refused as a whole."""

    def __init__(self, settings: Ini) -> None:
        super().__init__(settings)
        self._set = settings
        self._sections = [(one.kind, compiled(one.section)) for one in settings.records]
        self._block: Pairs | None = None
        self._skipping: Region | None = None

    def line(self, line: Line) -> None:
        """Take one line."""
        text = line.text.strip()
        if not text or text.startswith(self._set.comments):
            if self._block is not None:
                self._block.pass_over(line.raw)
            elif self._skipping is not None:
                self._skipping.add(line.raw)
        elif text.startswith("[") and text.endswith("]"):
            self._begin(line, text[1:-1].strip())
        elif self._skipping is not None:
            self._skipping.add(line.raw)
        elif self._block is None:
            self.refuse(line, "unknown_kind", "stands before the first section")
        else:
            key, assign, value = text.partition(self._set.assign)
            if assign:
                self._block.add(line.raw, line.number, key.strip(), [value.strip()])
            else:
                self._block.add(line.raw, line.number, key.strip(), [])
                self._block.spoil("syntax", f"a line holds no {self._set.assign!r}", line.number, text[:80])

    def _begin(self, line: Line, name: str) -> None:
        self.end()
        for kind, pattern in self._sections:
            found = pattern.fullmatch(name)
            if found is not None:
                self._block = Pairs(kind, line.position, line.number, self._set.max_record_bytes)
                self._block.head(line.raw, {key: text for key, text in found.groupdict().items()})
                return
        reason = f"the section {name[:80]!r} is none that the mapping knows"
        self._skipping = Region(
            line.position, line.number, code="unknown_kind", reason=reason, value=name[:80]
        )
        self._skipping.add(line.raw)

    def unreadable(self, refused: Refused) -> None:
        """Take a line that cannot be read: what it stands in cannot be used, and where that ends is not known."""
        kind = self._block.kind if self._block is not None else None
        reason = f"line {refused.line} of this section cannot be read"
        if self._block is not None:
            self._block.spoil("incomplete", reason, refused.line, None)
        self.end()
        self.ready.append(refused)
        self._skipping = Region(refused.end, refused.line + 1, code="incomplete", reason=reason, kind=kind)

    def end(self) -> None:
        """Give the section that is open."""
        if self._block is not None:
            self.ready.append(self._block.ended())
            self._block = None
        if self._skipping is not None:
            if self._skipping.size:
                self.ready.append(self._skipping.refusal())
            self._skipping = None
