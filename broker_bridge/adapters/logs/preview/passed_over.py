"""Lines of a file that are no records: what they are, by the reader's settings."""

from collections import Counter
from collections.abc import Sequence

from broker_bridge.adapters.logs.protocol.delimited_settings import Delimited
from broker_bridge.adapters.logs.protocol.json_reader import JsonLines
from broker_bridge.adapters.logs.protocol.readers import AnyReader
from broker_bridge.adapters.logs.protocol.settings import TextSettings


def passed_over(reader: AnyReader, content: bytes, spans: Sequence[tuple[int, int]]) -> Counter[str]:
    """Lines in these spans of the content by what they are; nothing where content does not go line by line."""
    found: Counter[str] = Counter()
    if not isinstance(reader, (TextSettings, JsonLines)):
        return found
    encoding = reader.encoding
    if encoding == "utf-16":
        encoding = "utf-16-be" if content.startswith(b"\xfe\xff") else "utf-16-le"
    preamble = getattr(reader, "preamble", 0)
    for start, end in spans:
        text = content[start:end].decode(encoding, "replace").removeprefix("\ufeff")
        lines = text.split("\n")
        if not lines[-1]:
            lines.pop()
        for number, line in enumerate(lines):
            found[_kind(reader, line.strip(), start == 0 and number < preamble)] += 1
    return found


def _kind(reader: AnyReader, line: str, preamble: bool) -> str:
    if preamble:
        return "preamble"
    if not line:
        return "blank"
    comments = (*getattr(reader, "comments", ()), *filter(None, (getattr(reader, "comment", None),)))
    if any(line.startswith(comment) for comment in comments):
        return "comment"
    if isinstance(reader, Delimited):
        if reader.trailer is not None and line.startswith(reader.trailer):
            return "trailer"
        if any(rows.heading is not None and rows.heading.strip() == line for rows in reader.records):
            return "heading"
        if any(rows.header for rows in reader.records):
            return "header"
    return "other"
