"""One XML document as a small tree, read with care, and back.

Documents here are UTF-8, whatever they declare, hold no DOCTYPE and hence no entities, and are flat:
a deeper or wider one than the limits is refused before it costs anything.
"""

from dataclasses import dataclass, field
from typing import Final
from xml.parsers import expat

from broker_bridge.errors import RemoteProtocolError

MAX_DEPTH: Final = 16
"""Nesting. The standard needs five (Hermes, message, SubBoards, SB, and one for what may come)."""

MAX_ATTRIBUTES: Final = 128
"""Attributes of one element. The standard needs two dozen."""

# Line ends and tabs in an attribute become blanks when read, unless they are written as references.
_ESCAPES = str.maketrans(
    {"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "\t": "&#9;", "\n": "&#10;", "\r": "&#13;"}
)


@dataclass(slots=True)
class Element:
    """An element: name, attributes in order, children in order, and its character data without blanks."""

    name: str
    attributes: dict[str, str] = field(default_factory=dict)
    children: list["Element"] = field(default_factory=list)
    text: str = ""


class _Refused(Exception):
    """What a handler throws through the parser."""


def parse(raw: bytes) -> Element:
    """Return the root element of the document.

    Raises RemoteProtocolError when it is not well-formed, not UTF-8, has a DOCTYPE, or breaks a limit.
    """
    builder = _Builder()
    parser = expat.ParserCreate("UTF-8")
    parser.buffer_text = True
    parser.StartElementHandler = builder.start
    parser.EndElementHandler = builder.end
    parser.CharacterDataHandler = builder.characters
    parser.StartDoctypeDeclHandler = builder.doctype
    try:
        raw.decode("utf-8")
        parser.Parse(raw, True)
    except UnicodeDecodeError as error:
        raise RemoteProtocolError(
            f"message is not UTF-8: byte {raw[error.start]:#04x} at offset {error.start}", raw
        ) from error
    except expat.ExpatError as error:
        raise RemoteProtocolError(f"message is not well-formed XML: {error}", raw) from error
    except _Refused as error:
        raise RemoteProtocolError(
            f"message is refused: {error}, line {parser.CurrentLineNumber}", raw
        ) from None
    return builder.root


class _Builder:
    def __init__(self) -> None:
        self._top = Element("")
        self._open = [self._top]

    @property
    def root(self) -> Element:
        return self._top.children[0]

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if len(self._open) > MAX_DEPTH:
            raise _Refused(f"<{name}> is nested deeper than {MAX_DEPTH}")
        if len(attributes) > MAX_ATTRIBUTES:
            raise _Refused(f"<{name}> has {len(attributes)} attributes, more than {MAX_ATTRIBUTES}")
        element = Element(name, attributes)
        self._open[-1].children.append(element)
        self._open.append(element)

    def end(self, name: str) -> None:
        self._open.pop()

    def characters(self, text: str) -> None:
        self._open[-1].text += text.strip()

    def doctype(self, *_: object) -> None:
        raise _Refused("it has a DOCTYPE")


def render(element: Element) -> bytes:
    """Return the document as UTF-8, on one line. Names and values are taken to be legal in XML."""
    return "".join(_render(element)).encode("utf-8")


def _render(element: Element) -> list[str]:
    attributes = "".join(
        f' {name}="{value.translate(_ESCAPES)}"' for name, value in element.attributes.items()
    )
    if not element.children:
        return [f"<{element.name}{attributes}/>"]
    inside = [part for child in element.children for part in _render(child)]
    return [f"<{element.name}{attributes}>", *inside, f"</{element.name}>"]
