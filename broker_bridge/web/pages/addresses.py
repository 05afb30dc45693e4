"""Addresses of pages. One place, so that no template puts one together."""

from urllib.parse import urlencode


def to(path: str, **values: object) -> str:
    """A path of this service with a query; absent values are left out."""
    said = {
        name: str(value)
        for name, value in values.items()
        if value is not None and value != "" and value is not False
    }
    return f"{path}?{urlencode(said)}" if said else path


def board(value: str, kind: str | None = None, position: int | None = None, at: int | None = None) -> str:
    """A board's page."""
    return to("/board", id=value, kind=kind, position=position, at=at)


def why(value: str, kind: str | None, position: int | None, at: int) -> str:
    """What a statement stands on, up to the reference of that statement, which ends the address: a page has hundreds."""
    return to("/board/why", id=value, kind=kind, position=position, at=at) + "&statement="


def order(number: str) -> str:
    """A work order's boards."""
    return to("/order", id=number)


def magazine(name: str) -> str:
    """What was said of a magazine."""
    return to("/magazine", id=name)


def lot(**asked: object) -> str:
    """Where something was used: `text`, `lot`, `reel`, `tool`, `program`, `equipment`, `station` ..."""
    return to("/lot", **asked)
