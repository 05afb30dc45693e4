"""What is said of the ways into and out of the record: its outlets, an export, a declaration."""

from datetime import datetime

from broker_bridge.trace.value import Value


class Outlet(Value):
    """One way out as it stands."""

    name: str
    kind: str
    condition: str
    """new (never started), running, waiting, stopped, failed, or unknown."""
    detail: str
    behind: int
    """Events of the record that it has not come to."""
    oldest_s: float
    """Seconds that the oldest of them has been in the record; 0 where there is none."""
    dead_letters: int
    """Events that its receiver refused for good."""
    withheld: int
    """Events that the configuration does not let out."""
    number: int | None = None
    """Every event up to here was delivered, refused, withheld or not asked for; absent: it was never started."""


class Outlets(Value):
    """Every configured way out."""

    outlets: tuple[Outlet, ...]


class DeadLetter(Value):
    """An event that a receiver refused for good."""

    letter: int
    """Its number among the outlet's dead letters."""
    number: int
    """The event's number in the record when it was refused last."""
    source: str
    event: str
    """The event's id."""
    code: str
    """Kind of refusal in one word, or the receiver's own code."""
    reason: str
    first: datetime
    """When it was first refused."""
    last: datetime
    times: int
    wanted: bool
    """It will be sent again."""


class DeadLetters(Value):
    """What the receiver of one way out refused."""

    outlet: str
    letters: tuple[DeadLetter, ...]


class Declaration(Value):
    """What one declaration of a file does, or would do."""

    file: str
    told: str
    """Of what, which aspect, from when."""
    entries: int
    what: str
    """Against what was declared before."""
    revision: int


class Declared(Value):
    """What files of master data do to the record, or would do."""

    dry_run: bool
    """Nothing was written: it is what would change."""
    declarations: tuple[Declaration, ...]


class Exported(Value):
    """Tables that were written."""

    folder: str
    commit: int
    """The record was as of this commit."""
    events: int
    withheld: int
    """Events that were not let out: about marked parts, or parts not known."""
