"""What a change of a schema breaks.

Two promises: this program reads every event that was valid before (nothing may become stricter), and whoever
built on the old schema still finds what he knew (nothing may go away or change its type). New optional fields,
new types and new values of a closed list break neither: an old reader ignores the first and quarantines the
others until it is upgraded (schemas/CHANGES.md).
"""

from collections.abc import Iterator
from typing import Any, Final

Schema = dict[str, Any]

_FIXED: Final = ("type", "const", "format", "default", "$ref", "$id")
_FLOORS: Final = ("minimum", "exclusiveMinimum", "minLength", "minItems")
_CEILINGS: Final = ("maximum", "exclusiveMaximum", "maxLength", "maxItems")
_CHOICES: Final = ("allOf", "anyOf", "oneOf")


def incompatibilities(old: Schema, new: Schema) -> list[str]:
    """What the step from one schema to another breaks, a sentence each; empty when it breaks nothing."""
    return list(_Comparison(old, new).findings())


class _Comparison:
    def __init__(self, old: Schema, new: Schema) -> None:
        self._old = old
        self._new = new
        self._seen: set[tuple[str, str]] = set()

    def findings(self) -> Iterator[str]:
        if (self._old.get("x-status"), self._new.get("x-status")) == ("final", "draft"):
            yield "a final schema became a draft"
        yield from self._compare(self._old, self._new, "")

    def _compare(self, old: Schema, new: Schema, place: str) -> Iterator[str]:
        references = (old.get("$ref", ""), new.get("$ref", ""))
        if any(reference.startswith("#/") for reference in references):
            if references in self._seen:
                return
            self._seen.add(references)
            old, new = _resolved(old, self._old), _resolved(new, self._new)
        where = place or "the whole"
        yield from _scalars(old, new, where)
        for name, field in old.get("properties", {}).items():
            inside = f"{place}.{name}" if place else name
            if name not in new.get("properties", {}):
                yield f"{inside}: the field is gone"
            else:
                yield from self._compare(field, new["properties"][name], inside)
        was, is_now = set(old.get("required", ())), set(new.get("required", ()))
        yield from (f"{where}: {name} was optional and is required" for name in sorted(is_now - was))
        yield from (f"{where}: {name} was required and may be absent" for name in sorted(was - is_now))
        if "items" in old:
            yield from self._compare(old["items"], new.get("items", {}), f"{place}[]")
        members = zip(old.get("prefixItems", ()), new.get("prefixItems", ()), strict=False)
        for number, (before, after) in enumerate(members):
            yield from self._compare(before, after, f"{place}[{number}]")
        if len(new.get("prefixItems", ())) != len(old.get("prefixItems", ())):
            yield f"{where}: another number of members"


def _scalars(old: Schema, new: Schema, where: str) -> Iterator[str]:
    for key in _FIXED:
        if old.get(key) != new.get(key):
            yield f"{where}: {key} was {old.get(key)!r} and is {new.get(key)!r}"
    if new.get("pattern") not in (None, old.get("pattern")):
        yield f"{where}: pattern was {old.get('pattern')!r} and is {new['pattern']!r}"
    for key in _FLOORS:
        if key in new and new[key] > old.get(key, float("-inf")):
            yield f"{where}: {key} was {old.get(key)!r} and is {new[key]!r}"
    for key in _CEILINGS:
        if key in new and new[key] < old.get(key, float("inf")):
            yield f"{where}: {key} was {old.get(key)!r} and is {new[key]!r}"
    if "enum" in new:
        lost = [value for value in old.get("enum", ()) if value not in new["enum"]]
        if "enum" not in old:
            yield f"{where}: any value was allowed, now only {new['enum']!r}"
        elif lost:
            yield f"{where}: values {lost!r} are gone"
    for key in _CHOICES:
        for choice in old.get(key, ()):
            if choice not in new.get(key, ()):
                yield f"{where}: a choice of {key} is gone or changed: {str(choice)[:80]}"


def _resolved(schema: Schema, root: Schema) -> Schema:
    reference = schema.get("$ref", "")
    if not reference.startswith("#/"):
        return schema
    target: Any = root
    for step in reference[2:].split("/"):
        target = target[step]
    return {**target, **{key: value for key, value in schema.items() if key != "$ref"}}
