"""A mapping file, checked and compiled: what `load_mapping` gives and everything else uses."""

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import re2

from broker_bridge.adapters.logs.mapping.checks import Verify, checker
from broker_bridge.adapters.logs.mapping.computed import Derive, derivers
from broker_bridge.adapters.logs.mapping.derived import LookUpRule
from broker_bridge.adapters.logs.mapping.eventrule import Drafts, event_maker
from broker_bridge.adapters.logs.mapping.fields import FieldRule
from broker_bridge.adapters.logs.mapping.load import Source, parse
from broker_bridge.adapters.logs.mapping.lookup import Lookups
from broker_bridge.adapters.logs.mapping.model import MappingFile
from broker_bridge.adapters.logs.mapping.scope import FILE, Names
from broker_bridge.adapters.logs.mapping.times import compile_format, states_zone
from broker_bridge.adapters.logs.mapping.values import FieldError, Values, row_reader
from broker_bridge.adapters.logs.protocol.json_text import ENCLOSING
from broker_bridge.adapters.logs.protocol.record import NativeRecord

PERSONS = ("operator", "who")
"""The keys of an event's data that name persons."""

_BUILT_IN = {
    "name": FieldRule(column="name"),
    "modified": FieldRule(column="modified", type="time", format="iso", means="saved", zone="UTC"),
}


@dataclass(frozen=True)
class Compiled:
    """A usable mapping."""

    file: MappingFile
    hash: str
    """SHA-256 of the mapping's content; comments and the order of keys do not count."""
    readers: Mapping[str, Callable[[NativeRecord], Values]]
    """Typed values of a record, by kind."""
    derivers: Mapping[str, Derive]
    """What adds the derived values to a record, by kind."""
    lookups: Lookups
    """The companion files."""
    looking: frozenset[str]
    """Kinds of record whose events depend on companion files."""
    makers: tuple[Drafts, ...]
    """Makers of events a group, or a row without groups, in the order of the file."""
    checks: tuple[Verify, ...]
    """What every group must fulfil."""
    by_kind: Mapping[str, tuple[Drafts, ...]]
    """Makers by the kind of record they speak of, where records stand for themselves."""
    links: frozenset[tuple[str, tuple[str, ...], str]]
    """Records of the first kind belong to records of the last kind by equal fields."""
    uses_of_file: frozenset[str]
    """What of the file's name and time the events depend on: it is part of the generation."""
    read_name: Callable[[str], Values]
    """Values from a file's name. Raises FieldError when the name is not as the mapping states."""

    @property
    def persons(self) -> frozenset[str]:
        """Names of fields, and their columns, from which events name persons; empty where none does."""
        told = [str(rule.data[key]) for rule in self.file.event for key in PERSONS if key in rule.data]
        fields = {text.removeprefix("$").rpartition(".")[2] for text in told}
        columns = {
            column
            for rules in self.file.fields.values()
            for name, rule in rules.items()
            for column in (rule.column, *rule.columns)
            if name in fields and column
        }
        return frozenset((*PERSONS, *fields, *columns)) if told else frozenset()

    @property
    def revision(self) -> int:
        """The declared revision."""
        return self.file.revision


def compile_mapping(text: str, name: str) -> Compiled:
    """Read, check and compile a mapping file. Raises ConfigError naming file, line, key and value."""
    mapping, source = parse(text, name)
    columns = mapping.reader.kinds()
    read_name, captures = _name_reader(mapping, source)
    columns[FILE] = captures
    fields: dict[str, dict[str, FieldRule]] = {kind: {} for kind in columns}
    for kind, rules in mapping.fields.items():
        if kind not in fields:
            known = ", ".join(sorted(columns.keys() - {FILE}))
            raise source.error(("fields", kind), f"the reader has no record kind {kind!r}; it has {known}")
        for field, rule in rules.items():
            nested = mapping.reader.NESTED and kind != FILE
            _check_field(source, mapping, kind, field, rule, columns[kind], ("fields", kind, field), nested)
        fields[kind] = dict(rules)
    fields[FILE] = {
        **_BUILT_IN,
        **{name: FieldRule() for name in captures - fields[FILE].keys()},
        **fields[FILE],
    }
    lookups = _lookups(mapping, source)
    names = _names(mapping, source, fields)
    derive, with_derived = derivers(mapping, source, names, lookups)
    names = replace(names, fields=with_derived)
    makers = tuple(
        event_maker(number, rule, mapping, source, names) for number, rule in enumerate(mapping.event)
    )
    checks = tuple(checker(number, rule, source, names) for number, rule in enumerate(mapping.check))
    by_kind: dict[str, tuple[Drafts, ...]] = {}
    for event, maker in zip(mapping.event, makers, strict=True):
        if event.each is not None:
            by_kind[event.each] = (*by_kind.get(event.each, ()), maker)
    return Compiled(
        mapping,
        source.hash,
        {
            kind: row_reader(rules, mapping, nested=mapping.reader.NESTED)
            for kind, rules in fields.items()
            if kind != FILE
        },
        derive,
        lookups,
        _looking(mapping),
        makers,
        checks,
        by_kind,
        frozenset(names.links),
        frozenset(names.used_of_file),
        read_name,
    )


def _names(mapping: MappingFile, source: Source, fields: dict[str, dict[str, FieldRule]]) -> Names:
    group = mapping.group
    for index, kind in enumerate(group.holds):
        if kind not in fields:
            raise source.error(("group", "holds", index), f"there is no record kind {kind!r}")
    if group.begins is not None and group.begins not in fields:
        raise source.error(("group", "begins"), f"there is no record kind {group.begins!r}")
    keyed = [
        kind
        for kind, rules in fields.items()
        if kind not in (FILE, *group.holds) and set(group.by) <= rules.keys()
    ]
    if group.by and not keyed:
        holding = f"; {', '.join(group.holds)} holds for others and is not grouped" if group.holds else ""
        raise source.error(
            ("group", "by"), f"no record kind has all of the fields {', '.join(group.by)}{holding}"
        )
    return Names(
        fields,
        keys=group.by,
        key_kind=keyed[0] if group.by else None,
        holds=group.holds,
        single=group.per == "row",
    )


def _looking(mapping: MappingFile) -> frozenset[str]:
    found = {
        kind
        for kind, rules in mapping.derived.items()
        if any(isinstance(rule, LookUpRule) for rule in rules.values())
    }
    group = mapping.group
    # What holds for others, or is grouped with them, is a part of their events.
    alone = group.per == "row" and not found & set(group.holds)
    return frozenset(found if alone or not found else mapping.reader.kinds())


def _lookups(mapping: MappingFile, source: Source) -> Lookups:
    for name, one in mapping.companion.items():
        where = ("companion", name, "fields")
        columns = one.reader.kinds()[one.kind]
        for field, rule in one.fields.items():
            _check_field(source, mapping, one.kind, field, rule, columns, (*where, field), one.reader.NESTED)
    return Lookups(mapping)


def _check_field(
    source: Source,
    mapping: MappingFile,
    kind: str,
    field: str,
    rule: FieldRule,
    columns: frozenset[str],
    where: tuple[str, ...],
    nested: bool,
) -> None:
    for column in rule.columns or (rule.column or field,):
        first = column.split(".")[0] if nested else column
        known = not columns or first in columns or (nested and first == ENCLOSING)
        if not known and not (kind == FILE and column == "name"):
            near = difflib.get_close_matches(column, columns, n=1)
            hint = f"is {near[0]!r} meant?" if near else f"it has {', '.join(sorted(columns))}"
            raise source.error((*where, "column"), f"kind {kind} has no column {column!r}; {hint}")
    if rule.table is not None and rule.table not in mapping.tables:
        tables = ", ".join(mapping.tables) or "none"
        raise source.error((*where, "table"), f"there is no table {rule.table!r}; there are: {tables}")
    if rule.format is None or rule.type not in ("time", "date", "clock"):
        return
    try:
        compile_format(rule.format, rule.type)
    except ValueError as error:
        raise source.error((*where, "format"), str(error)) from None
    if rule.type == "time" and rule.zone is None and mapping.zone is None and not states_zone(rule.format):
        raise source.error(
            where,
            'states no zone; give `zone` here or for the whole mapping (zone_basis = "assumed" if unproven)',
        )


def _name_reader(mapping: MappingFile, source: Source) -> tuple[Callable[[str], Values], frozenset[str]]:
    if mapping.file is None:
        return _named_only, frozenset()
    pattern = re2.compile(mapping.file.pattern)
    captures = frozenset(pattern.groupindex)
    if not captures or captures & _BUILT_IN.keys():
        raise source.error(
            ("file", "pattern"),
            "needs named groups such as (?P<panel>...), and none of them called name or modified",
        )
    rules = mapping.fields.get(FILE, {})
    counts = mapping.file.sequence
    if counts is not None and (counts not in rules or rules[counts].type != "integer"):
        raise source.error(
            ("file", "sequence"), f'{counts!r} has to be a field of [fields.file] with type = "integer"'
        )
    wanted = {name: FieldRule() for name in captures - rules.keys()} | dict(rules)
    read = row_reader(wanted, mapping, nested=False)

    def read_name(name: str) -> Values:
        found = pattern.fullmatch(name)
        if found is None:
            raise FieldError(
                f"the file name {name!r} does not match {mapping.file and mapping.file.pattern!r}", "file name", name,
                "file_name",
            )  # fmt: skip
        captured = {key: text for key, text in found.groupdict().items() if text is not None}
        values = read(NativeRecord(FILE, 0, 0, 1, b"", {"name": name, **captured}))
        values["name"] = name
        return values

    return read_name, captures


def _named_only(name: str) -> Values:
    return {"name": name}
