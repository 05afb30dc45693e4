"""`quarantine list|show|retry`: records and payloads that could not be used."""

import argparse
import base64
import json
import sys
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from broker_bridge.config import Settings
    from broker_bridge.queries.quarantine import Kept

EXAMPLE = """\
example: broker-bridge quarantine list
         broker-bridge quarantine show r17
         broker-bridge quarantine retry r17 --config plant.toml     # after mending the mapping, or naming the CFX machine
         broker-bridge quarantine retry --all --source /harbour-works/smt/line-1/spi-1-files

exit codes: 0 nothing in quarantine, shown, or read again (`list` tells what is still rejected),
            1 something is in quarantine, a retry was refused, is not possible (machines on a transfer channel
            say nothing twice), or was not answered in time"""

_WIDTH: Final = 100
_DUMP: Final = 512
"""Bytes that `show` prints; --raw writes them all."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    from broker_bridge.cli.where import where

    parser.epilog = EXAMPLE
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    listing = actions.add_parser("list", help="what is in quarantine")
    listing.add_argument("--mended", action="store_true", help="also what became events later")
    listing.add_argument("--source", help="only of this source")
    showing = actions.add_parser("show", help="one of them with its raw bytes")
    showing.add_argument("key", metavar="KEY", help="as `list` shows it: r17, p3")
    showing.add_argument(
        "--raw", action="store_true", help="write the raw bytes to standard output, nothing else"
    )
    retrying = actions.add_parser(
        "retry",
        help="read the archived raw bytes again with mapping, configuration and program as they are now",
        epilog="exit codes: 0 all were read again, 1 one was refused, is not possible or not answered in time, 2 usage",
    )
    retrying.add_argument("keys", metavar="KEY", nargs="*", help="as `list` shows them")
    retrying.add_argument("--all", action="store_true", help="everything of --source")
    retrying.add_argument("--source", help="with --all: the source, /site/area/line/adapter")
    retrying.add_argument("--who", help="who asks; a pseudonym is kept with the request")
    retrying.add_argument("--why", help="in a sentence, kept with the request")
    retrying.add_argument(
        "--wait", type=float, default=30.0, metavar="S", help="seconds to wait for the edge (30)"
    )
    for action in (listing, showing, retrying):
        where(action)
        action.add_argument("--json", action="store_true", help="print JSON")


def run(args: argparse.Namespace) -> int:
    """List, show or retry."""
    return {"list": _list, "show": _show, "retry": _retry}[args.action](args)


def _list(args: argparse.Namespace) -> int:
    from broker_bridge.cli.where import record_url
    from broker_bridge.queries.quarantine import kept
    from broker_bridge.queries.record import open_record

    with open_record(record_url(args)) as record:
        items = [item for item in kept(record, mended=args.mended) if args.source in (None, item.source)]
        as_of = record.as_of()
    if args.json:
        print(json.dumps({"as_of": as_of.commit, "kept": [_plain(item) for item in items]}, indent=1))
    else:
        for item in items:
            state = "mended" if item.mended else "open"
            where_ = ", ".join(part for part in (item.rawname, item.place) if part)
            print(_cut(f"{item.key:<8} {item.time[:19]}Z  {state:<6}  {item.source}"))
            print(_cut(f"{'':<8} {where_}"))
            print(_cut(f"{'':<8} {item.reason}"))
        print(
            f"{len(items)} in quarantine, as of commit {as_of.commit}."
            if items
            else "Nothing is in quarantine."
        )
        if items:
            print("`broker-bridge quarantine show KEY` shows the raw bytes of one.")
    return 1 if any(not item.mended for item in items) else 0


def _show(args: argparse.Namespace) -> int:
    from broker_bridge.cli.where import record_url
    from broker_bridge.queries.quarantine import one
    from broker_bridge.queries.raw_bytes import raw_of
    from broker_bridge.queries.record import open_record

    with open_record(record_url(args)) as record:
        item = one(record, args.key)
    raw = item.raw if item.raw is not None else raw_of(item, _settings(args))
    if args.raw:
        if raw is None:
            print(_elsewhere(item), file=sys.stderr)
            return 1
        sys.stdout.buffer.write(raw)
        return 0
    if args.json:
        print(
            json.dumps(
                _plain(item) | {"raw": None if raw is None else base64.b64encode(raw).decode()}, indent=1
            )
        )
        return 0
    for name, value in item._asdict().items():
        if name != "raw" and value is not None:
            print(f"{name:<12} {_printable(str(value))}")
    print()
    if raw is None:
        print(_elsewhere(item))
    else:
        _dump(raw)
    return 0


def _retry(args: argparse.Namespace) -> int:
    from broker_bridge.cli.where import DEFAULT
    from broker_bridge.config import load
    from broker_bridge.queries.record import open_record
    from broker_bridge.queries.retrying import of_keys, of_source, retry

    settings = load(args.config or DEFAULT)
    if args.all:
        wanted = of_source(args.source)
    else:
        with open_record(args.record or f"sqlite:////{str(settings.record.path).lstrip('/')}") as record:
            wanted = of_keys(record, args.keys)
    answers = retry(settings, wanted, args.wait, who=args.who, why=args.why)
    if args.json:
        print(json.dumps([answer._asdict() for answer in answers], indent=1))
    else:
        for answer in answers:
            told = (
                answer.outcome
                or "asked; the edge answers when it runs (`broker-bridge check` shows open requests)"
            )
            print(f"{answer.source}: {told}")
    return 0 if all(answer.done for answer in answers) else 1


def _settings(args: argparse.Namespace) -> "Settings | None":
    """The configuration, where there is one: the archive of its edge may hold what the record does not."""
    from broker_bridge.cli.where import DEFAULT
    from broker_bridge.config import load

    config = args.config or DEFAULT
    return load(config) if config.exists() else None


def _elsewhere(item: "Kept") -> str:
    if item.archived is None:
        return "The raw bytes are not kept."
    return f"The raw bytes are in the edge's archive, file {item.archived}, from byte {item.offset or 0}: ask there, with --config."


def _plain(item: "Kept") -> dict[str, Any]:
    raw = None if item.raw is None else base64.b64encode(item.raw).decode()
    return {name: value for name, value in (item._asdict() | {"raw": raw}).items() if value is not None}


def _dump(raw: bytes) -> None:
    for at in range(0, min(len(raw), _DUMP), 16):
        part = raw[at : at + 16]
        text = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in part)
        print(f"{at:08x}  {part.hex(' '):<47}  {text}")
    if len(raw) > _DUMP:
        print(f"... {len(raw) - _DUMP:,} bytes more; --raw writes them all")


def _cut(text: str) -> str:
    text = _printable(text)
    return text if len(text) <= _WIDTH else text[: _WIDTH - 3] + "..."


def _printable(text: str) -> str:
    return "".join(sign if sign.isprintable() else f"\\x{ord(sign):02x}" for sign in text)
