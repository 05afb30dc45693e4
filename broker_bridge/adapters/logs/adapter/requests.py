"""Requests of people: which of what was read has to be read again with the mapping as it is now."""

from collections.abc import Awaitable, Callable, Mapping
from typing import TypeVar

from broker_bridge.adapters.base import Request, SourceWriter

Known = TypeVar("Known")
Again = Callable[[Mapping[str, Known]], Awaitable[str]]
"""Reads these again, by generation; returns what came of it in words."""
Do = Callable[[Request], Awaitable[str]]
"""Does something else that a request asks for; returns the answer."""


async def answer_requests(
    writer: SourceWriter,
    revision: int,
    find: Callable[[str | None], Awaitable[Mapping[str, Known]]],
    is_stale: Callable[[Known], bool],
    again: Again[Known],
    others: Mapping[str, Do] | None = None,
) -> None:
    """Do what unanswered requests ask for, and answer them. Done twice it changes nothing.

    `find` gives what is known of one generation, or of all; `is_stale` whether it was not yet read as a whole with
    this revision of the mapping; `others` are actions beside the retry.
    """
    for request in await writer.requests():
        do = (others or {}).get(request.action)
        outcome = await (do(request) if do else _answer(request, revision, find, is_stale, again))
        await writer.answer(request, outcome)


async def _answer(
    request: Request,
    revision: int,
    find: Callable[[str | None], Awaitable[Mapping[str, Known]]],
    is_stale: Callable[[Known], bool],
    again: Again[Known],
) -> str:
    if request.action != "retry":
        return f"refused: {request.action!r} is nothing this source can do; it knows retry"
    wanted = request.arguments.get("generation")
    if wanted is None and "all" not in request.arguments:
        return "refused: retry needs generation=... or all"
    files = await find(wanted)
    if not files:
        return (
            f"refused: nothing of generation {wanted} was read here that is kept in the archive"
            if wanted is not None
            else "refused: no file was read here that is kept in the archive"
        )
    stale = {generation: known for generation, known in files.items() if is_stale(known)}
    if not stale:
        return (
            f"refused: {len(files)} files were read with revision {revision} of the mapping already; mend the mapping,"
            f" raise its revision to {revision + 1}, and start the source again"
        )
    return await again(stale)


def told(revision: int, read: int, rejected: int, retracted: int, missing: int) -> str:
    """The answer in words."""
    words = ["refused: nothing was read again"]
    if read:
        words = [f"{_files(read)} read again with revision {revision}"]
        words.append(f"{rejected} records still rejected" if rejected else "no record rejected")
    if retracted:
        words.append(f"{retracted} records retracted")
    if missing:
        words.append(f"{_files(missing)} {'is' if missing == 1 else 'are'} no longer in the archive")
    return ", ".join(words)


def _files(number: int) -> str:
    return "1 file" if number == 1 else f"{number} files"
