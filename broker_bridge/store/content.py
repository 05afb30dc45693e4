"""When two events with one id say the same: type, time, subject and data count, how they were taken in does not.

A file read again by a newer program may be spelt otherwise, so both are read into the models first. Fields that
this program does not know would vanish there; such an event is compared as it stands, and rather called a
conflict than a duplicate: a conflict keeps both.
"""

import hashlib
from typing import Final

import orjson

from broker_bridge.errors import WireError
from broker_bridge.events.union import dump_event, parse_event

COUNTED: Final = ("type", "time", "subject", "data")


def content(body: bytes) -> bytes:
    """The digest of what counts in an event."""
    document = orjson.loads(body)
    try:
        modelled = orjson.loads(dump_event(parse_event(body)))
        if _knows(modelled, document):
            document = modelled
    except WireError:
        pass  # written by another version of the schema: as it stands
    counted = {name: document.get(name) for name in COUNTED}
    return hashlib.sha256(orjson.dumps(counted, option=orjson.OPT_SORT_KEYS)).digest()


def _knows(modelled: object, document: object) -> bool:
    """Whether every member of the document has a place in what the models made of it; null is no member."""
    if isinstance(document, dict):
        return isinstance(modelled, dict) and all(
            value is None or (name in modelled and _knows(modelled[name], value))
            for name, value in document.items()
        )
    if isinstance(document, list):
        return (
            isinstance(modelled, list)
            and len(modelled) == len(document)
            and all(_knows(mine, theirs) for mine, theirs in zip(modelled, document, strict=True))
        )
    return True
