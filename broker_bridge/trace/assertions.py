"""What persons state: which assertions stand, and what they say.

An assertion is evidence like any other. It never removes what a machine stated; it can be revoked, and the
revocation can be revoked again.
"""

from collections.abc import Iterable, Sequence

from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.statements import Statement

ASSERTED = "board.asserted"


def standing(statements: Sequence[Statement]) -> list[Statement]:
    """The statements without revoked assertions and without the revocations themselves, in the same order."""
    revokers: dict[Evidence, list[Evidence]] = {}
    for statement in statements:
        reference = _revoked(statement)
        if reference is not None:
            revokers.setdefault(reference, []).append(statement.evidence)
    if not revokers:
        return list(statements)
    return [
        statement
        for statement in statements
        if _revoked(statement) is None
        and not (statement.fact.type == ASSERTED and _is_revoked(statement.evidence, revokers, frozenset()))
    ]


def says(statement: Statement) -> str:
    """Who asserts what and why, in words."""
    return f"{statement.get('who')} says {statement.get('claim')}: {statement.get('why')}"


def claimed(statements: Iterable[Statement], *claims: str) -> list[Statement]:
    """The assertions that make one of these claims."""
    return [
        statement
        for statement in statements
        if statement.fact.type == ASSERTED and statement.get("claim") in claims
    ]


def _revoked(statement: Statement) -> Evidence | None:
    if statement.fact.type != ASSERTED or statement.get("claim") != "revoked":
        return None
    reference = statement.get("revokes")
    return Evidence(reference["source"], reference["id"]) if reference else Evidence("", "")


def _is_revoked(
    assertion: Evidence, revokers: dict[Evidence, list[Evidence]], above: frozenset[Evidence]
) -> bool:
    # A revocation in a circle with another revokes nothing: neither can be shown to come last.
    above |= {assertion}
    return any(
        revoker not in above and not _is_revoked(revoker, revokers, above)
        for revoker in revokers.get(assertion, ())
    )
