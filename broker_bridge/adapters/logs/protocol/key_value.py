"""Lines of `key=value` pairs, with free text before the first pair."""

import re
from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field, model_validator

from broker_bridge.adapters.logs.protocol.line_reader import LineReader
from broker_bridge.adapters.logs.protocol.lines import Line
from broker_bridge.adapters.logs.protocol.settings import Column, Kind, Settings, TextSettings

LEAD = "lead"
"""The field that holds the text before the first pair."""


class Pairing(Settings):
    """One kind of line."""

    kind: Kind
    needs: tuple[Column, ...] = ()
    """Keys that a line of this kind has."""
    where: Mapping[str, str] = {}
    """Values that keys of it have."""


class KeyValue(TextSettings):
    """Lines of pairs."""

    kind: Literal["key_value"]
    assign: Annotated[str, Field(min_length=1, max_length=1)] = "="
    separator: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    """What stands between two pairs; absent: blanks, and none of them around the sign between key and value."""
    comment: Annotated[str, Field(min_length=1)] | None = None
    records: Annotated[tuple[Pairing, ...], Field(min_length=1)]
    """The first that fits tells the kind."""

    @model_validator(mode="after")
    def _kinds_are_unique(self) -> "KeyValue":
        self.refuse_double_kinds([one.kind for one in self.records])
        return self

    def kinds(self) -> dict[str, frozenset[str]]:
        """The kinds of record; their keys are not known beforehand."""
        return {one.kind: frozenset() for one in self.records}


class KeyValueReader(LineReader):
    """The incremental reader. Values in double quotes may hold the separator; a quote in them is doubled."""

    def __init__(self, settings: KeyValue) -> None:
        super().__init__(settings)
        self._set = settings
        # Anchored and without choices inside repetitions: the time grows with the length of the line only.
        assign = re.escape(settings.assign)
        apart = r"\s" if settings.separator is None else re.escape(settings.separator)
        around = "" if settings.separator is None else r"\s*"
        self._pair = re.compile(
            rf'(?P<key>[^\s"{assign}]+){around}{assign}{around}'
            rf'(?:"(?P<quoted>[^"]*(?:""[^"]*)*)"|(?P<bare>(?:[^"{apart}][^{apart}]*)?))'
        )
        self._apart = re.compile(rf"\s*(?:{apart}\s*|$)")

    def line(self, line: Line) -> None:
        """Take one line."""
        text = line.text
        if (
            not text
            or text.isspace()
            or (self._set.comment is not None and text.startswith(self._set.comment))
        ):
            return
        head = text[: text.find(self._set.assign)].rstrip()
        if self._set.assign not in text or not head:
            self.refuse(line, "syntax", f"holds no key{self._set.assign}value")
            return
        fields: dict[str, str | None] = {}
        at = len(head) - len(head.rsplit(None, 1)[-1])
        if lead := text[:at].strip():
            fields[LEAD] = lead
        while at < len(text):
            pair = self._pair.match(text, at)
            if pair is None:
                reason = f"a pair was expected at character {at + 1}: {text[at : at + 40]!r}"
                self.refuse(line, "syntax", reason)
                return
            key = pair["key"]
            if key in fields:
                self.refuse(line, "syntax", f"the key {key!r} stands twice")
                return
            quoted = pair["quoted"]
            fields[key] = quoted.replace('""', '"') if quoted is not None else pair["bare"].rstrip()
            behind = self._apart.match(text, pair.end())
            if behind is None:
                self.refuse(line, "syntax", f"something stands behind the value of {key!r}")
                return
            at = behind.end()
        for one in self._set.records:
            if all(key in fields for key in one.needs) and all(
                fields.get(key) == value for key, value in one.where.items()
            ):
                self.ready.append(self.record(one.kind, line, fields))
                return
        self.refuse(line, "unknown_kind", f"fits none of the kinds; it has the keys {', '.join(fields)}")
