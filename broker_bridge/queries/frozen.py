"""Answers that were frozen: kept beside the record, never written again, compared with today's.

A frozen answer names the record, the commit it holds as of, the hash of all its events up to there, and, where that was
told, who kept it (a pseudonym) and why; it carries a seal over itself.
"""

import hashlib
import json
import os
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

from broker_bridge.errors import NotFound, RecordDamaged, StoreUnavailable, Taken, UsageError
from broker_bridge.queries.record import path_of
from broker_bridge.store.sqlite_reader import SqliteReader
from broker_bridge.trace.plain import plain
from broker_bridge.trace.recall import Answer, place_words

_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}\Z")


class Compared(NamedTuple):
    """A frozen answer against today's."""

    added: list[str]
    """Members of today that were not in it."""
    gone: list[str]
    """Members of it that are none today."""
    surer: list[str]
    """Possible then, exact today."""
    moved: list[str]
    """Elsewhere than then, in words."""


def freeze(url: str, name: str, answer: Answer, *, who: str | None = None, why: str | None = None) -> Path:
    """Keep an answer under a name. `who`: a pseudonym. Raises UsageError for a name that is none, Taken for one that is taken."""
    folder = folder_of(url)
    path = _path(folder, name)
    by = {field: value for field, value in (("who", who), ("why", why)) if value is not None}
    document = by | {
        "name": name,
        "answer": plain(answer),
        "record_hash": _digest(url, answer.as_of.number),
    }
    document["seal"] = _seal(document)
    try:
        folder.mkdir(exist_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o444)
    except FileExistsError:
        raise Taken(
            f"{name!r} is frozen already beside the record: nothing frozen is written over; choose another name"
        ) from None
    except OSError as error:
        raise StoreUnavailable(
            f"{folder.name}/{path.name} cannot be written beside the record: {error.strerror}"
        ) from error
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        json.dump(document, file, indent=1, ensure_ascii=True)
        file.flush()
        os.fsync(file.fileno())
    return path


def frozen(url: str, name: str) -> dict[str, Any]:
    """A frozen answer by its name. Raises NotFound, RecordDamaged when it was altered."""
    path = _path(folder_of(url), name)
    try:
        document: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        there = ", ".join(names(url)) or "none"
        raise NotFound(f"nothing is frozen under {name!r} beside the record; there is: {there}") from None
    except (OSError, ValueError) as error:
        told = error.strerror if isinstance(error, OSError) else error
        raise RecordDamaged(
            f"what was frozen as {name!r} beside the record cannot be read: {told}"
        ) from error
    if document.get("seal") != _seal({key: value for key, value in document.items() if key != "seal"}):
        raise RecordDamaged(
            f"what lies frozen as {name!r} beside the record is not what was frozen: its seal does not fit"
        )
    return document


def proven(url: str, document: Mapping[str, Any]) -> bool:
    """Whether the record still holds the very events that a frozen answer stands on."""
    digest: str = _digest(url, document["answer"]["as_of"]["number"])
    return digest == str(document["record_hash"])


def compared(document: Mapping[str, Any], today: Answer) -> Compared:
    """What is different today."""
    then = document["answer"]
    exact, possible = _members(then["exact"]), _members(then["possible"])
    now = plain(today)
    exact_now, possible_now = _members(now["exact"]), _members(now["possible"])
    before, after = {**possible, **exact}, {**possible_now, **exact_now}
    return Compared(
        added=sorted(after.keys() - before.keys()),
        gone=sorted(before.keys() - after.keys()),
        surer=sorted(possible.keys() & exact_now.keys()),
        moved=[
            f"{key}: {_where(before[key])} then, {_where(after[key])} now"
            for key in sorted(before.keys() & after.keys())
            if _where(before[key]) != _where(after[key])
        ],
    )


def names(url: str) -> list[str]:
    """What is frozen beside a record."""
    return sorted(path.stem for path in folder_of(url).glob("*.json"))


def folder_of(url: str) -> Path:
    """Where frozen answers of a record lie."""
    record = path_of(url)
    return record.with_name(record.stem + ".frozen")


def _digest(url: str, number: int) -> str:
    reader = SqliteReader(path_of(url))
    try:
        return reader.digest(number)
    finally:
        reader.close()


def _path(folder: Path, name: str) -> Path:
    if not _NAME.match(name):
        raise UsageError(f"{name!r} is no name for a file: letters, digits, dots, dashes and underscores")
    return folder / f"{name}.json"


def _seal(document: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(document, sort_keys=True, ensure_ascii=True).encode()).hexdigest()


def _members(listed: Iterable[Mapping[str, Any]]) -> dict[str, Mapping[str, Any]]:
    return {
        f"{one['kind']} {one['value']}" + (f" position {one['position']}" if "position" in one else ""): one
        for one in listed
    }


def _where(member: Mapping[str, Any]) -> str:
    return place_words(str(member["state"]), member.get("end"), member.get("station"))
