"""The values of a column -> what they may be. Names help to choose, values decide."""

import re
from collections import Counter
from collections.abc import Sequence
from typing import Final, Literal, NamedTuple

from broker_bridge.adapters.logs.mapping.model import PLACEHOLDERS
from broker_bridge.adapters.logs.mapping.template import is_placeholder
from broker_bridge.adapters.logs.preview.clock import Clock, clock_of

_INTEGER: Final = re.compile(r"[+-]?\d{1,15}", re.ASCII)
_POINT: Final = re.compile(r"[+-]?\d*\.?\d+(?:[eE][+-]?\d{1,3})?", re.ASCII)
_COMMA: Final = re.compile(r"[+-]?\d+,\d+", re.ASCII)
_WORDS: Final = frozenset(word.casefold() for word in PLACEHOLDERS)
NOTHING: Final = frozenset({"nan", "na", "n/a", "null", "none", "-", "--", "---"})
"""Words for no value, in lower case (common practice, no source)."""
_FEW: Final = 12

OUTCOMES: Final = {
    "ok": "passed", "pass": "passed", "passed": "passed", "good": "passed", "go": "passed",
    "ng": "failed", "nok": "failed", "fail": "failed", "failed": "failed", "bad": "failed", "nogo": "failed",
    "skip": "skipped", "skipped": "skipped", "abort": "aborted", "aborted": "aborted", "bypass": "bypassed",
}  # fmt: skip
"""Words for results that need no question (common practice, no source)."""

Type = Literal["text", "integer", "number", "time"]


class Column(NamedTuple):
    """What is known of one column."""

    name: str
    """As the reader calls it; a path in nested records."""
    type: Type
    comma: bool
    """Numbers with decimal comma."""
    clock: Clock | None
    values: int
    """Values that are not empty."""
    distinct: int
    """Different ones among them."""
    empty: int
    words: tuple[tuple[str, int], ...]
    """Values and how often they came, the most frequent first, where they are few; else the first few."""
    few: bool
    """`words` are all values there are."""
    placeholders: tuple[str, ...]
    absent: tuple[str, ...]
    """Words such as NA or NaN that stand where a number or time should be."""
    serial: bool
    """Its values look like identifiers: hardly one came twice, and they hold digits."""

    @property
    def outcome(self) -> bool:
        """Whether its values look like results."""
        if not self.few or self.type != "text" or not self.values:
            return False
        known = sum(word.casefold() in OUTCOMES for word, _ in self.words)
        named = re.search(r"result|outcome|verdict|status|judg", self.name, re.IGNORECASE) is not None
        return known >= 1 and (named or known * 2 >= len(self.words))


def column_of(name: str, texts: Sequence[str | None]) -> Column:
    """Look at all values of a column (None: absent)."""
    values = [text.strip() for text in texts if text is not None and text.strip()]
    met = Counter(values)
    plain = [text for text in met if not is_placeholder(text, _WORDS)]
    placeholders = tuple(text for text in met if is_placeholder(text, _WORDS) and not text.isdigit())
    nothing = tuple(text for text in met if text.casefold() in NOTHING)
    type_, comma, clock = _typed([text for text in met if text not in nothing])
    few = len(met) <= _FEW
    return Column(
        name, type_, comma, clock, len(values), len(met), len(texts) - len(values), tuple(met.most_common(_FEW)), few,
        placeholders, nothing if type_ != "text" else (), type_ in ("text", "integer") and _serial(name, plain, met),
    )  # fmt: skip


def _typed(told: Sequence[str]) -> tuple[Type, bool, Clock | None]:
    if not told or any(
        re.search(r"\d{16}", text) and not re.fullmatch(r"(?:19|20)\d{14,18}", text) for text in told
    ):
        return "text", False, None  # more digits than a number holds
    clock = clock_of(told)
    if clock is not None:
        return "time", False, clock
    if all(_INTEGER.fullmatch(text) for text in told):
        # A leading zero says that it is no number, and so does a great length.
        if any(len(text.lstrip("+-")) > 1 and text.lstrip("+-").startswith("0") for text in told):
            return "text", False, None
        return "integer", False, None
    if all(_POINT.fullmatch(text) for text in told):
        return "number", False, None
    if any(_COMMA.fullmatch(text) for text in told) and all(
        _COMMA.fullmatch(text) or _INTEGER.fullmatch(text) for text in told
    ):
        return "number", True, None
    return "text", False, None


def _serial(name: str, plain: Sequence[str], met: Counter[str]) -> bool:
    if not plain or not all(len(text) >= 5 and any(sign.isdigit() for sign in text) for text in plain):
        return False
    if any(len(text) > 80 or " " in text for text in plain):
        return False
    if re.search(r"serial|barcode|board|panel|pcb|\bsn\b|\buid\b|code$", name, re.IGNORECASE):
        return not name.casefold().endswith("partnumber")
    if re.fullmatch(r"column \d+", name) and all(
        re.fullmatch(r"[A-Za-z]{1,4}\d{6,}", text) for text in plain
    ):
        return True
    return len(plain) >= 5 and len(plain) >= 0.9 * met.total()
