"""Who may do what: tokens with a role, each of a named user. Pure but for the table's file (`read_table`, `write_table`).

A token is shown once, when it is made; kept is only its hash. It has 256 random bits, so a plain hash is enough: there is
nothing to guess.
"""

import hashlib
import hmac
import json
import re
import secrets
from collections.abc import Mapping
from pathlib import Path
from typing import Final, Literal, NamedTuple

from broker_bridge.errors import ConfigError, NotFound, TokensDamaged, UsageError
from broker_bridge.secret import refuse_open, write_secret

Role = Literal["read", "operate"]
ROLES: Final[tuple[Role, ...]] = ("read", "operate")
PREFIX: Final = "bb_"
"""So that a token is known for one where it turns up by mistake."""
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}\Z")
_HASH: Final = re.compile(r"[0-9a-f]{64}\Z")
_LARGEST: Final = 2**20


class User(NamedTuple):
    """Who asks."""

    name: str
    """Empty: nobody in particular; only where there are no tokens at all."""
    role: Role

    def may(self, role: Role) -> bool:
        """Whether what this role may is allowed."""
        return ROLES.index(self.role) >= ROLES.index(role)


ANYBODY: Final = User("", "read")
"""Whoever reaches the port of a machine that gave no tokens out."""

Table = Mapping[str, User]
"""Users by the hash of their token."""


def hashed(token: str) -> str:
    """A token as it is kept."""
    return hashlib.sha256(token.encode()).hexdigest()


def user_of(table: Table, token: str) -> User | None:
    """Whose token this is. Every entry is compared, in time that tells nothing."""
    asked, found = hashed(token), None
    for kept, user in table.items():
        if hmac.compare_digest(kept, asked):
            found = user
    return found


def added(table: Table, name: str, role: Role) -> tuple[dict[str, User], str]:
    """The table with one more user, and the token. Raises UsageError where the name is none or is taken."""
    if not _NAME.match(name):
        raise UsageError(
            f"{name!r} is no user name: letters, digits, dots, dashes; a pseudonym, no person's name"
        )
    if any(user.name == name for user in table.values()):
        raise UsageError(f"{name!r} has a token already; remove it first")
    token = PREFIX + secrets.token_urlsafe(32)
    return {**table, hashed(token): User(name, role)}, token


def removed(table: Table, name: str) -> dict[str, User]:
    """The table without a user. Raises NotFound."""
    left = {kept: user for kept, user in table.items() if user.name != name}
    if len(left) == len(table):
        there = ", ".join(sorted(user.name for user in table.values())) or "nobody"
        raise NotFound(f"{name!r} has no token; there is: {there}")
    return left


def read_table(path: Path) -> dict[str, User]:
    """The table of a file; empty where there is none. Raises TokensDamaged where it is none or is open to everybody."""
    try:
        refuse_open(path.stat().st_mode, path, "web.tokens")
        if path.stat().st_size > _LARGEST:
            raise TokensDamaged(f"web.tokens = {path}: is larger than {_LARGEST:,} bytes")
        entries = json.loads(path.read_text(encoding="utf-8"))
        table = {_hash(entry["hash"]): User(str(entry["name"]), entry["role"]) for entry in entries}
    except FileNotFoundError:
        return {}
    except ConfigError as error:
        raise TokensDamaged(str(error)) from None
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise TokensDamaged(
            f"web.tokens = {path}: is no table of tokens ({type(error).__name__}); `broker-bridge tokens` writes it"
        ) from None
    if wrong := [user for user in table.values() if user.role not in ROLES]:
        raise TokensDamaged(f"web.tokens = {path}: {wrong[0].name} has role {wrong[0].role!r}, which is none")
    return table


def _hash(kept: object) -> str:
    if not isinstance(kept, str) or not _HASH.match(kept):
        raise ValueError("a token is kept as 64 hexadecimal digits")
    return kept


def write_table(path: Path, table: Table) -> None:
    """Write it for this user alone. Raises ConfigError where that cannot be."""
    entries = [{"name": user.name, "role": user.role, "hash": kept} for kept, user in table.items()]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_secret(path, json.dumps(sorted(entries, key=lambda entry: entry["name"]), indent=1) + "\n")
    except OSError as error:
        raise ConfigError(f"web.tokens = {path}: cannot be written: {error.strerror}") from error
