"""`[derived]` rules -> functions that add their values to a record. Pure; made once for a mapping."""

from collections.abc import Callable, Mapping
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any, Final

from broker_bridge.adapters.logs.mapping.derived import ClockRule, DurationRule, LookUpRule, ShiftRule
from broker_bridge.adapters.logs.mapping.fields import FieldRule
from broker_bridge.adapters.logs.mapping.load import Source
from broker_bridge.adapters.logs.mapping.lookup import Lookups
from broker_bridge.adapters.logs.mapping.model import MappingFile
from broker_bridge.adapters.logs.mapping.scope import FILE, Getter, Group, Names, Row, Scope
from broker_bridge.adapters.logs.mapping.times import TimeValue
from broker_bridge.adapters.logs.mapping.values import FieldError, Typed
from broker_bridge.adapters.logs.mapping.zones import instant_of, zone_of

Compute = Callable[[Scope], Typed | None]
Derive = Callable[[Group, Row], None]
"""Adds what is derived to the row's values. Raises FieldError when it cannot be."""

MICROSECONDS: Final[Mapping[str, int]] = {
    "us": 1, "ms": 1000, "s": 10**6, "min": 60 * 10**6, "h": 3600 * 10**6, "d": 86400 * 10**6,
}  # fmt: skip
_OUT_OF_ORDER: Final = timedelta(hours=1)
_DAY: Final = timedelta(days=1)


def derivers(
    mapping: MappingFile, source: Source, names: Names, lookups: Lookups
) -> tuple[dict[str, Derive], dict[str, dict[str, FieldRule]]]:
    """The functions by kind of record, and all fields with the derived ones among them.

    Raises ConfigError naming the mapping's line when a rule names what is not there.
    """
    fields = {kind: dict(rules) for kind, rules in names.fields.items()}
    made: dict[str, Derive] = {}
    # Kinds that hold first: their derived fields are in sight of the others.
    for kind in sorted(mapping.derived, key=lambda kind: kind not in names.holds):
        where = ("derived", kind)
        if kind not in fields or kind == "file":
            raise source.error(where, f"there is no record kind {kind!r}")
        steps: list[tuple[str, Compute]] = []
        for name, rule in mapping.derived[kind].items():
            if name in fields[kind]:
                raise source.error((*where, name), f"kind {kind} has a field {name!r} already")
            seen = Names(fields, (kind,), holds=names.holds, single=True, used_of_file=names.used_of_file)
            try:
                compute, field = _computed(rule, kind, name, mapping, seen, lookups)
            except ValueError as error:
                raise source.error((*where, name), str(error)) from None
            fields[kind][name] = field
            steps.append((name, compute))
        made[kind] = _derive(steps)
    return made, fields


def _derive(steps: list[tuple[str, Compute]]) -> Derive:
    def derive(group: Group, row: Row) -> None:
        scope = Scope(group, row, None, set())
        for name, compute in steps:
            value = compute(scope)
            if value is not None:
                row.values[name] = value
        if scope.flags:
            row.record.flags = (*row.record.flags, *sorted(scope.flags))

    return derive


def _computed(
    rule: Any, kind: str, name: str, mapping: MappingFile, names: Names, lookups: Lookups
) -> tuple[Compute, FieldRule]:
    if isinstance(rule, ShiftRule):
        return _shift(rule, names), FieldRule(type="time", format="iso", means=rule.means)
    if isinstance(rule, DurationRule):
        return _duration(rule, names), FieldRule(type="number", unit=rule.unit)
    if isinstance(rule, LookUpRule):
        return lookups.compute(rule, names)
    assert isinstance(rule, ClockRule)
    return _clock(rule, kind, name, mapping, names), FieldRule(type="time", format="iso", means=rule.means)


def _field(reference: str, names: Names, *types: str) -> tuple[Getter, FieldRule]:
    if not reference.startswith("$"):
        raise ValueError(f"{reference!r} is no field; a field is written $name")
    get, field = names.find(reference)
    if field.type not in types:
        raise ValueError(f"{reference} is declared as {field.type}, but {' or '.join(types)} is wanted here")
    return get, field


def _shift(rule: ShiftRule, names: Names) -> Compute:
    if (rule.plus is None) == (rule.minus is None):
        raise ValueError('state `plus` or `minus`, for instance { time = "$started", plus = "$cycle" }')
    get, _ = _field(rule.time, names, "time")
    reference = rule.plus or rule.minus or ""
    amount, field = _field(reference, names, "integer", "number")
    unit, sign = field.unit, "+" if rule.plus else "-"
    if unit is None or unit not in MICROSECONDS:
        raise ValueError(f"{reference} is no while: its field has to state unit = {', '.join(MICROSECONDS)}")
    factor = MICROSECONDS[unit] * (1 if rule.plus else -1)
    means = rule.means

    def compute(scope: Scope) -> Typed | None:
        begun, lasted = get(scope), amount(scope)
        if not isinstance(begun, TimeValue) or not isinstance(lasted, (int, float)):
            return None
        if lasted < 0:
            raise _error(scope, f"{reference} is below nothing: {lasted} {unit}", str(lasted), "range")
        try:
            utc = begun.utc + timedelta(microseconds=int(Decimal(repr(lasted)) * factor))
        except OverflowError:
            raise _error(
                scope, f"{reference} leads out of all years: {lasted} {unit}", str(lasted), "range"
            ) from None
        text = f"{begun.text} {sign} {lasted} {unit}"
        return begun._replace(utc=utc, text=text, means=means, flags=(*begun.flags, "computed_time"))

    return compute


def _duration(rule: DurationRule, names: Names) -> Compute:
    since, _ = _field(rule.since, names, "time")
    until, _ = _field(rule.until, names, "time")
    factor = MICROSECONDS[rule.unit]

    def compute(scope: Scope) -> Typed | None:
        begun, ended = since(scope), until(scope)
        if not isinstance(begun, TimeValue) or not isinstance(ended, TimeValue):
            return None
        lasted = (ended.utc - begun.utc) // timedelta(microseconds=1)
        if lasted < 0:
            raise _error(
                scope,
                f"{rule.until} ({ended.text}) is before {rule.since} ({begun.text})",
                ended.text,
                "range",
            )
        scope.flags.update(begun.flags, ended.flags)
        return lasted / factor

    return compute


def _clock(rule: ClockRule, kind: str, name: str, mapping: MappingFile, names: Names) -> Compute:
    get_day, day_field = _field(rule.day, names, "date", "time")
    get_clock, _ = _field(rule.clock, names, "clock")
    holder = _holder(rule.day, kind, names)
    zone = rule.zone or (day_field.zone if day_field.type == "time" else None) or mapping.zone
    if zone is None and day_field.type == "date":
        raise ValueError("states no zone; give `zone` here or for the whole mapping")
    basis = "configured" if rule.zone else mapping.zone_basis
    key = (kind, name)

    def compute(scope: Scope) -> Typed | None:
        day, clock = get_day(scope), get_clock(scope)
        if day is None or not isinstance(clock, time):
            return None
        keeper = _keeper(scope, holder)
        latest = keeper.last.get(key) if keeper is not None and keeper.last is not None else None
        zone_used, basis_used = zone, basis
        if isinstance(day, TimeValue):
            if rule.zone is None:
                zone_used, basis_used = day.zone, day.basis  # type: ignore[assignment] # stated: it holds
            local = day.utc.astimezone(zone_of(zone_used or "UTC")).replace(tzinfo=None)
            latest, first_day = latest or local, local.date()
        else:
            assert isinstance(day, date)
            first_day = day
        try:
            moment = _nearest(first_day, latest, clock)
            instant = instant_of(moment, zone_of(zone_used or "UTC"))
        except OverflowError:
            raise _error(scope, "lies outside the years 1 to 9999", str(day), "time") from None
        if keeper is not None:
            keeper.last = {**(keeper.last or {}), key: max(latest or moment, moment)}
        flags = instant.flags if moment.date() == first_day else (*instant.flags, "counted_day")
        return TimeValue(
            instant.utc, f"{first_day} {clock}", rule.means, zone_used or "UTC", basis_used, flags
        )

    return compute


def _holder(reference: str, kind: str, names: Names) -> str | None:
    """The kind that holds, or the file, which gives this field; None where it is the record's own."""
    first, dot, _ = reference[1:].partition(".")
    if dot:
        return first if first != kind else None
    if first in names.fields[kind]:
        return None
    return next((held for held in names.holds if first in names.fields[held]), FILE)


def _keeper(scope: Scope, holder: str | None) -> Row | Group | None:
    """What keeps the latest time: the record that states the day, or the document where the file's name does."""
    if holder == FILE:
        return scope.group
    row = scope.row if holder is None or scope.row is None else scope.row.held.get(holder)
    return row if isinstance(row, Row) else None


def _nearest(first_day: date, latest: datetime | None, clock: time) -> datetime:
    if latest is None:
        return datetime.combine(first_day, clock)
    moment = datetime.combine(latest.date(), clock)
    if moment < latest - _OUT_OF_ORDER:
        return moment + _DAY
    return moment - _DAY if moment >= latest + _DAY - _OUT_OF_ORDER else moment


def _error(scope: Scope, reason: str, value: str, code: str) -> FieldError:
    place = f"line {scope.row.record.line}" if scope.row is not None else ""
    return FieldError(reason, place, value, code)
