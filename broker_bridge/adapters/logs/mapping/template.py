"""The `data` of an event rule -> a function that builds the event's data. Checked against the schema when made.

The tree has the shape of the event's schema. Its leaves are constants, `$field`, or a rule; a text that begins with
$$ is a constant that begins with $. What is absent is left out; an object whose fields are all absent is left out;
an identifier that is a placeholder is absent, and the event is flagged.
"""

import types
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from typing import Annotated, Any, Final, Union, get_args, get_origin

import orjson
from pydantic import BaseModel, TypeAdapter, ValidationError

from broker_bridge.adapters.logs.mapping.counts import chooser, counter
from broker_bridge.adapters.logs.mapping.load import Source, Step
from broker_bridge.adapters.logs.mapping.model import (
    CasesRule,
    CountRule,
    FirstRule,
    ItemsRule,
    JoinRule,
    ListRule,
    MappingFile,
)
from broker_bridge.adapters.logs.mapping.scope import ITEM, Getter, Names, Row, RowField, Scope, selection
from broker_bridge.adapters.logs.mapping.times import TimeValue
from broker_bridge.events.base import Board, Identifier, Part
from broker_bridge.events.base import Program as MachineProgram

Build = Callable[[Scope], Any]

_RULES: Final[Mapping[str, type[BaseModel]]] = {
    "each": ListRule,
    "items": ItemsRule,
    "cases": CasesRule,
    "count": CountRule,
    "first": FirstRule,
    "join": JoinRule,
}
_NOTHING_WITHOUT: Final[Mapping[type[BaseModel], str]] = {
    Identifier: "value",
    Part: "number",
    MachineProgram: "name",
}
"""Objects that say nothing without this one field."""


class Templates:
    """Compiles the data trees of one mapping file. Every method may raise ConfigError naming the line."""

    def __init__(self, mapping: MappingFile, source: Source) -> None:
        self._source = source
        self._placeholders = frozenset(word.casefold() for word in mapping.placeholders)
        self._mapping = mapping

    def object(
        self, tree: Any, model: type[BaseModel], names: Names, where: tuple[Step, ...], required: bool = False
    ) -> Build:
        """The builder of an object of this model; gives None where it would say nothing and is not required."""
        if not isinstance(tree, dict):
            raise self._source.error(
                where, f"has to be a table with fields of {model.__name__}, not {tree!r}"
            )
        constants: dict[str, Any] = {}
        builders: list[tuple[str, Build]] = []
        for key, value in tree.items():
            here = (*where, key)
            if key not in model.model_fields or key == "origin":
                allowed = ", ".join(name for name in model.model_fields if name != "origin")
                raise self._source.error(here, f"{model.__name__} has no field {key!r}; it has {allowed}")
            needed = model.model_fields[key].is_required()
            built = self._value(value, _annotation(model, key), names, here, needed)
            if isinstance(built, _Constant):
                constants[key] = built.value
            else:
                builders.append((key, built))
        self._check_required(model, tree, where)
        if model is Identifier:
            builders = [
                (key, self._identifier(build) if key == "value" else build) for key, build in builders
            ]
        vital = _NOTHING_WITHOUT.get(model)
        if vital is not None and vital not in dict(builders):
            vital = None
        # A board that was met stays, known by a name or not.
        return _object_builder(constants, builders, vital, always=required or model is Board)

    def _check_required(
        self, model: type[BaseModel], tree: Mapping[str, Any], where: tuple[Step, ...]
    ) -> None:
        for name, field in model.model_fields.items():
            if (
                field.is_required()
                and name not in tree
                and name not in ("origin", "pads", "columns", "block")
            ):
                raise self._source.error((*where, name), f"missing; {model.__name__} needs it")

    def _value(
        self, value: Any, annotation: Any, names: Names, where: tuple[Step, ...], required: bool = False
    ) -> "Build | _Constant":
        inner = _item_of(annotation)
        if isinstance(value, dict) and (kind := _rule_of(value)) is not None:
            return self._rule(kind, value, annotation, inner, names, where)
        if inner is not None:
            if isinstance(value, str) and value.startswith("$"):
                return self.reference(value, annotation, names, where)
            return self._list(value, inner, names, where)
        model = _model_of(annotation)
        if model is not None:
            return self.object(value, model, names, where, required)
        if isinstance(value, str) and value.startswith("$") and not value.startswith("$$"):
            return self.reference(value, annotation, names, where)
        if isinstance(value, str) and value.startswith("$$"):
            value = value[1:]
        return self._constant(value, annotation, where)

    def _list(self, value: Any, inner: Any, names: Names, where: tuple[Step, ...]) -> Build:
        if not isinstance(value, list):
            raise self._source.error(where, f"has to be a list, or a rule with `each`; found {value!r}")
        items = [self._value(item, inner, names, (*where, index)) for index, item in enumerate(value)]
        if not items:  # written out, it is a statement: there are none, or none are told
            return _constantly([])
        builders = [_constantly(item.value) if isinstance(item, _Constant) else item for item in items]

        def build(scope: Scope) -> Any:
            built = [item for item in [build(scope) for build in builders] if item is not None]
            return built or None

        return build

    def _rule(
        self,
        kind: str,
        value: dict[str, Any],
        annotation: Any,
        inner: Any,
        names: Names,
        where: tuple[Step, ...],
    ) -> Build:
        try:
            rule = _RULES[kind].model_validate_json(orjson.dumps(value, default=str), strict=True)
        except ValidationError as error:
            finding = error.errors(include_url=False)[0]
            problem = finding["msg"].removeprefix("Value error, ")
            raise self._source.error(
                (*where, *finding["loc"]), f"{problem} (in a rule with `{kind}`)"
            ) from None
        try:
            if isinstance(rule, ListRule):
                if inner is None:
                    raise ValueError("`each` makes a list, and this field is none")
                return self._each(rule, inner, names, where)
            if isinstance(rule, ItemsRule):
                if inner is None:
                    raise ValueError("`items` makes a list, and this field is none")
                return self._items(rule, inner, names, where)
            if isinstance(rule, CasesRule):
                for number, case in enumerate(rule.cases):
                    self._constant(case.gives, annotation, (*where, "cases", number, "gives"))
                if rule.otherwise != "reject":
                    self._constant(rule.otherwise, annotation, (*where, "otherwise"))
                return chooser(rule, names, ".".join(map(str, where[2:])))
            if isinstance(rule, CountRule):
                return counter(rule, names)
            if isinstance(rule, FirstRule):
                return _first([self._inner_reference(text, annotation, names, where) for text in rule.first])
            assert isinstance(rule, JoinRule)
            return _join([self._inner_reference(text, str, names, where) for text in rule.join], rule.sign)
        except ValueError as error:
            raise self._source.error(where, str(error)) from None

    def _inner_reference(self, text: str, annotation: Any, names: Names, where: tuple[Step, ...]) -> Build:
        if text.startswith("$"):
            return self.reference(text, annotation, names, where)
        return _constantly(text)

    def _each(self, rule: ListRule, inner: Any, names: Names, where: tuple[Step, ...]) -> Build:
        if rule.each not in names.fields:
            raise ValueError(f"there is no record kind {rule.each!r}")
        select = selection(rule, rule.each, names)
        inside = names.inside(rule.each)
        model = _model_of(inner)
        if model is not None:
            build = self.object(rule.item, model, inside, (*where, "item"))
        else:
            item = self._value(rule.item, inner, inside, (*where, "item"))
            build = _constantly(item.value) if isinstance(item, _Constant) else item

        def build_list(scope: Scope) -> Any:
            items = [build(Scope(scope.group, row, scope, scope.flags)) for row in select(scope)]
            # An item that says nothing stays, so that its record is rejected and not dropped.
            return [{} if item is None else item for item in items] or None

        return build_list

    def _items(self, rule: ItemsRule, inner: Any, names: Names, where: tuple[Step, ...]) -> Build:
        if not rule.items.startswith("$"):
            raise ValueError(f"{rule.items!r} is no field; a field is written $name")
        get, field = names.find(rule.items, lists=True)
        inside = names.items(field)
        model = _model_of(inner)
        if model is not None:
            build = self.object(rule.item, model, inside, (*where, "item"))
        else:
            item = self._value(rule.item, inner, inside, (*where, "item"))
            build = _constantly(item.value) if isinstance(item, _Constant) else item

        def build_list(scope: Scope) -> Any:
            items = get(scope)
            if items is None:
                return None
            assert isinstance(items, tuple)
            around = scope.row or next(rows[0] for rows in scope.group.rows.values())
            rows = [Row(around.record, {ITEM: item}, around.held) for item in items]
            return [build(Scope(scope.group, row, scope, scope.flags)) for row in rows]

        return build_list

    def reference(self, text: str, annotation: Any, names: Names, where: tuple[Step, ...]) -> Build:
        """The builder of `$field`, giving what the schema's field wants."""
        inner = _item_of(annotation)
        try:
            get, rule = names.find(text, lists=inner is not None)
        except ValueError as error:
            raise self._source.error(where, str(error)) from None
        if inner is not None:
            annotation = inner
        wanted = _json_type(annotation)
        given = rule.type
        if given == "time":
            if wanted == "date-time":
                return _instant(get)
            if wanted != "string" or _fault("plain", annotation) is not None:
                self._misfit(text, given, wanted, where)
            return _time_text(get)
        if wanted == "date-time":
            self._misfit(text, given, "time", where)
        if wanted == "string":
            if given == "integer":
                return _as_text(get) if inner is None else _as_texts(get)
            if given != "text":
                self._misfit(text, given, "text", where)
            self._check_words(text, rule, annotation, where)
        elif wanted in ("integer", "number"):
            if given not in ("integer", "number") or (wanted == "integer" and given == "number"):
                self._misfit(text, given, wanted, where)
        elif wanted == "boolean" and given != "boolean":
            self._misfit(text, given, wanted, where)
        return get

    def _misfit(self, text: str, given: str, wanted: str, where: tuple[Step, ...]) -> Any:
        raise self._source.error(where, f"{text} is declared as {given}, but {wanted} is wanted here")

    def _check_words(self, text: str, rule: Any, annotation: Any, where: tuple[Step, ...]) -> None:
        """A table must give words that the schema has at this place."""
        if rule.table is None:
            return
        table = self._mapping.tables[rule.table]
        words = {word for word in table.values.values() if word}
        if table.otherwise == "unknown":
            words.add("unknown")
        for word in sorted(words):
            fault = _fault(word, annotation)
            if fault is not None:
                raise self._source.error(
                    ("tables", rule.table), f"gives {word!r} for {'.'.join(map(str, where[3:]))}: {fault}"
                )
        if table.otherwise == "keep" and _fault("plain", annotation) is not None:
            raise self._source.error(
                ("tables", rule.table, "otherwise"),
                f"'keep' would give the machine's words to {'.'.join(map(str, where[3:]))}, which has words of its"
                " own; use reject or unknown",
            )

    def _constant(self, value: Any, annotation: Any, where: tuple[Step, ...]) -> "_Constant":
        fault = _fault(value, annotation)
        if fault is not None:
            hint = " (a field is written $name)" if isinstance(value, str) else ""
            raise self._source.error(where, f"{value!r}: {fault}{hint}")
        return _Constant(value)

    def _identifier(self, build: Build) -> Build:
        placeholders = self._placeholders

        def identify(scope: Scope) -> Any:
            value = build(scope)
            if isinstance(value, str) and is_placeholder(value, placeholders):
                scope.flags.add("placeholder_identifier")
                return None
            return value

        return identify


def is_placeholder(text: str, words: frozenset[str]) -> bool:
    """Whether a text is no identifier: one of the words, or one character again and again (0000, ????)."""
    return (
        text[0] == text[-1] and len(text) > 1 and text.count(text[0]) == len(text)
    ) or text.casefold() in words


class _Constant:
    def __init__(self, value: Any) -> None:
        self.value = value


def _constantly(value: Any) -> Build:
    return lambda scope: value


def _object_builder(
    constants: dict[str, Any], builders: list[tuple[str, Build]], vital: str | None, always: bool
) -> Build:
    if not builders:
        return lambda scope: dict(constants)

    direct = [(key, build.name) for key, build in builders if isinstance(build, RowField) and key != vital]
    builders = [(key, build) for key, build in builders if not isinstance(build, RowField) or key == vital]

    def build(scope: Scope) -> Any:
        data = dict(constants)
        said = False
        if direct:
            values = scope.row.values  # type: ignore[union-attr] # a field of it is used here
            for key, name in direct:
                value = values.get(name)
                if value is not None:
                    data[key] = value
                    said = True
        for key, build_value in builders:
            value = build_value(scope)
            if value is not None:
                data[key] = value
                said = True
            elif key == vital:
                return None
        return data if said or always else None

    return build


def _first(builders: Sequence[Build]) -> Build:
    def build(scope: Scope) -> Any:
        for build_value in builders:
            value = build_value(scope)
            if value is not None:
                return value
        return None

    return build


def _join(builders: Sequence[Build], sign: str) -> Build:
    def build(scope: Scope) -> Any:
        parts = [build_value(scope) for build_value in builders]
        return None if None in parts else sign.join(parts)

    return build


def _instant(get: Getter) -> Build:
    def build(scope: Scope) -> Any:
        value = get(scope)
        if isinstance(value, TimeValue):
            scope.flags.update(value.flags)
            return value.utc
        return None

    return build


def _time_text(get: Getter) -> Build:
    def build(scope: Scope) -> Any:
        value = get(scope)
        return value.text if isinstance(value, TimeValue) else None

    return build


def _as_text(get: Getter) -> Build:
    def build(scope: Scope) -> Any:
        value = get(scope)
        return None if value is None else str(value)

    return build


def _as_texts(get: Getter) -> Build:
    def build(scope: Scope) -> Any:
        value = get(scope)
        return [str(item) for item in value] if isinstance(value, tuple) else None

    return build


# -- what the schema wants


def _rule_of(value: Mapping[str, Any]) -> str | None:
    return next((key for key in _RULES if key in value), None)


def _annotation(model: type[BaseModel], name: str) -> Any:
    field = model.model_fields[name]
    return Annotated[field.annotation, *field.metadata] if field.metadata else field.annotation


def _bare(annotation: Any) -> Any:
    """The annotation without metadata and without `| None`."""
    while True:
        if get_origin(annotation) is Annotated:
            annotation = get_args(annotation)[0]
        elif get_origin(annotation) in (Union, types.UnionType):
            kept = [arg for arg in get_args(annotation) if arg is not type(None)]
            if len(kept) != 1:
                return annotation
            annotation = kept[0]
        else:
            return annotation


def _item_of(annotation: Any) -> Any:
    bare = _bare(annotation)
    return get_args(bare)[0] if get_origin(bare) is tuple else None


def _model_of(annotation: Any) -> type[BaseModel] | None:
    bare = _bare(annotation)
    return bare if isinstance(bare, type) and issubclass(bare, BaseModel) else None


@cache
def _adapter(annotation: Any) -> TypeAdapter[Any]:
    return TypeAdapter(annotation)


@cache
def _json_type(annotation: Any) -> str:
    schema = _adapter(_bare(annotation)).json_schema()
    return str(schema.get("format") if schema.get("format") == "date-time" else schema.get("type", "string"))


def _fault(value: Any, annotation: Any) -> str | None:
    try:
        _adapter(annotation).validate_python(value, strict=not isinstance(value, (int, list)))
    except ValidationError as error:
        return error.errors(include_url=False)[0]["msg"].removeprefix("Value error, ")
    return None
