"""What every act of a person needs: a reason, a pseudonym in place of a name, and an edge that takes it."""

import re
from typing import TYPE_CHECKING, Final

from broker_bridge.errors import BusUnavailable, UsageError

if TYPE_CHECKING:
    from broker_bridge.config import Settings

_WHO: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}\Z")


def reason(text: str) -> str:
    """A reason without blanks around it. Raises UsageError where it says nothing."""
    told = text.strip()
    if not any(sign.isalnum() for sign in told):
        raise UsageError(f"why = {told[:80]!r}: say the reason in words; nothing is done without one")
    return told


def check_name(who: str) -> str:
    """A name that may be handed over for a pseudonym. Raises UsageError."""
    if not _WHO.match(who):
        raise UsageError(
            f"who = {who!r}: a pseudonym of letters, digits, dots and dashes; names stay out of the record"
        )
    return who


def pseudonym(settings: "Settings", who: str) -> str:
    """What is kept in place of a name, by the key of this machine's edge. Raises UsageError, StoreUnavailable."""
    from broker_bridge.edge.persons import Persons

    return Persons(settings.edge.persons).pseudonym(check_name(who))


def edge_needed(settings: "Settings") -> None:
    """Raises BusUnavailable where no edge of this machine would take what is asked: nothing was written then."""
    from broker_bridge.edge.survey import in_use

    if not in_use(settings.edge.outbox):
        raise BusUnavailable(
            f"no edge runs on this machine (nobody holds the outbox of {settings.edge.name}): nothing was written."
            " Start it with `broker-bridge run`, or ask where it runs"
        )
