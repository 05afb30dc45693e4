"""What is said of a report that was written to a file."""

from broker_bridge.trace.history import AsOf
from broker_bridge.trace.value import Value


class Written(Value):
    """A report in a file."""

    path: str
    sha256: str
    """Of the file, hexadecimal."""
    title: str
    events: int
    """Events that the report stands on."""
    hash: str
    """SHA-256 over their leaf hashes, in order, hexadecimal."""
    record_hash: str | None
    """The same over all events of the record up to its commit, where it was asked for."""
    as_of: AsOf
