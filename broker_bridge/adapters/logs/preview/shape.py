"""The text of an unknown file -> settings of the reader that may read it."""

import csv
import json
import re
from collections import Counter
from collections.abc import Sequence
from typing import Any, Final, NamedTuple
from xml.parsers import expat

_LINES: Final = 3000
_SIGNS: Final = (";", "\t", ",", "|")
_PAIR: Final = re.compile(r"(?:^|\s)[A-Za-z_][\w.-]*=\S")
_NUMBER: Final = re.compile(r"[+-]?[\d.,:/-]*\d[\d.,:/ TZ-]*%?")
_SERIAL: Final = re.compile(r"\d{3}")
_LONGEST: Final = 190


class Shape(NamedTuple):
    """How a file may be read: the keys of `[reader]` without the encoding, and what stays open."""

    reader: dict[str, Any]
    questions: tuple[str, ...] = ()


TEXT: Final = Shape(
    {"kind": "text", "unmatched": "refuse", "records": [{"kind": "line", "pattern": "^(?P<text>.+)$"}]},
    ("the structure of the lines is not known; which patterns pick the fields out of them?",),
)
"""The last resort: a line a record."""


def shape_of(text: str) -> Shape:
    """The most likely shape of a text. Never raises; the last resort is a line a record."""
    text = text.removeprefix("\ufeff")
    start = text.lstrip()
    lines = [line.rstrip("\r") for line in text.split("\n")[:_LINES]]
    full = [line for line in lines if line.strip()]
    if start.startswith("<"):
        return _xml(text) or TEXT
    if start.startswith(("{", "[")) and (found := _json(text, full)):
        return found
    return _ini(full) or _key_value(full) or _delimited(lines) or _fixed(lines) or TEXT


def slug(text: str, fallback: str) -> str:
    """A name as mapping files spell them."""
    name = re.sub(r"[^a-z0-9]+", "_", text.casefold()).strip("_")
    name = name if re.match(r"[a-z]", name) else f"{fallback}_{name}".strip("_")
    return name[:60].rstrip("_") or fallback


def _kind(text: str, taken: Sequence[dict[str, Any]], fallback: str) -> str:
    name = slug(text, fallback)
    name = "record" if name == "file" else name
    known = {one["kind"] for one in taken}
    return next(n for n in (name, *(f"{name[:50]}_{i}" for i in range(2, 999))) if n not in known)


# -- nested documents


def _json(text: str, full: Sequence[str]) -> Shape | None:
    objects = []
    for line in full:
        try:
            objects.append(json.loads(line))
        except (ValueError, RecursionError):
            break
    if (
        objects
        and (len(objects) == len(full) or len(objects) > 1)
        and all(isinstance(o, dict) for o in objects)
    ):
        return Shape({"kind": "json_lines", "records": _json_kinds(objects, "")})
    try:
        document = json.loads(text)
    except (ValueError, RecursionError):
        return None
    records: list[dict[str, Any]] = []
    if isinstance(document, list):
        if not any(isinstance(one, dict) for one in document):
            return None
        records = _json_kinds([one for one in document if isinstance(one, dict)], "[]")
    elif isinstance(document, dict):
        records = _json_kinds([document], "")
    return Shape({"kind": "json", "records": records}) if records else None


def _json_kinds(objects: Sequence[dict[str, Any]], path: str) -> list[dict[str, Any]]:
    kinds: list[dict[str, Any]] = []
    where = {"path": path} if path else {}
    teller = _teller([{k: v for k, v in one.items() if isinstance(v, str)} for one in objects],
                     [frozenset(one) for one in objects])  # fmt: skip
    if teller is None:
        kinds.append({"kind": "record", **where})
    else:
        for word in sorted({one[teller] for one in objects}):
            kinds.append({"kind": _kind(word, kinds, "record"), **where, "where": {teller: word}})
    for inner in _lists(objects, path):
        kinds.append({"kind": _kind(inner.rstrip("[]").rpartition(".")[2], kinds, "item"), "path": inner})
    return kinds


def _lists(objects: Sequence[dict[str, Any]], path: str) -> list[str]:
    found: dict[str, None] = {}
    for one in objects:
        for key, value in one.items():
            if not re.fullmatch(r"[A-Za-z_]\w*", key) or not isinstance(value, list):
                continue
            inner = [item for item in value if isinstance(item, dict)]
            if inner:
                below = f"{path}.{key}[]" if path else f"{key}[]"
                found[below] = None
                found |= dict.fromkeys(_lists(inner, below))
    return list(found)[:8]


def _teller(texts: Sequence[dict[str, str]], keys: Sequence[frozenset[str]]) -> str | None:
    """The field whose few words tell which other fields a record has; None where all have the same."""
    if len(set(keys)) < 2:
        return None
    best: tuple[float, str] | None = None
    for name in frozenset.intersection(*(frozenset(one) for one in texts)) if texts else ():
        words = {one[name] for one in texts}
        if not 1 < len(words) <= 20 or len(words) * 2 > len(texts) + 2:
            continue
        if not all(re.fullmatch(r"[A-Za-z_][\w -]*", word) for word in words):
            continue
        shapes = Counter((one[name], keys[at]) for at, one in enumerate(texts))
        score = len(shapes) / len(words)
        if best is None or (score, name) < best:
            best = (score, name)
    return best[1] if best is not None and best[0] < len(set(keys)) + 1 else None


def _xml(text: str) -> Shape | None:
    counts: Counter[str] = Counter()
    told: set[str] = set()
    parents: list[str] = []

    def start(name: str, attributes: dict[str, str]) -> None:
        local = name.rpartition(":")[2]
        path = f"{parents[-1] if parents else ''}/{local}"
        if parents:
            told.add(parents[-1])
        parents.append(path)
        counts[path] += 1
        if attributes:
            told.add(path)

    parser = expat.ParserCreate()
    parser.StartElementHandler = start
    parser.EndElementHandler = lambda name: parents.pop() and None
    try:
        parser.Parse(re.sub(r"^\s*<\?xml.*?\?>", "", text, flags=re.DOTALL).encode("utf-8", "replace"), True)
    except expat.ExpatError:
        if not counts:
            return None
    records: list[dict[str, Any]] = []
    for path in list(counts):
        root = path.count("/") == 1
        if (
            (root or (counts[path] > 1 and path in told))
            and re.fullmatch(r"(?:/[\w.-]+)+", path)
            and len(records) < 9
        ):
            records.append({"kind": _kind(path.rpartition("/")[2], records, "element"), "path": path})
    return Shape({"kind": "xml", "records": records}) if records else None


# -- lines


def _ini(full: Sequence[str]) -> Shape | None:
    plain = [line.strip() for line in full if not line.strip().startswith((";", "#"))]
    if not plain or not re.fullmatch(r"\[[^\[\]]+\]", plain[0]):
        return None
    names = dict.fromkeys(line[1:-1] for line in plain if re.fullmatch(r"\[[^\[\]]+\]", line))
    pairs = sum("=" in line for line in plain)
    if pairs < (len(plain) - len(names)) * 0.8 or not pairs:
        return None
    records: list[dict[str, Any]] = []
    patterns: set[str] = set()
    for name in names:
        found = re.fullmatch(r"(.*?)(\d+)", name)
        literal = re.escape(name if found is None else found[1]).replace("\\ ", " ")
        pattern = literal if found is None else f"{literal}(?P<number>[0-9]+)"
        if pattern not in patterns and len(records) < 30:
            patterns.add(pattern)
            records.append(
                {"kind": _kind(found[1] if found else name, records, "section"), "section": pattern}
            )
    return Shape({"kind": "ini", "records": records})


def _key_value(full: Sequence[str]) -> Shape | None:
    several = [line for line in full if len(_PAIR.findall(line)) >= 2]
    if len(several) < 0.8 * len(full) or not several:
        return None
    lines = [dict(re.findall(r"([A-Za-z_][\w.-]*)=(\S*)", line)) for line in several]
    teller = _teller(lines, [frozenset(line) for line in lines])
    records: list[dict[str, Any]] = []
    if teller is None:
        records.append({"kind": "line"})
    else:
        for word in sorted({line[teller] for line in lines}):
            records.append({"kind": _kind(word, records, "line"), "where": {teller: word}})
    return Shape({"kind": "key_value", "records": records})


def _cells(line: str, sign: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=sign))]
    except (csv.Error, StopIteration):
        return line.split(sign)


def _delimited(lines: Sequence[str]) -> Shape | None:
    full = [line for line in lines if line.strip()]
    best: tuple[int, str] | None = None
    for sign in _SIGNS:
        counts = Counter(len(_cells(line, sign)) for line in full)
        alike = sum(count for cells, count in counts.items() if cells > 1 and count > 1)
        if counts[1] <= len(full) * 0.3 and alike >= len(full) * 0.5 and (best is None or alike > best[0]):
            best = (alike, sign)
    if best is None:
        return None
    sign = best[1]
    preamble = next((at for at, line in enumerate(lines) if sign in line), 0)
    rows = [_cells(line, sign) if line.strip() else [] for line in lines[preamble:]]
    trailing = all(row[-1] == "" for row in rows if row) and all(len(row) > 2 for row in rows if row)
    rows = [row[:-1] if trailing and row else row for row in rows]
    questions: list[str] = []
    records = _sections(rows, questions)
    if not records:
        return None
    reader: dict[str, Any] = {"kind": "delimited", "delimiter": sign, "records": records}
    if preamble:
        reader["preamble"] = preamble
    if trailing:
        reader["trailing_delimiter"] = True
    if not any('"' in line for line in lines):
        reader["quote"] = ""
    return Shape(reader, tuple(questions))


def _names_columns(row: Sequence[str], below: Sequence[str]) -> bool:
    """Whether a row is a header: texts that differ, none a number, above a row of as many cells."""
    if len(row) < 2 or len(row) != len(below) or len(set(row)) != len(row):
        return False
    if any(
        not cell or len(cell) > _LONGEST or _NUMBER.fullmatch(cell) or _SERIAL.search(cell) for cell in row
    ):
        return False
    return any(
        _NUMBER.fullmatch(cell) or not cell or any(c.isdigit() for c in cell) for cell in below
    ) and all(a != b or at == 0 for at, (a, b) in enumerate(zip(row, below, strict=True)))


def _sections(rows: Sequence[Sequence[str]], questions: list[str]) -> list[dict[str, Any]]:
    full = [row for row in rows if row]
    behind_blank = {
        at - sum(not row for row in rows[:at])
        for at, row in enumerate(rows)
        if row and at and not rows[at - 1]
    }
    records: list[dict[str, Any]] = []
    start = _leading_pairs(full)
    if start:
        records.append({"kind": "header", "layout": "pairs"})
    width = 0
    for at in range(start, len(full)):
        row, below = full[at], full[at + 1] if at + 1 < len(full) else []
        if len(row) == width and not row[0].startswith("#") and at not in behind_blank:
            continue  # a row of texts below its header looks like one
        rowless = len(below) != len(row) or at + 1 in behind_blank
        if not _names_columns(row, below) and not (rowless and _like_a_header(row, records)):
            continue
        columns = list(row)
        if len(records) < 12 and all(one.get("columns") != columns for one in records):
            width = len(row)
            name = _kind(_section_name(columns[0], below), records, "row")
            records.append({"kind": name, "header": True, "columns": columns})
    tables = [one for one in records if one.get("header")]
    if tables:
        return records
    if start and start == len(full):
        return records
    if start:
        questions.append(
            "below the first lines no line names the columns; where does which kind of row begin?"
        )
        return records
    return _headerless(full, questions)


def _section_name(first: str, below: Sequence[str]) -> str:
    """Rows that repeat a word in their first column are called by it."""
    tag = first.lstrip("#").strip()
    return tag if below and below[0].strip().casefold() == tag.casefold() else "row"


def _like_a_header(row: Sequence[str], records: Sequence[dict[str, Any]]) -> bool:
    """A section without rows: its header stands in a file that has others like it."""
    words = all(cell and not _NUMBER.fullmatch(cell) and len(cell) <= _LONGEST for cell in row)
    return words and len(row) > 2 and len(set(row)) == len(row) and any(one.get("header") for one in records)


def _leading_pairs(full: Sequence[Sequence[str]]) -> int:
    count = 0
    for row in full:
        if len(row) != 2 or not row[0] or any(sign.isdigit() for sign in row[0]):
            break
        count += 1
    keys = [row[0] for row in full[:count]]
    return count if count >= 3 and len(set(keys)) == len(keys) else 0


def _headerless(full: Sequence[Sequence[str]], questions: list[str]) -> list[dict[str, Any]]:
    tags: dict[str, set[int]] = {}
    for row in full:
        tags.setdefault(row[0], set()).add(len(row))
    words = all(re.fullmatch(r"[A-Za-z][A-Za-z_]{0,20}", tag) for tag in tags)
    records: list[dict[str, Any]] = []
    questions.append("no line names the columns; what is in each? (give them names)")
    if words and len(tags) <= 12 and all(len(lengths) == 1 for lengths in tags.values()) and len(tags) > 1:
        for tag, lengths in tags.items():
            columns = [f"column {number}" for number in range(2, next(iter(lengths)) + 1)]
            if columns:
                records.append({"kind": _kind(tag, records, "row"), "tag": tag, "columns": columns})
        return records
    (width, _), *_ = Counter(map(len, full)).most_common(1)
    return (
        [{"kind": "row", "columns": [f"column {number}" for number in range(1, width + 1)]}]
        if width <= 2000
        else []
    )


def _fixed(lines: Sequence[str]) -> Shape | None:
    full = [line for line in lines if line.strip()]
    if len(full) < 3 or any("\t" in line for line in full):
        return None
    width = max(map(len, full))
    if width > 1000:
        return None
    used = [any(at < len(line) and line[at] != " " for line in full) for at in range(width)]
    spans: list[tuple[int, int]] = []
    head = full[0]
    for at in range(width):
        if not used[at] or (at and used[at - 1]):
            continue
        end = at
        while end + 1 < width and used[end + 1]:
            end += 1
        # A date and its time stand one blank apart, below a header that names them once.
        if spans and not head[at : end + 1].strip() and at - (spans[-1][0] + spans[-1][1]) <= 1:
            spans[-1] = (spans[-1][0], end - spans[-1][0] + 1)
        else:
            spans.append((at, end - at + 1))
    words = [head[start : start + length].strip() for start, length in spans]
    named = (
        all(words) and not any(_NUMBER.fullmatch(word) for word in words) and len(set(words)) == len(words)
    )
    if not named:
        return None
    if len(spans) < 3:
        return None
    columns = {word: [start + 1, length] for word, (start, length) in zip(words, spans, strict=True)}
    last = words[-1]
    columns[last][1] = max(columns[last][1], 12)
    return Shape(
        {
            "kind": "fixed",
            "preamble": lines.index(head) + 1,
            "records": [{"kind": "row", "columns": columns}],
        },
        ("are the columns where the first line and the blanks seem to put them?",),
    )
