"""What a finding is."""

from typing import Literal, NamedTuple

Level = Literal["fine", "notice", "problem", "unreachable", "damaged"]


class Finding(NamedTuple):
    """One thing that was looked at."""

    subject: str
    """What was looked at: a file, a role, a source."""
    level: Level
    """`notice` needs no hand now; every other but `fine` does."""
    text: str
    """What was found, with numbers."""
    advice: str = ""
    """What to do about it."""


def ago(seconds: float) -> str:
    """A span of time in words: 12 s, 3 min, 5 h, 2 days."""
    for limit, unit, name in ((120, 1, "s"), (7200, 60, "min"), (172_800, 3600, "h")):
        if seconds < limit:
            return f"{seconds / unit:.0f} {name}"
    return f"{seconds / 86_400:.0f} days"
