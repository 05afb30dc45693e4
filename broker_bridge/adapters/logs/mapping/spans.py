"""Runs in plain-text lists: R1-R4 is R1, R2, R3, R4, where the mapping says that the sign means that."""

import re
from collections.abc import Sequence
from typing import Final

LONGEST: Final = 10_000
"""Items of one run at most: a misread number must not fill the memory."""

_NUMBERED: Final = re.compile(r"(.*?)(\d{1,9})", re.ASCII | re.DOTALL)


def spanned(text: str, sign: str) -> Sequence[str]:
    """All items of a run, first and last included; the text alone where it holds no sign.

    Raises ValueError where nobody can say what lies between the two.
    """
    first, found, last = (part.strip() for part in text.partition(sign))
    if not found:
        return (text,)
    begin, end = _NUMBERED.fullmatch(first), _NUMBERED.fullmatch(last)
    if begin is None or end is None or (end[1] and end[1] != begin[1]):
        raise ValueError(
            f"is no run of items: {first!r} and {last!r} do not differ in their last number only"
        )
    low, high = int(begin[2]), int(end[2])
    if high < low:
        raise ValueError(f"is no run of items: it ends before it begins ({low} to {high})")
    if high - low >= LONGEST:
        raise ValueError(f"is a run of {high - low + 1} items; at most {LONGEST} are taken")
    # R01-R12 keeps its zeros; with another number of digits they would be invented.
    if begin[2].startswith("0") and len(begin[2]) > 1 and len(begin[2]) != len(end[2]):
        raise ValueError(f"is no run of items: {begin[2]!r} and {end[2]!r} have not as many digits")
    width = len(begin[2]) if begin[2].startswith("0") else 0
    return [f"{begin[1]}{number:0{width}d}" for number in range(low, high + 1)]
