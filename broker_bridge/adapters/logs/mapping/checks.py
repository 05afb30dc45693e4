"""`[[check]]`: numbers that a source states about its own records, held against the records that are there."""

from collections.abc import Callable

from broker_bridge.adapters.logs.mapping.counts import counter
from broker_bridge.adapters.logs.mapping.load import Source
from broker_bridge.adapters.logs.mapping.model import Check
from broker_bridge.adapters.logs.mapping.scope import Group, Names, Row, Scope, row_filter
from broker_bridge.adapters.logs.mapping.values import FieldError

Verify = Callable[[Group], None]


def checker(number: int, rule: Check, source: Source, names: Names) -> Verify:
    """A function that raises FieldError when a group does not hold what its records state.

    Raises ConfigError naming the mapping's line when the rule names what is not there.
    """
    where = ("check", number)
    if rule.each not in names.fields:
        raise source.error((*where, "each"), f"there is no record kind {rule.each!r}")
    inside = names.inside(rule.each)
    try:
        if not rule.field.startswith("$"):
            raise ValueError(f"{rule.field!r} is no field; a field is written $name")
        get, field = inside.find(rule.field)
        if field.type != "integer":
            raise ValueError(f'{rule.field} has to be of type = "integer" to be compared with a count')
        count = counter(rule.equals, inside)
        accept = row_filter(rule, inside, rule.each)
    except ValueError as error:
        raise source.error(where, str(error)) from None

    def verify_row(group: Group, row: Row) -> None:
        scope = Scope(group, row, None, set())
        if accept is not None and not accept(scope):
            return
        stated = get(scope)
        found = count(scope)
        if stated is not None and stated != found:
            raise FieldError(
                f"{rule.field[1:]} states {stated} records of kind {rule.equals.count}, but there are {found}:"
                " the file is not whole, or not what the mapping takes it for",
                f"line {row.record.line}", str(stated), "count",
            )  # fmt: skip

    def verify(group: Group) -> None:
        for row in group.rows.get(rule.each, ()):
            verify_row(group, row)

    return verify
