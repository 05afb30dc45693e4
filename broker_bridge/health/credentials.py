"""The broker's credentials: there, private, in time, and as the configuration says."""

import ssl
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from broker_bridge.bus.access import access_list
from broker_bridge.bus.authority import read_certificate
from broker_bridge.bus.credentials import (
    ACCESS,
    AUTHORITY,
    AUTHORITY_KEY,
    CERTIFICATE,
    KEY,
    PASSWORDS,
    read_access,
    refuse_misfit,
)
from broker_bridge.bus.securing import SOON, doubts
from broker_bridge.config import Settings
from broker_bridge.errors import ConfigError
from broker_bridge.health.finding import Finding, ago
from broker_bridge.secret import wide

_RENEW = "run `broker-bridge secure CONFIG --renew` on the broker's machine and start the broker again"
_SECURE = "run `broker-bridge secure CONFIG` and start the broker again"


def credentials(settings: Settings, now: datetime | None = None) -> Iterator[Finding]:
    """Findings about certificates, passwords and the access list on this machine."""
    broker, folder = settings.broker, settings.broker.credentials
    secrets = [broker.password_file, *(one.password_file for one in broker.logins.values())]
    if folder is not None:
        secrets += [folder / AUTHORITY_KEY, folder / KEY, *sorted((folder / PASSWORDS).glob("*"))]
    secrets += [settings.edge.persons / "key", settings.edge.persons / "names.jsonl"]
    for path in secrets:
        if path is not None and (text := wide(path)) is not None:
            world = path.stat().st_mode & 0o007
            advice = f"chmod 600 {path}"
            if not world:
                advice += ", unless that group is the broker's own"
            yield Finding("secrets", "problem" if world else "notice", text, advice)
    for path in (settings.edge.outbox, settings.record.path):
        if path.exists() and path.stat().st_mode & 0o007:
            text = f"everybody on this machine may read {path}"
            yield Finding(
                "secrets", "notice", text, f"chmod 640 {path}*; who is to read it belongs into its group"
            )
    if folder is None:
        if broker.kind == "embedded" and broker.username is None:
            yield Finding(
                "credentials",
                "notice",
                "the broker has no logins: every program on this machine may read and publish everything",
                "`broker-bridge secure CONFIG` makes certificates, logins and an access list",
            )
        return
    authority = broker.ca_file or folder / AUTHORITY
    instant = now or datetime.now(UTC)
    yield from _certificate(
        authority, "authority", instant, "run `broker-bridge secure CONFIG --renew authority`"
    )
    if "broker" not in settings.roles or broker.kind != "embedded":
        return
    yield from _certificate(folder / CERTIFICATE, "broker's certificate", instant, _RENEW)
    try:
        refuse_misfit(folder)
        for doubt in doubts(broker):
            yield Finding("credentials", "problem", doubt, _SECURE)
    except ConfigError as error:
        if (folder / CERTIFICATE).exists() and authority.exists():  # else it was told above
            yield Finding("credentials", "problem", str(error), "the broker does not start until then")
    if (folder / AUTHORITY_KEY).exists():
        yield Finding(
            "credentials",
            "notice",
            f"the authority's key lies at {folder / AUTHORITY_KEY}: who has it can pass for the broker",
            "keep it off this machine; it is needed only to renew",
        )
    try:
        listed = {one.login: one for one in read_access(folder)}
    except ConfigError as error:
        yield Finding("access list", "problem", str(error), _SECURE)
        return
    for one in access_list(settings):
        known = listed.get(one.login)
        if known is None or not (set(one.publish) <= set(known.publish) and set(one.read) <= set(known.read)):
            yield Finding(
                "access list",
                "problem",
                f"{folder / ACCESS} does not let {one.login} do what the configuration needs: the broker would"
                " acknowledge and drop it",
                _SECURE,
            )


def _certificate(path: Path, name: str, now: datetime, advice: str) -> Iterator[Finding]:
    try:
        ends = read_certificate(path.read_text(encoding="utf-8")).not_valid_after_utc
    except (OSError, UnicodeDecodeError, ConfigError, ssl.SSLError) as error:
        yield Finding("credentials", "problem", f"{path}: {error}", _SECURE)
        return
    left = (ends - now).total_seconds()
    if left < 0:
        yield Finding("credentials", "problem", f"the {name} has expired on {ends:%Y-%m-%d}", advice)
    elif left < SOON.total_seconds():
        yield Finding("credentials", "problem", f"the {name} ends in {ago(left)}", advice)
    else:
        yield Finding("credentials", "fine", f"the {name} holds until {ends:%Y-%m-%d}")
