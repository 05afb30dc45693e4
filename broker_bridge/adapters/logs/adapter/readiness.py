"""When a dropped file may be read: its done-marker is there, or it has stayed the same for some polls."""

import time
from collections.abc import Container, Iterable
from typing import NamedTuple

from broker_bridge.adapters.logs.adapter.folder import Found, Listing, Signature


class _Parked(NamedTuple):
    signature: Signature
    since: float
    why: str
    limit_s: float
    usual: bool
    """It waits for a short time of its own, as many files do."""

    @property
    def over(self) -> bool:
        return time.monotonic() - self.since >= self.limit_s


class Parking:
    """Files that look finished but lack something that may still come. Each is dealt with as it is after its time.

    `limit_s`: seconds without a change, unless a shorter time is told for a file.
    """

    def __init__(self, limit_s: float) -> None:
        self._limit_s = limit_s
        self._parked: dict[str, _Parked] = {}

    def __bool__(self) -> bool:
        return bool(self._parked)

    @property
    def needs_a_look(self) -> bool:
        """Whether a file is parked that may need a hand: not only such as wait for a short time of their own."""
        return not all(parked.usual for parked in self._parked.values())

    def may_leave(self, found: Found) -> bool:
        """Whether a file should be looked at: it is not parked, has changed since, or has waited long enough."""
        parked = self._parked.get(found.name)
        return parked is None or parked.signature != found.signature or parked.over

    def park(self, found: Found, why: str, limit_s: float | None = None) -> bool:
        """Park a file; returns True when it has waited long enough and has to be taken as it is."""
        usual = limit_s is not None
        limit_s = self._limit_s if limit_s is None else min(limit_s, self._limit_s)
        parked = self._parked.get(found.name)
        if parked is not None and parked.signature == found.signature:
            self._parked[found.name] = parked = parked._replace(why=why, limit_s=limit_s, usual=usual)
            return parked.over
        self._parked[found.name] = _Parked(found.signature, time.monotonic(), why, limit_s, usual)
        return False

    def leave(self, found: Found) -> None:
        """The file has been dealt with."""
        self._parked.pop(found.name, None)

    def keep_only(self, names: Container[str]) -> None:
        """Drop what is known of files that are gone."""
        self._parked = {name: parked for name, parked in self._parked.items() if name in names}

    def told(self) -> str:
        """What waits, for a person."""
        name, parked = min(self._parked.items(), key=lambda one: one[1].usual)
        more = f" and {len(self._parked) - 1} more" if len(self._parked) > 1 else ""
        return f"{name}: {parked.why}{more}; taken as it is after {parked.limit_s:g} s without a change"


class Readiness:
    """Remembers how long each file has stayed the same. `polls`: looks in a row that must agree."""

    def __init__(self, polls: int, by_marker: bool) -> None:
        self._polls = polls
        self._by_marker = by_marker
        self._seen: dict[str, tuple[Signature, int]] = {}

    def ready(self, listing: Listing, candidates: Iterable[Found]) -> list[Found]:
        """The candidates that may be read now, the oldest first. To be called once a listing."""
        if self._by_marker:
            files = [found for found in candidates if found.name in listing.marked]
        else:
            seen: dict[str, tuple[Signature, int]] = {}
            files = []
            for found in candidates:
                signature, agreed = self._seen.get(found.name, (None, 0))
                agreed = agreed + 1 if signature == found.signature else 1
                seen[found.name] = (found.signature, agreed)
                if agreed >= self._polls:
                    files.append(found)
            self._seen = seen
        return sorted(files, key=lambda found: (found.signature.modified_ns, found.name))

    def waiting(self) -> int:
        """Files that still have to prove that they are complete."""
        return sum(agreed < self._polls for _, agreed in self._seen.values())
