"""`[[check]]`: numbers that a source states about its own records, held against the records that are there."""

from collections.abc import Callable

from broker_bridge.adapters.logs.mapping.counts import counter
from broker_bridge.adapters.logs.mapping.load import Source
from broker_bridge.adapters.logs.mapping.model import Check
from broker_bridge.adapters.logs.mapping.scope import Getter, Group, Names, Scope, row_filter
from broker_bridge.adapters.logs.mapping.values import FieldError

Verify = Callable[[Group], None]


def checker(number: int, rule: Check, source: Source, names: Names) -> Verify:
    """A function that raises FieldError when a group does not hold what its records state.

    Raises ConfigError naming the mapping's line when the rule names what is not there.
    """
    where = ("check", number)
    if rule.each is not None and rule.each not in names.fields:
        raise source.error((*where, "each"), f"there is no record kind {rule.each!r}")
    inside = names if rule.each is None else names.inside(rule.each)
    try:
        told, get = _stated(rule.field, inside)
        count = counter(rule.equals, inside)
        accept = row_filter(rule, inside, rule.each)
    except ValueError as error:
        raise source.error(where, str(error)) from None

    def verify_one(scope: Scope) -> None:
        if accept is not None and not accept(scope):
            return
        stated = get(scope)
        found = count(scope)
        if stated is not None and stated != found:
            raise FieldError(
                f"{told} {stated} records of kind {rule.equals.count}, but there are {found}:"
                " the file is not whole, or not what the mapping takes it for",
                f"line {scope.row.record.line}" if scope.row is not None else "", str(stated), "count",
            )  # fmt: skip

    def verify(group: Group) -> None:
        if rule.each is None:
            verify_one(Scope(group, None, None, set()))
            return
        for row in group.rows.get(rule.each, ()):
            verify_one(Scope(group, row, None, set()))

    return verify


def _stated(stated: str | int, names: Names) -> tuple[str, Getter]:
    if isinstance(stated, int):
        return "the mapping expects", lambda scope: stated
    if not stated.startswith("$"):
        raise ValueError(f"{stated!r} is no field; a field is written $name")
    get, field = names.find(stated)
    if field.type != "integer":
        raise ValueError(f'{stated} has to be of type = "integer" to be compared with a count')
    return f"{stated[1:]} states", get
