"""Names of persons -> pseudonyms, before an event is kept anywhere.

A pseudonym is an HMAC (RFC 2104, SHA-256) of the name under the plant's key: the same person has the same one in every
file and on every edge that has a copy of the key, and reading a file again gives the same event. The table that leads
back to names lies beside the key on the edge, and nowhere else: never in an event, on the bus or in the record.

Forgetting one person removes the name from the table for good. Who has the key can still try whether a name he guesses
gives a pseudonym; forgetting all replaces the key, and then nobody can.
"""

import base64
import fcntl
import hashlib
import hmac
import json
import os
import re
import secrets
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, TypeVar

from broker_bridge.errors import NotFound, StoreUnavailable
from broker_bridge.events.base import Data
from broker_bridge.folders import make_folder
from broker_bridge.secret import read_secret, write_secret

FIELDS: Final = ("operator", "who", "allowed_by")
"""The fields of the schema that name persons."""
KEY: Final = "key"
TABLE: Final = "names.jsonl"
PREFIX: Final = "p-"
_OURS: Final = re.compile(r"p-[a-z2-7]{16}", re.ASCII)
_REMEMBERED: Final = 10_000

AnyData = TypeVar("AnyData", bound=Data)


class Persons:
    """The key and the table in one folder, made when the first name is met."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._key: bytes | None = None
        self._noted: set[str] = set()
        self._remembered: dict[str, str] = {}

    def without_names(self, data: AnyData) -> AnyData:
        """The data with pseudonyms in place of names. Raises StoreUnavailable when key or table cannot be kept."""
        changes: dict[str, Any] = {
            field: self.pseudonym(name)
            for field in FIELDS
            if (name := getattr(data, field, None)) is not None
        }
        return data.model_copy(update=changes) if changes else data

    def pseudonym(self, name: str) -> str:
        """The pseudonym of a name; the table knows it when this returns. Raises as `without_names` does."""
        if _OURS.fullmatch(name):
            return name  # somebody states a pseudonym that he knows from here
        known = self._remembered.get(name)
        if known is not None:
            return known
        told = unicodedata.normalize("NFKC", name).strip().casefold()
        digest = hmac.new(self._the_key(), told.encode("utf-8", "surrogatepass"), hashlib.sha256).digest()
        made = PREFIX + base64.b32encode(digest[:10]).decode("ascii").lower()
        self._note(made, name)
        if len(self._remembered) >= _REMEMBERED:
            self._remembered.clear()
        self._remembered[name] = made
        return made

    def table(self) -> dict[str, str | None]:
        """Pseudonym -> name; None where the person was forgotten."""
        try:
            with self._locked():
                return self._rows()
        except FileNotFoundError:
            return {}

    def forget(self, pseudonym: str) -> None:
        """Remove a name from the table for good. Raises NotFound."""
        try:
            with self._locked():
                rows = self._rows()
                if rows.get(pseudonym) is None:
                    raise NotFound(
                        f"{pseudonym!r} is no pseudonym of {self.folder / TABLE}, or was forgotten"
                    )
                rows[pseudonym] = None
                write_secret(self.folder / TABLE, "".join(map(_line, rows.items())))
        except FileNotFoundError:
            raise NotFound(f"there is no table of names at {self.folder / TABLE}") from None

    def forget_all(self) -> int:
        """Remove the table and the key; returns how many names were forgotten. No edge may be running on them.

        From then on the same name gives another pseudonym.
        """
        known = sum(name is not None for name in self.table().values())
        for name in (TABLE, KEY):
            (self.folder / name).unlink(missing_ok=True)
        self._key = None
        self._noted.clear()
        self._remembered.clear()
        return known

    def _the_key(self) -> bytes:
        if self._key is None:
            path = self.folder / KEY
            try:
                make_folder(self.folder, 0o700)
                if not path.exists():
                    write_secret(path, secrets.token_hex(32) + "\n")
                self._noted = set(self.table())
            except OSError as error:
                raise StoreUnavailable(f"{error.filename or path}: {error.strerror}") from error
            self._key = read_secret(path, "edge.persons").encode()
        return self._key

    def _note(self, pseudonym: str, name: str) -> None:
        if pseudonym in self._noted:
            return  # forgotten ones too: a person who was forgotten stays so
        try:
            with self._locked(), open(self.folder / TABLE, "a", encoding="utf-8") as file:
                file.write(_line((pseudonym, name)))
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise StoreUnavailable(f"{self.folder / TABLE}: {error.strerror}") from error
        self._noted.add(pseudonym)

    def _rows(self) -> dict[str, str | None]:
        try:
            lines = (self.folder / TABLE).read_text(encoding="utf-8").splitlines()
        except FileNotFoundError:
            return {}
        rows: dict[str, str | None] = {}
        for line in lines:
            try:
                row = json.loads(line)
                rows[row["pseudonym"]] = row["name"]
            except (ValueError, KeyError, TypeError, RecursionError):
                continue  # half a line of a process that was killed; the name comes again with its next event
        return rows

    @contextmanager
    def _locked(self) -> Iterator[None]:
        """Alone with the table. The lock is a file of its own, as forgetting replaces the table."""
        handle = os.open(self.folder / "lock", os.O_RDWR | os.O_CREAT, 0o600)
        old = os.umask(0o077)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            yield
        finally:
            os.umask(old)
            os.close(handle)


def _line(row: tuple[str, str | None]) -> str:
    return json.dumps({"pseudonym": row[0], "name": row[1]}) + "\n"
