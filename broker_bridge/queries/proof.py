"""Proof that the record's bytes are those that were committed."""

from collections.abc import Callable
from typing import NamedTuple

from broker_bridge.queries.record import path_of
from broker_bridge.store.base import Head
from broker_bridge.store.sqlite_reader import SqliteReader


class Proof(NamedTuple):
    """What was checked and what was found."""

    head: Head
    damaged: tuple[str, ...]
    """A sentence for each stored thing that is no longer what was committed."""


def prove(url: str, progress: Callable[[], None] = lambda: None) -> Proof:
    """Check everything that is stored against its hash; `progress` is called now and then.

    Raises NotFound when there is no record, UsageError for a URL that names none.
    """
    reader = SqliteReader(path_of(url))
    try:
        damaged = []
        for finding in reader.verify():
            if finding is None:
                progress()
            else:
                damaged.append(finding)
        return Proof(reader.head(), tuple(damaged))
    finally:
        reader.close()


def digest(url: str, upto: int) -> str:
    """One hash that names everything in the record up to an event: two records with it hold the same bytes.

    SHA-256 over the leaf hashes that were committed, in order, hexadecimal; `prove` tells whether the bytes still
    have them. Raises as `prove` does.
    """
    reader = SqliteReader(path_of(url))
    try:
        return reader.digest(upto)
    finally:
        reader.close()
