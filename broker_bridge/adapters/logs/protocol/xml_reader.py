"""XML documents: elements at stated paths are records. Expat does the reading, because it tells byte offsets.

No document type is accepted, so no entity can be declared and none is resolved (names of files, bombs of
expansion). A record's fields: `@name` for attributes, the names of child elements for their text, a list where a
child is repeated, fields in fields where it has children itself, `#text` for the element's own text beside them.
Children that are records themselves are left to those.
"""

import codecs
import re
from collections import deque
from collections.abc import Mapping
from typing import Annotated, ClassVar, Final, Literal
from xml.parsers import expat

from pydantic import AfterValidator, Field, model_validator

from broker_bridge.adapters.logs.protocol.json_text import ENCLOSING
from broker_bridge.adapters.logs.protocol.record import END, NEED_DATA, NativeRecord, Refused, Signal, Value
from broker_bridge.adapters.logs.protocol.region import Region
from broker_bridge.adapters.logs.protocol.settings import Kind, ReaderSettings, Settings

Step = tuple[str | None, str]
"""Namespace (None: any) and local name."""
_PATH: Final = re.compile(r"(?:/(?:[\w.-]+:)?[\w.-]+)+")
_SEPARATOR: Final = "\x1f"
_BLANKS: Final = b" \t\r\n\x00"
_JUNK: Final = expat.errors.codes[expat.errors.XML_ERROR_JUNK_AFTER_DOC_ELEMENT]
_CUT_OFF: Final = frozenset(
    expat.errors.codes[text]
    for text in (
        expat.errors.XML_ERROR_NO_ELEMENTS,
        expat.errors.XML_ERROR_UNCLOSED_TOKEN,
        expat.errors.XML_ERROR_UNCLOSED_CDATA_SECTION,
        expat.errors.XML_ERROR_PARTIAL_CHAR,
    )
)
_DEEPEST: Final = 200


def _path(text: str) -> str:
    if not _PATH.fullmatch(text):
        raise ValueError(f"{text!r} is no path; write /Panel/Board/Component from the root on")
    return text


def _encoding(name: str) -> str:
    try:
        codecs.lookup(name)
    except LookupError:
        raise ValueError(f"{name!r} is no known encoding; utf-8, utf-16, cp1252 ... are") from None
    return name


class Elements(Settings):
    """One kind of record in XML."""

    kind: Kind
    path: Annotated[str, AfterValidator(_path)]
    """Where its elements are, from the root on: `/Panel/Boards/Board`; with a prefix of `namespaces` where it
    matters in which one they are."""
    where: Mapping[str, str] = {}
    """Texts which attributes (`@type`) of the element must have: tells kinds at one path apart."""


class Xml(ReaderSettings):
    """XML."""

    NESTED: ClassVar[bool] = True
    ENDS: ClassVar[bool] = True

    kind: Literal["xml"]
    encoding: Annotated[str, AfterValidator(_encoding)] | None = None
    """Only where the document itself declares none or a wrong one."""
    namespaces: Mapping[str, str] = {}
    """Prefixes used in paths -> names of namespaces."""
    max_document_bytes: Annotated[int, Field(ge=64, le=2**30)] = 64 * 2**20
    records: Annotated[tuple[Elements, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _paths_can_be_used(self) -> "Xml":
        self.refuse_double_kinds([one.kind for one in self.records])
        for one in self.records:
            for prefix in re.findall(r"/([\w.-]+):", one.path):
                if prefix not in self.namespaces:
                    raise ValueError(f"the prefix {prefix!r} in {one.path!r} is not in `namespaces`")
        return self

    def kinds(self) -> dict[str, frozenset[str]]:
        """The kinds of record; their columns are not known beforehand."""
        return {one.kind: frozenset() for one in self.records}

    def steps(self, path: str) -> tuple[Step, ...]:
        """A path with its prefixes resolved."""
        steps: list[Step] = []
        for name in path.split("/")[1:]:
            prefix, colon, local = name.rpartition(":")
            steps.append((self.namespaces[prefix] if colon else None, local))
        return tuple(steps)


class _Element:
    """An element that is open."""

    __slots__ = ("around", "fields", "has_children", "kind", "line", "name", "start", "text")

    def __init__(
        self, name: Step, kind: str | None, start: int, line: int, around: dict[str, Value] | None
    ) -> None:
        self.name = name
        self.kind = kind
        self.start = start
        self.line = line
        self.around = around
        """Fields of the nearest record around it."""
        self.fields: dict[str, Value] = {}
        self.text: list[str] = []
        self.has_children = False


class _NotTaken(ValueError):
    """XML that is well-formed, but nothing we read."""


class _Document:
    """One parse of one document, which begins at byte `at` of the content and at `line`."""

    def __init__(
        self, settings: Xml, wanted: list[tuple[tuple[Step, ...], Elements]], at: int, line: int
    ) -> None:
        self._wanted = wanted
        self._at = at
        self._line = line
        self._open: list[_Element] = []
        self._path: list[Step] = []
        self._records = 0
        self._inside: list[NativeRecord] = []
        self._unended: NativeRecord | None = None
        self.found: list[NativeRecord] = []
        """Complete outermost records with all records in them, in document order; their `end` is right, `raw` empty."""
        self.told = at
        """Where the last outermost record ended."""
        parser = expat.ParserCreate(settings.encoding, _SEPARATOR)
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._characters
        parser.StartDoctypeDeclHandler = self._doctype
        parser.DefaultHandlerExpand = self._other
        self._parser = parser

    def parse(self, raw: bytes) -> int:
        """Read the document; returns the offset behind it. Raises ExpatError or _NotTaken."""
        try:
            self._parser.Parse(raw, True)
        except expat.ExpatError as error:
            if error.code != _JUNK:
                raise
            self._ended_at(self.error_at)
            return self.error_at
        except _NotTaken:
            raise
        except (LookupError, ValueError) as error:
            # Encodings that Expat does not know are asked of Python, which may not know them either.
            raise _NotTaken(f"its declared encoding cannot be read: {error}") from None
        self._ended_at(self._at + len(raw))
        return self._at + len(raw)

    @property
    def error_at(self) -> int:
        """The byte of the content at which the parse ended."""
        return self._at + self._parser.ErrorByteIndex

    @property
    def error_place(self) -> str:
        """The same for a person."""
        line = self._line + self._parser.ErrorLineNumber - 1
        return f"line {line}, character {self._parser.ErrorColumnNumber + 1}"

    @property
    def error_line(self) -> int:
        """The line of it."""
        return self._line + self._parser.ErrorLineNumber - 1

    def _here(self) -> int:
        here = self._at + self._parser.CurrentByteIndex
        self._ended_at(here)
        return here

    def _ended_at(self, here: int) -> None:
        """What was closed last has ended where the next thing begins: end tags do not tell their own length."""
        if self._unended is None:
            return
        self._unended.end = here
        self._unended = None
        if not self._records:
            self._inside.sort(key=lambda record: record.position)
            self.found += self._inside
            self._inside = []
            self.told = here

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        here = self._here()
        namespace, _, local = name.rpartition(_SEPARATOR)
        if len(self._open) >= _DEEPEST:
            raise _NotTaken(f"elements are nested more than {_DEEPEST} deep")
        self._path.append((namespace or None, local))
        around = None
        if self._open:
            nearest = self._open[-1]
            nearest.has_children = True
            around = nearest.fields if nearest.kind is not None else nearest.around
        kind = self._kind(attributes)
        element = _Element((namespace or None, local), kind, here, self._parser.CurrentLineNumber, around)
        for attribute, value in attributes.items():
            element.fields["@" + attribute.rpartition(_SEPARATOR)[2]] = value
        if kind is not None:
            self._records += 1
        self._open.append(element)

    def _kind(self, attributes: Mapping[str, str]) -> str | None:
        for steps, one in self._wanted:
            if (
                len(steps) == len(self._path)
                and all(
                    step[1] == found[1] and step[0] in (None, found[0])
                    for step, found in zip(steps, self._path, strict=True)
                )
                and all(attributes.get(name.removeprefix("@")) == text for name, text in one.where.items())
            ):
                return one.kind
        return None

    def _end(self, name: str) -> None:
        self._here()
        self._path.pop()
        element = self._open.pop()
        text = "".join(element.text)
        if element.kind is not None:
            if text.strip():
                element.fields["#text"] = text
            fields = element.fields
            if element.around is not None:
                fields[ENCLOSING] = element.around
            line = self._line + element.line - 1
            record = NativeRecord(element.kind, element.start, 0, line, b"", fields)
            self._inside.append(record)
            self._unended = record
            self._records -= 1
            return
        if not self._open or (element.has_children and not element.fields and not text.strip()):
            return  # the root, or a wrapping of records
        value: Value = text
        if element.fields:
            if text.strip():
                element.fields["#text"] = text
            value = element.fields
        parent, local = self._open[-1].fields, element.name[1]
        known = parent.get(local)
        if local not in parent:
            parent[local] = value
        elif isinstance(known, list):
            known.append(value)
        else:
            parent[local] = [known, value]

    def _characters(self, data: str) -> None:
        self._here()
        if self._open:
            self._open[-1].text.append(data)

    def _other(self, data: str) -> None:
        self._here()

    def _doctype(self, *_: object) -> None:
        raise _NotTaken(
            "declares a document type; none is accepted, because entities could be declared in it"
        )


class XmlReader:
    """Reads when the content is whole."""

    def __init__(self, settings: Xml) -> None:
        self._set = settings
        self._wanted = [(settings.steps(one.path), one) for one in settings.records]
        self._raw = Region(0, 1, code="oversize", reason="")
        self._content = bytearray()
        self._ready: deque[NativeRecord | Refused] | None = None
        self.complete = True

    def receive_data(self, data: bytes) -> None:
        """Take more bytes; b"" ends the content."""
        if not data:
            self._ready = deque(self._read())
            return
        self._raw.add(data)
        if self._raw.size <= self._set.max_document_bytes:
            self._content += data
        else:
            self._content.clear()

    def next_record(self) -> NativeRecord | Refused | Signal:
        """The next record or refusal, in order."""
        if self._ready is None:
            return NEED_DATA
        return self._ready.popleft() if self._ready else END

    def _read(self) -> list[NativeRecord | Refused]:
        limit = self._set.max_document_bytes
        if self._raw.size > limit:
            self._raw.reason = f"a document of {self._raw.size} bytes; at most {limit} are taken"
            return [self._raw.refusal()]
        content, at, line = bytes(self._content), 0, 1
        found: list[NativeRecord | Refused] = []
        while rest := content[at:].lstrip(_BLANKS):
            line += content.count(b"\n", at, len(content) - len(rest))
            at = len(content) - len(rest)
            document = _Document(self._set, self._wanted, at, line)
            try:
                behind = document.parse(rest)
            except (expat.ExpatError, _NotTaken) as error:
                found += self._with_bytes(document.found, content)
                found.append(self._refusal(document, error, content))
                break
            found += self._with_bytes(document.found, content)
            line += content.count(b"\n", at, behind)
            at = behind
        return found

    @staticmethod
    def _with_bytes(records: list[NativeRecord], content: bytes) -> list[NativeRecord]:
        for record in records:
            record.raw = content[record.position : record.end]
        return records

    def _refusal(self, document: _Document, error: Exception, content: bytes) -> Refused:
        """Everything from the last record on: where XML is broken, nobody can say where it goes on."""
        reason, code = str(error), "syntax"
        if isinstance(error, expat.ExpatError):
            reason = f"is no XML: {expat.ErrorString(error.code)}"
            if error.code in _CUT_OFF:
                self.complete = False
                reason, code = f"the document is cut off ({expat.ErrorString(error.code)})", "incomplete"
        start, at = document.told, document.error_at
        line = document.error_line - content.count(b"\n", start, max(start, at))
        region = Region(start, max(1, line), code=code, reason=reason, place=document.error_place)
        region.value = repr(content[max(0, at - 20) : at + 20])
        region.add(content[start:])
        return region.refusal()
