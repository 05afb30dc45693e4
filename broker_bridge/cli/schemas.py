"""schemas: list, tell, write and check the published schemas."""

import argparse
import json
import shutil
import textwrap
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from broker_bridge.errors import UsageError

if TYPE_CHECKING:
    from broker_bridge.schemas.fields import Field

_EPILOG = """\
example: broker-bridge schemas work.completed      # the fields that a mapping may fill
         broker-bridge schemas --out schemas

Writing refuses to break a final schema that lies in the folder: a field that goes away or changes its type
needs a new type beside the old one. CHANGES.md in that folder tells the rules."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.epilog = _EPILOG
    parser.add_argument(
        "type", metavar="TYPE", nargs="?", help="an event type or an answer, as listed: tell its fields"
    )
    parser.add_argument("--out", metavar="DIR", type=Path, help="write the schemas into this folder")
    parser.add_argument(
        "--check",
        action="store_true",
        help="write nothing; say whether the folder (schemas, or --out) holds just what would be written",
    )
    parser.add_argument("--json", action="store_true", help="answer as JSON")


def run(args: argparse.Namespace) -> int:
    """List the schemas, tell one, or write or check a folder of them. 1 when the check or the writing found something."""
    from broker_bridge.schemas.files import FILES, text

    if args.type is not None:
        if args.out or args.check:
            raise UsageError("TYPE is told; --out and --check take all schemas: ask for one of the two")
        return _tell(args.type, as_json=args.json)
    documents = {name: build() for name, build in FILES.items()}
    if args.check:
        folder = args.out or Path("schemas")
        if not folder.is_dir():
            raise UsageError(f"{folder} is no folder; name the one that holds the schemas with --out")
        findings = _differences(folder, {name: text(document) for name, document in documents.items()})
        return _report(findings, f"{folder} holds the schemas of this program", as_json=args.json)
    if args.out:
        findings = _broken(args.out, documents)
        if not findings:
            _write(args.out, {name: text(document) for name, document in documents.items()})
        return _report(findings, f"{len(documents)} files written to {args.out}", as_json=args.json)
    rows = [
        {"file": name, "status": document.get("x-status"), "description": document.get("description")}
        for name, document in sorted(documents.items())
    ]
    if args.json:
        print(json.dumps(rows, indent=2, ensure_ascii=False))
    else:
        for row in rows:
            print(f"{row['file']:36} {row['status'] or '':6} {row['description'] or ''}".rstrip())
    return 0


def _tell(name: str, *, as_json: bool) -> int:
    from difflib import get_close_matches

    from broker_bridge.schemas.files import FILES, text

    name = name.removesuffix(".json")
    build = FILES.get(f"{name}.json")
    if build is None:
        near = get_close_matches(name, [file.removesuffix(".json") for file in FILES], 3, 0.6)
        raise UsageError(
            f"{name!r} is no event type and no answer" + (f"; near it are {', '.join(near)}" if near else "")
            + ": `broker-bridge schemas` lists all"
        )  # fmt: skip
    document = build()
    if as_json:
        print(text(document), end="")
    else:
        width = max(60, min(110, shutil.get_terminal_size((110, 24)).columns))
        print("\n".join(_told(name, document, width)))
    return 0


def _told(name: str, document: Mapping[str, Any], width: int) -> Iterator[str]:
    from broker_bridge.events.union import DATA_TYPES
    from broker_bridge.schemas.fields import fields

    status = f" ({document['x-status']})" if "x-status" in document else ""
    yield from textwrap.wrap(f"{name}{status}: {document.get('description', '')}".rstrip(": "), width)
    rows = list(fields(document, leave_out="origin" if name in DATA_TYPES else ""))
    if not rows:
        yield "It is no object with fields of its own: --json prints the schema."
        return
    yield "* has to be there, within what it is a field of; [] is each member of a list."
    if name in DATA_TYPES:
        yield "The adapter itself fills origin, and the envelope: id, source, time ..."
    yield ""
    room = min(max(len(row.path) for row in rows), 34)
    for row in rows:
        yield from _row(row, room, width)


def _row(row: "Field", room: int, width: int) -> Iterator[str]:
    head = f"{'*' if row.required else ' '} {row.path:<{room}}  "
    told = f"{row.type}. {row.description}" if row.description else row.type
    lines = textwrap.wrap(told, width - room - 4, break_on_hyphens=False)
    if len(row.path) > room:
        yield head.rstrip()
        head = " " * (room + 4)
    for line in lines:
        yield head + line
        head = " " * (room + 4)


def _differences(folder: Path, texts: dict[str, str]) -> list[str]:
    there = {path.name: path.read_bytes() for path in folder.glob("*.json")}
    findings = [f"{name}: missing" for name in sorted(texts.keys() - there.keys())]
    findings += [f"{name}: not a schema of this program" for name in sorted(there.keys() - texts.keys())]
    findings += [
        f"{name}: differs from the schema of this program"
        for name in sorted(texts.keys() & there.keys())
        if there[name] != texts[name].encode()
    ]
    return findings


def _broken(folder: Path, documents: dict[str, dict[str, object]]) -> list[str]:
    from broker_bridge.schemas.compatibility import incompatibilities

    findings: list[str] = []
    for name, new in sorted(documents.items()):
        path = folder / name
        try:
            old = json.loads(path.read_bytes()) if path.exists() else {}
        except ValueError as error:
            findings.append(f"{path}: is not JSON: {error}")
            continue
        if old.get("x-status") == "final":
            findings += [f"{name}: {finding}" for finding in incompatibilities(old, new)]
    return findings


def _write(folder: Path, texts: dict[str, str]) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in texts.items():
            (folder / name).write_bytes(content.encode())
    except OSError as error:
        raise UsageError(f"{folder} cannot be written: {error.strerror or error}") from error


def _report(findings: list[str], fine: str, *, as_json: bool) -> int:
    if as_json:
        print(json.dumps({"findings": findings}, indent=2, ensure_ascii=False))
    else:
        print("\n".join(findings) or fine)
    return 1 if findings else 0
