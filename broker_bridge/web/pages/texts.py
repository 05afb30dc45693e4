"""Texts on their way into a page: nothing of a machine becomes markup or turns a line round, times become elements.

A sentence is made of words of ours, texts of machines and times. A time travels in it as a token that nobody else can
write (it holds a random number of this process), so that a label that looks like a time stays what it is.
"""

import re
import secrets
import unicodedata
from datetime import UTC, datetime
from itertools import groupby
from typing import Final

from markupsafe import Markup, escape

from broker_bridge.words.telling import safe

_MARK: Final = f"t{secrets.token_hex(12)}"
_SHORT: Final = 20
"""Characters; a serial, a reel, a station. What is longer may be broken anywhere, so that no page grows wider."""
_TOKEN: Final = re.compile(_MARK + r"\[([^\]]*)\]")


def token(time: datetime) -> str:
    """A time as it travels within a sentence."""
    return f"{_MARK}[{time.astimezone(UTC).isoformat(timespec='seconds').removesuffix('+00:00')}Z]"


def told(text: str) -> Markup:
    """A sentence as markup: escaped, its times as elements."""
    made: list[str] = []
    last = 0
    for found in _TOKEN.finditer(text):
        made += [_words(text[last : found.start()]), _element(found[1])]
        last = found.end()
    return Markup("".join([*made, _words(text[last:])]))


def sentence(text: str) -> Markup:
    """A note as a sentence of its own."""
    return told(
        f"{text[:1].upper()}{text[1:]}{'' if text.endswith(('.', '?', '!')) else '.'}" if text else ""
    )


def plain(text: str) -> str:
    """A sentence without markup, its times in UTC: for titles and drawings."""
    return _TOKEN.sub(lambda found: f"{found[1][:-1].replace('T', ' ')} UTC", safe(text))


def name(text: object) -> Markup:
    """What a machine or person called something, alone: kept from turning what stands around it."""
    said = safe(str(text))
    short = " short" if len(said) <= _SHORT else ""
    return Markup(f'<bdi class="name{short}">{escape(said)}</bdi>')


def when(time: datetime | str | None, absent: str = "not known") -> Markup:
    """A time alone."""
    if time is None:
        return escape(absent)
    instant = datetime.fromisoformat(time) if isinstance(time, str) else time
    return told(token(instant))


def age(time: datetime | None, text: str) -> Markup:
    """How long ago, in words; a script counts on."""
    if time is None:
        return escape(text)
    utc = time.astimezone(UTC).isoformat(timespec="seconds").removesuffix("+00:00")
    return Markup(
        f'<time class="age" datetime="{utc}Z" title="{utc.replace("T", " ")} UTC">{escape(text)}</time>'
    )


def _element(utc: str) -> str:
    words = f"{utc[:-1].replace('T', ' ')} UTC"
    return f'<time datetime="{utc}" title="{words}">{words}</time>'


def _words(text: str) -> str:
    """Escaped; what is written from right to left is kept from turning the words around it."""
    text = safe(text)
    if text.isascii():
        return str(escape(text))
    return "".join(
        f"<bdi>{escape(run)}</bdi>" if turned else str(escape(run))
        for turned, run in ((key, "".join(group)) for key, group in groupby(text, _turned))
    )


def _turned(character: str) -> bool:
    return unicodedata.bidirectional(character) in ("R", "AL", "AN")
