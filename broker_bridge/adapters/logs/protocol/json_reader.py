"""JSON documents and JSON lines: objects at stated paths are records."""

from collections import deque
from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field, model_validator

from broker_bridge.adapters.logs.protocol.json_text import Document, Found, JsonError, Wanted, path_of
from broker_bridge.adapters.logs.protocol.lines import Line, Lines, last_line
from broker_bridge.adapters.logs.protocol.record import END, NEED_DATA, NativeRecord, Refused, Signal
from broker_bridge.adapters.logs.protocol.settings import Encoding, Kind, ReaderSettings, Settings
from broker_bridge.adapters.logs.protocol.whole import Whole


def _path(text: str) -> str:
    path_of(text)
    return text


class Objects(Settings):
    """One kind of record in JSON."""

    kind: Kind
    path: Annotated[str, AfterValidator(_path)] = ""
    """Where its objects are: `panel.boards[]`; empty: the document, or line, itself."""
    where: Mapping[str, str] = {}
    """Texts which fields of the object must have: tells kinds at one path apart."""


class _Json(ReaderSettings):
    NESTED: ClassVar[bool] = True

    encoding: Encoding = "utf-8"
    records: Annotated[tuple[Objects, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _kinds_are_unique(self) -> "_Json":
        self.refuse_double_kinds([one.kind for one in self.records])
        return self

    def kinds(self) -> dict[str, frozenset[str]]:
        """The kinds of record; their columns are not known beforehand."""
        return {one.kind: frozenset() for one in self.records}

    def wanted(self) -> list[Wanted]:
        """What a parse looks for."""
        return [Wanted(one.kind, path_of(one.path), one.where) for one in self.records]


class JsonDocument(_Json):
    """JSON documents, one a file or several one behind the other."""

    ENDS: ClassVar[bool] = True

    kind: Literal["json"]
    max_document_bytes: Annotated[int, Field(ge=64, le=2**30)] = 64 * 2**20


class JsonLines(_Json):
    """A JSON document a line."""

    kind: Literal["json_lines"]
    max_record_bytes: Annotated[int, Field(ge=64, le=2**30)] = 4 * 2**20

    def may_be_cut(self, content: bytes) -> bool:
        """The last line has no line end, and is no document that is closed."""
        rest = last_line(content, self.encoding)
        try:
            text = rest.decode(self.encoding).lstrip("\ufeff")
            return bool(text[Document(text, ()).parse(0) :].strip())
        except (JsonError, UnicodeDecodeError):
            return bool(rest)


class JsonDocumentReader:
    """Reads when the content is whole: a document is known to be one only at its end."""

    def __init__(self, settings: JsonDocument) -> None:
        self._wanted = settings.wanted()
        self._whole = Whole(settings.encoding, settings.max_document_bytes)
        self._ready: deque[NativeRecord | Refused] | None = None
        self.complete = True

    def receive_data(self, data: bytes) -> None:
        """Take more bytes; b"" ends the content."""
        if data:
            self._whole.take(data)
        else:
            self._ready = deque(self._read())

    def next_record(self) -> NativeRecord | Refused | Signal:
        """The next record or refusal, in order."""
        if self._ready is None:
            return NEED_DATA
        return self._ready.popleft() if self._ready else END

    def _read(self) -> list[NativeRecord | Refused]:
        refused = self._whole.unreadable()
        if refused is not None:
            return [refused]
        whole, found = self._whole, list[NativeRecord | Refused]()
        text, at = whole.text, 0
        while True:
            document = Document(text, self._wanted)
            at = document.skip(at)
            if at == len(text):
                break
            try:
                behind = document.parse(at)
            except JsonError as error:
                self.complete = error.at < len(text.rstrip())
                found.append(whole.refusal(at, len(text), "syntax", f"is no JSON: {error}", error.at))
                break
            found += [whole.record(one.kind, one.start, one.end, one.fields) for one in document.found]
            at = behind
        return found


class JsonLinesReader:
    """Reads line by line."""

    def __init__(self, settings: JsonLines) -> None:
        self._wanted = settings.wanted()
        self._encoding = settings.encoding
        self._lines = Lines(settings.encoding, limit=settings.max_record_bytes)
        self._ready: deque[NativeRecord | Refused] = deque()
        self.complete = True

    def receive_data(self, data: bytes) -> None:
        """Take more bytes; b"" ends the content."""
        self._lines.receive_data(data)

    def next_record(self) -> NativeRecord | Refused | Signal:
        """The next record or refusal, in order."""
        while not self._ready:
            line = self._lines.next_line()
            if not isinstance(line, Line):
                return line
            if line.text and not line.text.isspace():
                self._read(line)
        return self._ready.popleft()

    def _read(self, line: Line) -> None:
        document = Document(line.text, self._wanted)
        try:
            end = document.parse(0)
            if line.text[end:].strip():
                raise JsonError("more stands behind the document on this line", end)
        except JsonError as error:
            place = f"line {line.number}, character {error.at + 1}"
            value = line.text[max(0, error.at - 20) : error.at + 20]
            self._ready.append(
                Refused(
                    line.position,
                    line.end,
                    line.number,
                    f"is no JSON: {error}",
                    "syntax",
                    line.raw,
                    place,
                    value,
                )
            )
            return
        self._ready.extend(self._record(line, found) for found in document.found)

    def _record(self, line: Line, found: Found) -> NativeRecord:
        if found.start == 0 or not line.text[: found.start].strip():
            start, end = 0, len(line.raw)
        else:
            shift = len(line.raw.decode(self._encoding)) - len(
                line.raw.decode(self._encoding).lstrip("\ufeff")
            )
            start = len(("\ufeff" * shift + line.text[: found.start]).encode(self._encoding))
            end = start + len(line.text[found.start : found.end].encode(self._encoding))
        position = line.position
        return NativeRecord(
            found.kind, position + start, position + end, line.number, line.raw[start:end], found.fields
        )
