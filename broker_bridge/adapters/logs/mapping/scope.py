"""What a rule can see when an event is made: the record it is about, those around it, the file's name.

`$field` is looked for in the record the event (or list item) is about, then in the records around it, then in the
group's keys, then in the kinds that hold, then in the file. `$kind.field` says which; in an event about a group it
is what all records of that kind agree on.
"""

import difflib
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Final

from broker_bridge.adapters.logs.mapping.model import Selection
from broker_bridge.adapters.logs.mapping.values import FieldError, Typed, Values
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused

FILE: Final = "file"
ITEM: Final = "item"
"""The item of a list field, inside the rule that goes through it."""


class Row:
    """A record with its typed values and with the records that hold where it stands."""

    __slots__ = ("held", "last", "record", "values")

    def __init__(self, record: NativeRecord, values: Values, held: "Held") -> None:
        self.record = record
        self.values = values
        self.held = held
        self.last: dict[tuple[str, str], datetime] | None = None
        """The latest local time computed from this record's day, by kind and field."""


Held = dict[str, "Row | Refused | FieldError"]
"""The last record of every kind that holds; a refused one where it could not be read."""


class Group:
    """Records that belong together."""

    __slots__ = ("bad", "changed", "companions", "file", "held", "index", "keys", "last", "lost", "rows")

    def __init__(self, file: Values, held: Held, keys: Values, companions: Any = None) -> None:
        self.file = file
        self.companions = companions
        """The companion files (lookup.Companions), where the mapping states some."""
        self.held = held
        self.keys = keys
        self.last: dict[tuple[str, str], datetime] | None = None
        """The latest local time computed from the day in the file's name, by kind and field."""
        self.rows: dict[str, list[Row]] = {}
        self.changed: set[str] = set()
        """Kinds of which several records held inside this group."""
        self.index: dict[tuple[str, tuple[str, ...]], dict[tuple[Typed | None, ...], list[Row]]] = {}
        self.bad: list[Refused | FieldError] = []
        """Records that cannot be used and may belong here."""
        self.lost = False
        """One of them may tell which board all others are about."""


class Scope:
    """The group, the record in question and the records around it."""

    __slots__ = ("flags", "group", "outer", "row")

    def __init__(self, group: Group, row: Row | None, outer: "Scope | None", flags: set[str]) -> None:
        self.group = group
        self.row = row
        self.outer = outer
        self.flags = flags


Getter = Callable[[Scope], Typed | None]
Select = Callable[[Scope], Sequence[Row]]


@dataclass(frozen=True)
class Names:
    """The names in sight at one place of a mapping file. `kinds`: of the records around, the nearest first."""

    fields: dict[str, dict[str, Any]]
    """Field rules a kind, `file` included."""
    kinds: tuple[str, ...] = ()
    keys: tuple[str, ...] = ()
    key_kind: str | None = None
    holds: tuple[str, ...] = ()
    single: bool = False
    """Records stand for themselves: there is no group to select from."""
    used_of_file: set[str] = field(default_factory=set)
    """Collected while rules are compiled: what of the file's name and time the events depend on."""
    links: set[tuple[str, tuple[str, ...], str]] = field(default_factory=set)
    """Collected as well: records of the first kind belong to records of the last one by equal fields."""

    def inside(self, kind: str) -> "Names":
        """The names in sight inside a list over records of this kind."""
        return replace(self, kinds=(kind, *self.kinds))

    def items(self, rule: Any) -> "Names":
        """The names in sight inside a rule that goes through the items of a list field."""
        single = rule.model_copy(update={"list": None, "span": None})
        return replace(self, fields={**self.fields, ITEM: {ITEM: single}}, kinds=(ITEM, *self.kinds))

    def find(self, reference: str, *, lists: bool = False) -> tuple[Getter, Any]:
        """The getter and the rule of `$field` or `$kind.field`. Raises ValueError saying what is in sight.

        `lists`: a field that is a list is wanted; else it is one value.
        """
        get, rule = self._find(reference)
        if rule.list is not None and not lists:
            raise ValueError(
                f"{reference} is a list and one value is wanted here; go through it with"
                f' {{ items = "{reference}", item = "$item" }} where the schema has a list'
            )
        if rule.list is None and lists:
            raise ValueError(f'{reference} is one value and a list is wanted here; write [ "{reference}" ]')
        return get, rule

    def _find(self, reference: str) -> tuple[Getter, Any]:
        name = reference[1:]
        kind, dot, rest = name.partition(".")
        if dot:
            name = rest
            return self._find_in(kind, name, reference)
        for depth, near in enumerate(self.kinds):
            if name in self.fields[near]:
                return _row_getter(depth, name), self.fields[near][name]
        if name in self.keys and self.key_kind is not None:
            return (lambda scope: scope.group.keys.get(name)), self.fields[self.key_kind][name]
        for held in self.holds:
            if name in self.fields[held]:
                return HeldField(held, name), self.fields[held][name]
        if name in self.fields[FILE]:
            self.used_of_file.add(name)
            return (lambda scope: scope.group.file.get(name)), self.fields[FILE][name]
        raise ValueError(f"{reference} names no field in sight{self._hint(name)}")

    def _find_in(self, kind: str, name: str, reference: str) -> tuple[Getter, Any]:
        if kind not in self.fields or name not in self.fields[kind]:
            raise ValueError(f"{reference} names no field{self._hint(name)}")
        rule = self.fields[kind][name]
        if kind in self.kinds:
            return _row_getter(self.kinds.index(kind), name), rule
        if kind in self.holds:
            return HeldField(kind, name), rule
        if kind == FILE:
            self.used_of_file.add(name)
            return (lambda scope: scope.group.file.get(name)), rule
        if not self.kinds and not self.single:
            return _common_getter(kind, name), rule
        raise ValueError(
            f"{reference}: which record of kind {kind!r} is meant? Use it inside `each = {kind!r}`, or list the kind"
            " in [group] holds where it holds for what follows"
        )

    def _hint(self, name: str) -> str:
        kinds = dict.fromkeys((*self.kinds, *self.holds, FILE))
        if not self.kinds and not self.single:
            kinds |= dict.fromkeys(self.fields)  # $kind.field: what all records of the group agree on
        seen = {
            known: f"${known}" if kind in self.kinds else f"${kind}.{known}"
            for kind in reversed(kinds)
            for known in self.fields[kind]
        }
        near = difflib.get_close_matches(name, seen, n=1)
        return (
            f"; is {seen[near[0]]} meant?" if near else f"; known here are {', '.join(sorted(seen.values()))}"
        )

    def field(self, kind: str, name: str) -> Any:
        """The rule of one kind's field. Raises ValueError when there is none."""
        if name not in self.fields.get(kind, {}):
            near = difflib.get_close_matches(name, self.fields.get(kind, {}), n=1)
            hint = f"; is {near[0]!r} meant?" if near else ""
            raise ValueError(f"kind {kind!r} has no field {name!r}{hint}")
        return self.fields[kind][name]


class RowField:
    """The getter of a field of the very record in question: the usual case, which builders take a short way for."""

    __slots__ = ("name",)

    def __init__(self, name: str) -> None:
        self.name = name

    def __call__(self, scope: Scope) -> Typed | None:
        return scope.row.values.get(self.name)  # type: ignore[union-attr] # there by construction


def _row_getter(depth: int, name: str) -> Getter:
    if depth == 0:
        return RowField(name)

    def get(scope: Scope) -> Typed | None:
        for _ in range(depth):
            scope = scope.outer  # type: ignore[assignment]
        return scope.row.values.get(name)  # type: ignore[union-attr]

    return get


class HeldField:
    """The getter of a field of a kind that holds: equal for all rows below one such record."""

    __slots__ = ("kind", "name")

    def __init__(self, kind: str, name: str) -> None:
        self.kind = kind
        self.name = name

    def __call__(self, scope: Scope) -> Typed | None:
        kind, row = self.kind, scope.row
        if row is None and kind in scope.group.changed:
            raise FieldError(
                f"several records of kind {kind} hold inside one group; which one is meant cannot be known",
                f"record kind {kind}", None, "ambiguous_header",
            )  # fmt: skip
        held = (scope.group.held if row is None else row.held).get(kind)
        if isinstance(held, Row):
            return held.values.get(self.name)
        if held is None:
            return None
        reason = held.reason if isinstance(held, Refused) else str(held)
        raise FieldError(
            f"the record of kind {kind} that holds here cannot be used: {reason}", held.place, None, "header"
        )


def _common_getter(kind: str, name: str) -> Getter:
    """What all records of one kind in the group agree on."""

    def get(scope: Scope) -> Typed | None:
        found = {row.values.get(name) for row in scope.group.rows.get(kind, ())}
        if len(found) > 1:
            raise FieldError(
                f"{name} is not the same in all records of kind {kind} of this group; which one is meant cannot be known",
                f"record kind {kind}", None, "ambiguous",
            )  # fmt: skip
        return found.pop() if found else None

    return get


def row_filter(rule: Selection | Any, names: Names, kind: str | None) -> Callable[[Scope], bool] | None:
    """The `when`, `unless` and `present` of a rule as one test; None where it has none of them."""
    tests: list[Callable[[Scope], bool]] = []

    def getter(name: str) -> Getter:
        return names.find(f"${kind}.{name}" if kind and name in names.fields[kind] else f"${name}")[0]

    for name, wanted in rule.when.items():
        tests.append(_one_of(getter(name), frozenset(wanted), True))
    for name, unwanted in rule.unless.items():
        tests.append(_one_of(getter(name), frozenset(unwanted), False))
    for name in rule.present:
        tests.append(_there(getter(name)))
    if not tests:
        return None
    if len(tests) == 1:
        return tests[0]
    return lambda scope: all(test(scope) for test in tests)


def _one_of(get: Getter, values: frozenset[Any], wanted: bool) -> Callable[[Scope], bool]:
    return lambda scope: (get(scope) in values) is wanted


def _there(get: Getter) -> Callable[[Scope], bool]:
    return lambda scope: get(scope) is not None


def selection(rule: Selection, kind: str, names: Names) -> Select:
    """A function from a scope to the records of `kind` that a rule speaks of, in the order of the content."""
    if names.single:
        raise ValueError(
            f"records of kind {kind!r} can be collected only in groups: state [group] per = file, block or key"
        )
    for name in rule.same:
        names.field(kind, name)
    same = tuple(rule.same)
    getters = [names.find(f"${name}")[0] for name in same]
    if same and names.kinds and all(name in names.fields[names.kinds[0]] for name in same):
        names.links.add((kind, same, names.kinds[0]))
    test = row_filter(rule, names.inside(kind), kind)
    own, wanted = _own_filter(rule, kind, names)
    inside = rule.inside

    def select(scope: Scope) -> Sequence[Row]:
        group = scope.group
        rows: Sequence[Row] = group.rows.get(kind, ())
        if same:
            key = tuple([get(scope) for get in getters])
            rows = () if None in key else indexed(group, kind, same).get(key, ())
        if inside and scope.row is not None:
            rows = _enclosed(rows, scope.row)
        if own is not None:
            rows = [row for row in rows if row.values.get(own) in wanted]
        elif test is not None:
            rows = [row for row in rows if test(Scope(group, row, scope, scope.flags))]
        return rows

    return select


def _enclosed(rows: Sequence[Row], around: Row) -> Sequence[Row]:
    """The records that lie inside another one; they are in the order of the content."""
    begin, end = around.record.position, around.record.end
    first = bisect_left(rows, begin, key=_position)
    behind = bisect_left(rows, end, lo=first, key=_position)
    return [row for row in rows[first:behind] if row.record.end <= end and row is not around]


def _position(row: Row) -> int:
    return row.record.position


def _own_filter(rule: Selection, kind: str, names: Names) -> tuple[str | None, frozenset[Any]]:
    """The same test where it asks for one field of the record itself: the usual case, thousands of times a group."""
    if len(rule.when) != 1 or rule.unless or rule.present:
        return None, frozenset()
    ((name, wanted),) = rule.when.items()
    if name not in names.fields[kind]:
        return None, frozenset()
    return name, frozenset(wanted)


def indexed(group: Group, kind: str, same: tuple[str, ...]) -> dict[tuple[Typed | None, ...], list[Row]]:
    """The group's records of one kind by the values of these fields; made once a group."""
    index = group.index.get((kind, same))
    if index is None:
        index = group.index[(kind, same)] = defaultdict(list)
        for row in group.rows.get(kind, ()):
            values = row.values
            index[tuple([values.get(name) for name in same])].append(row)
        index.default_factory = None
    return index
