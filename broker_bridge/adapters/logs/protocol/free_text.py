"""Free text: lines that match a pattern are records, its named groups their fields."""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from broker_bridge.adapters.logs.protocol.line_reader import LineReader
from broker_bridge.adapters.logs.protocol.lines import Line
from broker_bridge.adapters.logs.protocol.patterns import NamedPattern, compiled, groups
from broker_bridge.adapters.logs.protocol.settings import Kind, Settings, TextSettings


class Sentence(Settings):
    """One kind of line."""

    kind: Kind
    pattern: NamedPattern
    """Matched anywhere in the line; write ^ and $ for its ends."""


class FreeText(TextSettings):
    """Lines of free text."""

    kind: Literal["text"]
    records: Annotated[tuple[Sentence, ...], Field(min_length=1)]
    """The first whose pattern matches tells the kind."""
    unmatched: Literal["refuse", "skip"]
    """What becomes of lines that match none: a log full of other talk is skipped, at a price that must be stated."""

    @model_validator(mode="after")
    def _kinds_are_unique(self) -> "FreeText":
        self.refuse_double_kinds([one.kind for one in self.records])
        return self

    def kinds(self) -> dict[str, frozenset[str]]:
        """The kinds of record and the named groups of their patterns."""
        return {one.kind: frozenset(groups(compiled(one.pattern))) for one in self.records}


class FreeTextReader(LineReader):
    """The incremental reader."""

    def __init__(self, settings: FreeText) -> None:
        super().__init__(settings)
        patterns = [(one.kind, compiled(one.pattern)) for one in settings.records]
        self._patterns = [(kind, pattern, groups(pattern)) for kind, pattern in patterns]
        self._refuses = settings.unmatched == "refuse"

    def line(self, line: Line) -> None:
        """Take one line."""
        if not line.text or line.text.isspace():
            return
        for kind, pattern, names in self._patterns:
            found = pattern.search(line.text)
            if found is not None:
                self.ready.append(self.record(kind, line, found.groupdict(), names))
                return
        if self._refuses:
            self.refuse(line, "unknown_kind", "matches none of the patterns")
