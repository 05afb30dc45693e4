"""Samples of unknown files -> the text of a first mapping. It loads; what cannot be known is a question in it."""

import json
import re
import textwrap
from collections.abc import Iterator, Sequence
from itertools import chain, count
from typing import Any, Final, NamedTuple

from broker_bridge.adapters.logs.mapping.compiled import compile_mapping
from broker_bridge.adapters.logs.preview.clock import Clock, example_of
from broker_bridge.adapters.logs.preview.columns import OUTCOMES, Column
from broker_bridge.adapters.logs.preview.look import Kind, look
from broker_bridge.adapters.logs.preview.sample import Encoding, encoding_of, known_binary
from broker_bridge.adapters.logs.preview.shape import TEXT, Shape, shape_of, slug
from broker_bridge.errors import ConfigError, UsageError
from broker_bridge.events.union import DATA_TYPES

QUESTION: Final = "# QUESTION: "
_WIDE: Final = 110
_MOST_VALUES: Final = 24
"""Values of a reading that the suggested event carries."""


def draft(samples: Sequence[tuple[str, bytes]], *, most: int) -> str:
    """The text of a mapping for files of one kind, given as name and content; `most` bytes of each are looked at.

    It always loads, and reads these files without a crash; whether it reads them rightly is for a person to see. Raises
    UsageError where all of them are empty.
    """
    told = [(name, content) for name, content in samples if content.strip()]
    if not told:
        raise UsageError("there is nothing to suggest from: all files are empty or cannot be read")
    # The longest of some shows most kinds of records.
    _, content = max(told[:20], key=lambda sample: min(len(sample[1]), most))
    binary = known_binary(content)
    encoding = encoding_of(content[:most])
    shape = TEXT if binary else shape_of(_text(content, encoding, most))
    text = _written(told, encoding, shape, most, binary)
    try:
        compile_mapping(text, "suggestion")
    except ConfigError as error:
        # Columns with names that no mapping can hold, for instance: a line a record always goes.
        reason = str(error).splitlines()[0]
        note = Shape(TEXT.reader, (*TEXT.questions, f"it looked like {shape.reader['kind']}, but {reason}"))
        return _written(told, encoding, note, most, binary)
    return text


def questions(text: str) -> list[str]:
    """The open questions of a suggested mapping."""
    return [line.partition(QUESTION)[2] for line in text.splitlines() if QUESTION in line]


def _text(content: bytes, encoding: Encoding, most: int) -> str:
    whole = content.lstrip(b"\xef\xbb\xbf \t\r\n")[:1] in (b"<", b"{", b"[")
    text = (content if whole else content[:most]).decode(encoding.name, "replace")
    return text if whole or len(content) <= most else text[: text.rfind("\n") + 1]


def _settings(shape: Shape, encoding: Encoding) -> dict[str, Any]:
    kind = shape.reader["kind"]
    told: dict[str, Any] = {"kind": kind}
    if kind == "xml":
        if encoding.name not in ("utf-8", "utf-16"):
            told["encoding"] = encoding.name
    else:
        told["encoding"] = encoding.name
    return {**told, **{key: value for key, value in shape.reader.items() if key != "kind"}}


def _written(
    samples: Sequence[tuple[str, bytes]], encoding: Encoding, shape: Shape, most: int, binary: str | None
) -> str:
    settings = _settings(shape, encoding)
    kinds, refused = look(samples, settings, most)
    if not kinds and shape is not TEXT and shape.reader is not TEXT.reader:
        note = Shape(
            TEXT.reader, (*TEXT.questions, f"it looked like {shape.reader['kind']}, but gave no record")
        )
        return _written(samples, encoding, note, most, binary)
    if any(column.comma for kind in kinds for column in kind.columns) and shape.reader["kind"] != "text":
        settings = {"kind": settings["kind"], "decimal": ",", **settings}
    writer = _Writer(samples, encoding, shape, settings, kinds, refused, binary)
    return "\n".join(writer.lines()) + "\n"


class _Field(NamedTuple):
    """A field of the mapping and the column behind it."""

    name: str
    column: Column


class _Writer:
    """Writes one mapping."""

    def __init__(
        self,
        samples: Sequence[tuple[str, bytes]],
        encoding: Encoding,
        shape: Shape,
        settings: dict[str, Any],
        kinds: Sequence[Kind],
        refused: tuple[int, str],
        binary: str | None,
    ) -> None:
        self._samples = samples
        self._encoding = encoding
        self._shape = shape
        self._settings = settings
        self._kinds = kinds
        self._refused = refused
        self._binary = binary
        self._comma = settings.get("decimal") == ","
        self._tables: dict[str, Column] = {}
        self._fields: dict[str, list[_Field]] = {}
        self._times: dict[str, list[str]] = {}
        self._sections = [line for kind in kinds for line in self._field_lines(kind)]
        self._held = self._holds()

    def lines(self) -> Iterator[str]:
        """The whole file."""
        names = [name for name, _ in self._samples]
        yield f"# A first mapping, suggested from {len(names)} file{'s' if len(names) > 1 else ''}: {_comment(names[0], 60)}"
        yield "# Look at every line, answer the questions, then: broker-bridge preview THIS_FILE FILE..."
        yield "# What was seen in the samples is all it knows: other files may hold other words and formats."
        yield ""
        yield f"name = {_quoted(_comment(names[0], 40) + ' and its like')}"
        yield "revision = 1                     # raise it with every change once it has been in use"
        if self._needs_zone():
            yield QUESTION + "which zone does the machine's clock show? The times state none."
            yield 'zone = "UTC"                     # an IANA name such as Europe/Lisbon, or an offset such as +01:00'
            yield 'zone_basis = "assumed"           # take it away once somebody has confirmed the zone'
        yield from self._placeholder_lines()
        yield ""
        yield from self._reader_lines()
        yield from self._file_name_lines(names[0])
        if self._held:
            yield "[group]"
            yield f"holds = {_list(self._held)}                # they hold for the records below them"
            yield ""
        yield from self._sections
        yield from self._table_lines()
        yield from self._event_lines()

    # -- head and reader

    def _needs_zone(self) -> bool:
        clocks = [column.clock for kind in self._kinds for column in kind.columns if column.clock]
        clocks += [clock for kind in self._kinds for _, _, clock in kind.joined]
        return any(not clock.states_zone for clock in clocks)

    def _placeholder_lines(self) -> Iterator[str]:
        serials = [column for kind in self._kinds for column in kind.columns if column.serial]
        met = sorted({text for column in serials for text in column.placeholders})
        if met:
            yield f"# Placeholders met where identifiers should be, which name no board: {_comment(', '.join(met), 70)}"
        often = [
            word
            for column in serials
            for word, count in column.words[:1]
            if not column.few and count > 3 and count * 4 > column.values and word not in met
        ]
        for word in often:
            yield f"{QUESTION}{_comment(word, 40)!r} comes far more often than others; is it a card that is scanned when nothing else helps?"
            yield '# Then list it, with the usual words: placeholders = ["NOREAD", ...]'

    def _reader_lines(self) -> Iterator[str]:
        if self._binary:
            yield f"{QUESTION}its bytes look like {self._binary}, which is no text; is there an export as text?"
        yield "[reader]"
        for key, value in self._settings.items():
            if key != "records":
                yield f"{key} = {_toml(value)}"
        if self._encoding.question:
            yield QUESTION + _comment(self._encoding.question, 400)
        for question in self._shape.questions:
            yield QUESTION + _comment(question, 300)
        count, reason = self._refused
        if count:
            yield f"{QUESTION}this reader refuses {count} records of the samples; the first: {_comment(reason, 200)}"
        yield ""
        for one in self._settings["records"]:
            yield "[[reader.records]]"
            for key, value in one.items():
                yield f"{key} = {_toml(value)}"
            yield ""

    def _file_name_lines(self, name: str) -> Iterator[str]:
        if re.search(r"\d{4}", name) is None:
            return
        groups = (
            re.escape(token)
            if at % 2
            else f"(?P<part_{at // 2 + 1}>[^_.-]+)"
            if re.search(r"\d{3}", token)
            else "[^_.-]*"
            for at, token in enumerate(re.split(r"([_.\- ])", name))
        )
        yield f"{QUESTION}does the file's name tell a serial, lane or time? Then take it from there as $file.part_1 ..:"
        yield "# [file]"
        yield f"# pattern = {_quoted(''.join(groups))}      # fits {_comment(name, 60)}"
        yield ""

    # -- fields

    def _field_lines(self, kind: Kind) -> Iterator[str]:
        fields = self._fields[kind.kind] = []
        times = self._times[kind.kind] = []
        yield f"[fields.{kind.kind}]                 # {_many(kind.records, 'record')} in {_many(kind.files, 'file')}"
        taken: set[str] = set()
        for date, time, clock in kind.joined:
            name = _free("time", taken)
            yield from self._time_lines(
                name, f'columns = [{_quoted(date)}, {_quoted(time)}], join = " "', clock, times, "saved"
            )
        for column in kind.columns:
            name = _free(slug(column.name.rpartition(".")[2].lstrip("@#"), "field"), taken)
            fields.append(_Field(name, column))
            yield from self._one_field(kind, name, column, times)
        yield ""

    def _one_field(self, kind: Kind, name: str, column: Column, times: list[str]) -> Iterator[str]:
        place = f"column = {_quoted(column.name)}"
        if column.absent:
            yield f"{QUESTION}{', '.join(map(repr, column.absent))} in {_comment(column.name, 40)!r} is taken for: no value. Is it?"
            place += f", absent = {_list(['', *column.absent])}"
        seen = _comment(", ".join(word for word, _ in column.words[:4]), 60)
        if column.clock is not None:
            yield from self._time_lines(name, place, column.clock, times, _means(column.name))
        elif column.outcome:
            table = slug(f"{kind.kind}_{name}", "table")
            self._tables[table] = column
            yield f"{name} = {{ {place}, table = {_quoted(table)} }}"
        elif column.type in ("integer", "number") and not column.serial:
            decimal = (
                ', decimal = "."' if self._comma and column.type == "number" and not column.comma else ""
            )
            yield f"{name} = {{ {place}, type = {_quoted(column.type)}{decimal} }}   # {seen}"
        else:
            more = " ..." if not column.few else ""
            yield f"{name} = {{ {place} }}   # {seen or 'always empty in the samples'}{more}"

    def _time_lines(self, name: str, place: str, clock: Clock, times: list[str], means: str) -> Iterator[str]:
        def rule(format: str) -> str:
            return f'{{ {place}, type = "time", format = {_quoted(format)}, means = {_quoted(means)} }}'

        if clock.others:
            examples = " or ".join(
                f"{format} ({example_of(format)})" for format in (clock.format, *clock.others)
            )
            yield f"{QUESTION}day or month first? Every text of the samples fits {examples}. Until you choose, it is text:"
            for format in (clock.format, *clock.others):
                yield f"# {name} = {rule(format)}"
            yield f"{name} = {{ {place} }}"
            return
        if means == "saved":
            yield f"{QUESTION}what is {name} the time of: start, end, saved, reviewed or sent?"
        yield f"{name} = {rule(clock.format)}"
        times.append(name)

    def _table_lines(self) -> Iterator[str]:
        for table, column in self._tables.items():
            yield f"[tables.{table}]                # passed, failed, aborted, skipped, bypassed, not_inspected, unknown"
            open_words = [word for word, _ in column.words if word.casefold() not in OUTCOMES]
            if open_words:
                yield f"{QUESTION}what do these words mean: {_comment(', '.join(open_words), 120)}?"
            values = ", ".join(
                f"{_quoted(word)} = {_quoted(OUTCOMES.get(word.casefold(), 'unknown'))}"
                for word, _ in column.words
            )
            yield f"values = {{ {values} }}"
            yield 'otherwise = "reject"            # a word nobody has seen rejects its record instead of passing'
            yield ""

    # -- events

    def _holds(self) -> list[str]:
        """Kinds that stand once in a file, before others."""
        if self._settings["kind"] in ("json", "json_lines", "xml", "text") or len(self._kinds) < 2:
            return []
        return [kind.kind for kind in self._kinds[:-1] if kind.records <= kind.files]

    def _event_lines(self) -> Iterator[str]:
        if not self._kinds:
            yield from self._no_record()
            return
        kind = max(self._kinds, key=lambda kind: (self._worth(kind), -self._kinds.index(kind)))
        others = [other.kind for other in self._kinds if other is not kind and other.kind not in self._held]
        if others:
            yield f"{QUESTION}no event speaks of the records {', '.join(others)} yet; what do they say, and about which board?"
        in_sight = [(kind.kind, field) for field in self._fields[kind.kind]]
        in_sight += [
            (held, field) for held in self._held if held != kind.kind for field in self._fields[held]
        ]
        serials = [(of, field) for of, field in in_sight if field.column.serial]
        outcome = next((field for of, field in in_sight if of == kind.kind and field.column.outcome), None)
        if outcome is not None and self._several_rows(kind, serials):
            yield f"{QUESTION}does a board fill several records {kind.kind}, one for each call? Then each would count as an inspection:"
            yield (
                '# put them together by [group] per = "key", by = [the board\'s field], and write $'
                + f"{kind.kind}.field"
            )
        yield "[[event]]"
        if serials and outcome is not None:
            yield f"{QUESTION}is this the right event? An inspection, a test (inspection.test_completed), a review ...?"
            yield from _typed("inspection.completed")
        elif serials:
            yield f"{QUESTION}what does a record say? board.arrived, work.completed, material.installed ...? (`broker-bridge schemas` lists them)"
            yield from _typed("work.completed")
        else:
            yield f"{QUESTION}no column looks like an identifier of a board; which event is it? Until then it is a reading."
            yield from _typed("reading.recorded")
        yield f"each = {_quoted(kind.kind)}"
        yield from self._event_time(kind)
        yield ""
        yield "[event.data]"
        if serials:
            if outcome is not None:
                yield f"{QUESTION}which method: paste, optical, x_ray, visual or other?"
                yield 'method = "other"'
                yield f'outcome = "${outcome.name}"'
            else:
                yield 'outcome = "unknown"             # nothing states one, and no row is not a pass'
            yield from self._boards(serials, in_sight)
            return
        yield from self._values(kind)

    def _several_rows(self, kind: Kind, serials: Sequence[tuple[str, _Field]]) -> bool:
        """Whether a file has several records and no column of identifiers is without repeated ones."""
        own = [field.column for of, field in serials if of == kind.kind]
        return (
            bool(own) and kind.records > kind.files and all(column.values > column.distinct for column in own)
        )

    def _worth(self, kind: Kind) -> int:
        fields = self._fields[kind.kind]
        return (
            3 * any(field.column.outcome for field in fields)
            + 2 * any(field.column.serial for field in fields)
            + bool(self._times[kind.kind])
        )

    def _event_time(self, kind: Kind) -> Iterator[str]:
        empty = {field.name: field.column.empty for field in self._fields[kind.kind]}
        known = [(name, f"${name}") for name in self._times[kind.kind]]
        always = [one for one in known if not empty.get(one[0])]
        if known and not always:
            yield f"{QUESTION}{', '.join(name for name, _ in known)}: some records lack it; when did those happen?"
        known = always
        for held in self._held:
            if held != kind.kind:
                known += [(name, f"${held}.{name}") for name in self._times[held]]
        ends = [reference for name, reference in known if _means(name) == "end"]
        chosen = ends or [reference for _, reference in known]
        if chosen:
            yield f'time = ["{chosen[0]}"]'
            return
        yield f"{QUESTION}no column is a time that can be read; when did it happen? Until then the file's own time stands in."
        yield 'time = ["$file.modified"]'

    def _boards(
        self, serials: Sequence[tuple[str, _Field]], in_sight: Sequence[tuple[str, _Field]]
    ) -> Iterator[str]:
        of, serial = serials[0]
        reference = f"${of}.{serial.name}" if of in self._held else f"${serial.name}"
        yield f"{QUESTION}is {serial.column.name!r} a board's serial or a panel's code, and was it read, passed_on, typed or assumed?"
        panel = re.search(r"panel", serial.column.name, re.IGNORECASE) is not None
        position = next(
            (field for kind, field in in_sight
             if kind not in self._held and re.search(r"pos(ition)?$|figure|cavity|index", field.column.name, re.IGNORECASE)
             and field.column.type == "integer"), None,
        )  # fmt: skip
        if panel and position is not None:
            yield f"{QUESTION}in which order does the machine number the boards of a panel? A [[positions]] table joins them with the plant's."
            yield "[[event.data.boards]]"
            yield 'unit = "board"'
            yield f'panel = {{ kind = "panel", value = "{reference}", how = "read" }}'
            yield f'machine_position = "${position.name}"'
            return
        unit = "panel" if panel else "board"
        yield "[[event.data.boards]]"
        yield f'unit = "{unit}"'
        yield f'identifiers = [{{ kind = "{unit}", value = "{reference}", how = "read" }}]'

    def _values(self, kind: Kind) -> Iterator[str]:
        numbers = [field for field in self._fields[kind.kind] if field.column.type in ("integer", "number")]
        texts = [field for field in self._fields[kind.kind] if field.name not in self._times[kind.kind]]
        items = [
            f'{{ name = {_quoted(field.name)}, {"value" if field in numbers else "text"} = "${field.name}" }}'
            for field in (numbers or texts)[:_MOST_VALUES]
            if not field.column.outcome
        ]
        if not items:
            yield 'values = [{ name = "record", text = "seen" }]'
            return
        yield "values = ["
        for item in items:
            yield f"    {item},"
        yield "]"

    def _no_record(self) -> Iterator[str]:
        kind = self._settings["records"][0]["kind"]
        yield f"{QUESTION}no record was found in the samples; what is in them?"
        yield "[[event]]"
        yield from _typed("reading.recorded")
        yield f"each = {_quoted(kind)}"
        yield 'time = ["$file.modified"]'
        yield 'data = { values = [{ name = "record", text = "seen" }] }'


def _typed(name: str) -> Iterator[str]:
    """The event's type, and what its data may hold."""
    fields = {key: field for key, field in DATA_TYPES[name].model_fields.items() if key != "origin"}
    needed = [key for key, field in fields.items() if field.is_required()]
    more = [key for key in fields if key not in needed]
    told = f"{'it needs ' + ', '.join(needed) + ' and ' if needed else 'it '}may have {', '.join(more)}"
    yield f'type = "{name}"'
    yield from textwrap.wrap(
        f"{told}; what each is: broker-bridge schemas {name}", _WIDE, initial_indent="# ", subsequent_indent="# ",
        break_on_hyphens=False,
    )  # fmt: skip


def _many(count: int, thing: str) -> str:
    return f"{count:,} {thing}{'' if count == 1 else 's'}"


def _means(name: str) -> str:
    if re.search(r"end|stop|finish|complete|done", name, re.IGNORECASE):
        return "end"
    return "start" if re.search(r"start|begin", name, re.IGNORECASE) else "saved"


def _free(name: str, taken: set[str]) -> str:
    found = next(n for n in chain([name], (f"{name[:50]}_{i}" for i in count(2))) if n not in taken)
    taken.add(found)
    return found


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _list(texts: Sequence[str]) -> str:
    return "[" + ", ".join(map(_quoted, texts)) + "]"


def _toml(value: Any) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return _quoted(value)
        case dict():
            return "{ " + ", ".join(f"{_quoted(key)} = {_toml(inner)}" for key, inner in value.items()) + " }"
        case list():
            return "[" + ", ".join(map(_toml, value)) + "]"
        case _:
            return str(value)


def _comment(text: str, most: int) -> str:
    """A text that can stand in a comment."""
    clean = "".join(sign if sign.isprintable() else " " for sign in text)
    return clean if len(clean) <= most else clean[: most - 3] + "..."
