"""When a dropped file may be read: its done-marker is there, or it has stayed the same for some polls."""

import time
from collections.abc import Container, Iterable

from broker_bridge.adapters.logs.adapter.folder import Found, Listing, Signature


class Parking:
    """Files that look finished but lack their end. After `limit_s` without a change they are read as they are."""

    def __init__(self, limit_s: float) -> None:
        self._limit_s = limit_s
        self._parked: dict[str, tuple[Signature, float, str]] = {}

    def __bool__(self) -> bool:
        return bool(self._parked)

    def may_leave(self, found: Found) -> bool:
        """Whether a file should be looked at: it is not parked, has changed since, or has waited long enough."""
        signature, since, _ = self._parked.get(found.name, (None, 0.0, ""))
        return signature != found.signature or time.monotonic() - since >= self._limit_s

    def park(self, found: Found, why: str) -> bool:
        """Park a file; returns True when it has waited long enough and has to be taken as it is."""
        signature, since, _ = self._parked.get(found.name, (None, 0.0, ""))
        if signature == found.signature:
            return time.monotonic() - since >= self._limit_s
        self._parked[found.name] = (found.signature, time.monotonic(), why)
        return False

    def leave(self, found: Found) -> None:
        """The file has been dealt with."""
        self._parked.pop(found.name, None)

    def keep_only(self, names: Container[str]) -> None:
        """Drop what is known of files that are gone."""
        self._parked = {name: parked for name, parked in self._parked.items() if name in names}

    def told(self) -> str:
        """What waits, for a person."""
        name, (_, _, why) = next(iter(self._parked.items()))
        more = f" and {len(self._parked) - 1} more" if len(self._parked) > 1 else ""
        return f"{name}: {why}{more}; read as it is after {self._limit_s:g} s without a change"


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
