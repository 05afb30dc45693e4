"""A preview for a person. Pure: a view and a width in, lines out."""

import textwrap
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any, Final

from broker_bridge.adapters.logs.preview.view import FileLine, FirstEvent, Preview, Rejection

_FILES: Final = 12
"""Files told one by one, those with something rejected first ..."""
_FINE: Final = 4
"""... and of those where all is fine."""
_LISTED: Final = 12
_LOCAL: Final = "machine's time"
_FLAGS: Final = {
    "ambiguous_time": "times inside the hour that the clock shows twice; the first of the two was taken",
    "nonexistent_time": "times inside the hour that the clock leaves out; the offset before was taken",
    "placeholder_identifier": "a placeholder stood where an identifier should be; no identifier was taken",
    "unterminated": "the last line has no end: it may be cut off",
    "incomplete": "something of the group or file is missing",
}


def words(view: Preview, width: int) -> Iterator[str]:
    """The lines, at most `width` (80 at least) wide."""
    width = max(80, width)
    yield from _wrapped(f"{view.name}, revision {view.revision} ({view.mapping})", width, "")
    yield from _files(view, width)
    yield from _counts(view, width)
    yield from _first(view, width)
    yield from _rejected(view, width)
    yield from _doubts(view, width)
    yield from _never(view, width)
    yield ""
    yield from _verdict(view, width)


def _files(view: Preview, width: int) -> Iterator[str]:
    yield from _section(f"Files: {len(view.files)}")
    shown = [file for file in view.files if file.verdict or file.rejected][:_FILES]
    shown += [file for file in view.files if not (file.verdict or file.rejected)][
        : max(_FINE - len(shown), 0)
    ]
    room = min(max((len(file.file) for file in shown), default=0), width - 42)
    for file in shown:
        yield f"  {_cut(file.file, room):<{room}} {_told(file)}"
        if file.verdict:
            yield from _wrapped(file.verdict, width, "      ")
    rest = [file for file in view.files if file not in shown]
    if rest:
        yield f"  and {len(rest)} more with {_many(sum(file.events for file in rest), 'event')}"


def _told(file: FileLine) -> str:
    rejected = f", {file.rejected:,} rejected" if file.rejected else ""
    lacks = "" if file.complete or file.generation is None else ", its end is missing"
    return f"{_many(file.records, 'record')}, {_many(file.events, 'event')}{rejected}{lacks}"


def _counts(view: Preview, width: int) -> Iterator[str]:
    yield from _section("What became what")
    rows = [("records", name, count) for name, count in view.records.items()]
    rows += [("events", name, count) for name, count in view.events.items()]
    if view.rejected:
        rows.append(
            ("rejected", ", ".join(f"{code} {n}" for code, n in view.rejected_by.items()), view.rejected)
        )
    rows += [("passed over", f"{name} lines", count) for name, count in view.passed_over.items()]
    last = ""
    for group, name, count in rows or [("records", "none", 0)]:
        yield _cut(f"  {group if group != last else '':<12}{count:>9,}  {name}", width)
        last = group


def _first(view: Preview, width: int) -> Iterator[str]:
    events = view.first_events
    if not events:
        return
    zones = {event.zone for event in events}
    zone = zones.pop() if len(zones) == 1 else None
    bases = {event.zone_basis for event in events}
    basis = f", {bases.pop()}" if len(bases) == 1 and None not in bases else ""
    yield from _section(f"First events: {len(events)} of {sum(view.events.values()):,}")
    kind = max(len(event.type) for event in events)
    if zone:
        yield f"  The machine's zone is {zone}{basis}."
    yield f"  {'line':>7}  {'event':<{kind}}  {_LOCAL:<19}  UTC"
    file = None
    for event in events:
        if event.file != file:
            file = event.file
            yield _cut(f"  {file}", width)
        local = _clock(event.local_time or event.time)
        utc = _clock(event.time)
        line = f"{event.line:,}" if event.line else "-"
        row = f"  {line:>7}  {event.type:<{kind}}  {local:<19}  {utc:<19}"
        about = _about(event)
        if width >= 130:
            yield _cut(f"{row}  {about}", width)
        else:
            yield row.rstrip()
            yield from textwrap.wrap(about, width - 11, initial_indent=" " * 11, subsequent_indent=" " * 11)[
                :3
            ]


def _clock(time: str) -> str:
    return datetime.fromisoformat(time).strftime("%Y-%m-%d %H:%M:%S")


def _about(event: FirstEvent) -> str:
    said = [*_boards(event.data.get("boards", []))]
    for name, value in event.data.items():
        if name in ("boards", "started", "ended"):
            continue
        match value:
            case list():
                if name == "calls" or value:
                    said.append(_many(len(value), name[:-1] if name.endswith("s") else name))
            case dict():
                said.append(f"{name} {_inner(value)}")
            case _:
                said.append(f"{name} {_short(value)}")
    if event.flags:
        said.append("FLAGS " + " ".join(event.flags))
    return ", ".join(said)


def _boards(boards: list[Mapping[str, Any]]) -> Iterator[str]:
    for board in boards[:3]:
        names = [f"{one['kind']} {one['value']} ({one['how']})" for one in board.get("identifiers", [])]
        if panel := board.get("panel"):
            names.append(f"of {panel['kind']} {panel['value']} ({panel['how']})")
        for key in ("position", "machine_position", "state"):
            if key in board:
                names.append(f"{key.replace('_', ' ')} {board[key]}")
        yield " ".join(names) or "a board nobody names"
    if len(boards) > 3:
        yield f"and {len(boards) - 3} boards more"


def _inner(value: Mapping[str, Any]) -> str:
    return " ".join(_short(inner) for inner in value.values() if not isinstance(inner, (dict, list)))


def _short(value: Any) -> str:
    return _cut(str(value), 40)


def _rejected(view: Preview, width: int) -> Iterator[str]:
    if not view.rejected:
        return
    yield from _section(f"Rejected: {view.rejected:,}")
    for item in view.rejections:
        yield from _rejection(item, width)
    more = view.rejected - len(view.rejections)
    if more > 0:
        codes = ", ".join(f"{code} {count:,}" for code, count in view.rejected_by.items())
        yield f"  and {more:,} more (--rejected N shows N); all by reason: {codes}"


def _rejection(item: Rejection, width: int) -> Iterator[str]:
    yield from _wrapped(f"{item.file}, {item.place or 'whole file'} [{item.code}]", width, "  ")
    yield from _wrapped(item.reason, width, "      ", "why    ")
    if item.right:
        yield from _wrapped(item.right, width, "      ", "right  ")
    lines = item.raw.splitlines() or [""]
    more = f"  (+{len(lines) - 1} lines)" if len(lines) > 1 else ""
    if lines[0] or more:
        yield _cut(f"      raw    {_visible(lines[0])}", width - len(more)) + more


def _doubts(view: Preview, width: int) -> Iterator[str]:
    if not (view.flags or view.unlisted or view.placeholders):
        return
    yield from _section("Doubtful")
    for flag, count in view.flags.items():
        meaning = f": {_FLAGS[flag]}" if flag in _FLAGS else ""
        yield from _wrapped(f"{_many(count, 'event')} flagged {flag}{meaning}", width, "  ")
    for word in view.unlisted[:_LISTED]:
        became = "became " + (word.became if word.became in ("unknown", "rejected") else "itself")
        yield from _wrapped(
            f"{word.word!r} is not in [tables.{word.table}] ({word.field}): {_many(word.records, 'record')}, {became};"
            f" first in {word.first}", width, "  ",
        )  # fmt: skip
    if len(view.unlisted) > _LISTED:
        yield f"  and {len(view.unlisted) - _LISTED} more such words (--json lists them)"
    for placeholder in view.placeholders[:_LISTED]:
        yield from _wrapped(
            f"placeholder {placeholder.text!r} in {placeholder.field}: {_many(placeholder.records, 'record')}", width,
            "  ",
        )  # fmt: skip


def _never(view: Preview, width: int) -> Iterator[str]:
    lists = (
        ("columns that no rule reads", [f"{c.kind}.{c.column}" + (f" ({c.example})" if c.example else "")
                                         for c in view.unused_columns]),
        ("fields that nothing uses", [f"{field.kind}.{field.field}" for field in view.unused_fields]),
        ("event rules that gave nothing", [
            f"number {rule.number}, {rule.type}" + (f" each {rule.each}" if rule.each else "")
            + (f" (line {rule.line})" if rule.line else "") for rule in view.silent_rules]),
        ("table words never met", [f"{word.table}.{word.word}" for word in view.unmet_words]),
    )  # fmt: skip
    if any(items for _, items in lists):
        yield from _section("Never used")
    for what, items in lists:
        if items:
            shown = ", ".join(items[:40]) + (f" and {len(items) - 40} more" if len(items) > 40 else "")
            yield from _wrapped(f"{what} ({len(items)}): {shown}", width, "  ")


def _verdict(view: Preview, width: int) -> Iterator[str]:
    misfits = sum(file.verdict is not None for file in view.files)
    events = sum(view.events.values())
    told = f"{_many(events, 'event')} from {_many(len(view.files), 'file')}"
    if view.rejected:
        told += f", {_many(view.rejected, 'record')} rejected"
    if misfits:
        told += f"; {_many(misfits, 'file')} without any event"
    yield from _wrapped(f"{told}. Nothing was written.", width, "")


def _section(title: str) -> Iterator[str]:
    yield ""
    yield title


def _wrapped(text: str, width: int, indent: str, mark: str = "") -> Iterator[str]:
    yield from textwrap.wrap(
        _visible(text), width, initial_indent=indent + mark, subsequent_indent=indent + (" " * len(mark) or "  "),
        break_on_hyphens=False,
    )  # fmt: skip


def _many(count: int, thing: str) -> str:
    return f"{count:,} {thing}{'' if count == 1 else 's'}"


def _visible(text: str) -> str:
    return "".join(
        sign if sign.isprintable() else "\\t" if sign == "\t" else f"\\x{ord(sign):02x}" for sign in text
    )


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 3] + "..."
