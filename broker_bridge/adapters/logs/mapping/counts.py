"""Counts of records, and values that counts or numbers decide."""

from collections.abc import Callable
from typing import Any

from broker_bridge.adapters.logs.mapping.model import CasesRule, CountCase, CountRule, NumberCase
from broker_bridge.adapters.logs.mapping.scope import Names, Scope, selection
from broker_bridge.adapters.logs.mapping.values import FieldError

Number = Callable[[Scope], int | float | None]


def counter(rule: CountRule | CountCase, names: Names) -> Callable[[Scope], int]:
    """A function that counts records. Raises ValueError when the rule names what is not there."""
    if rule.count not in names.fields:
        raise ValueError(f"there is no record kind {rule.count!r}")
    select = selection(rule, rule.count, names)
    distinct = rule.distinct
    for name in distinct:
        names.field(rule.count, name)
    if not distinct:
        return lambda scope: len(select(scope))
    return lambda scope: len({tuple([row.values.get(name) for name in distinct]) for row in select(scope)})


def chooser(rule: CasesRule, names: Names, told: str) -> Callable[[Scope], Any]:
    """A function that gives the value of the first case that fits; `told` names the field in errors.

    Raises ValueError when the rule names what is not there.
    """
    cases = [(_number(case, names), case.at_least, case.at_most, case.gives) for case in rule.cases]
    otherwise, rejects = rule.otherwise, rule.otherwise == "reject"

    def choose(scope: Scope) -> Any:
        for number, least, most, gives in cases:
            found = number(scope)
            if found is None or (least is not None and found < least) or (most is not None and found > most):
                continue
            return gives
        if rejects:
            place = f"line {scope.row.record.line}" if scope.row is not None else ""
            raise FieldError(f"none of the cases of {told} fits", place, None, "cases")
        return otherwise

    return choose


def _number(case: CountCase | NumberCase, names: Names) -> Number:
    if isinstance(case, CountCase):
        return counter(case, names)
    if not case.field.startswith("$"):
        raise ValueError(f"{case.field!r} is no field; a field is written $name")
    get, field = names.find(case.field)
    if field.type not in ("integer", "number"):
        raise ValueError(f"{case.field} is declared as {field.type}, and a number is wanted here")

    def number(scope: Scope) -> int | float | None:
        value = get(scope)
        return value if isinstance(value, (int, float)) else None

    return number
