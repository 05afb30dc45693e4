"""schemas: list, write and check the published schemas."""

import argparse
import json
from pathlib import Path

from broker_bridge.errors import UsageError

_EPILOG = """\
example: broker-bridge schemas --out schemas

Writing refuses to break a final schema that lies in the folder: a field that goes away or changes its type
needs a new type beside the old one. CHANGES.md in that folder tells the rules."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.epilog = _EPILOG
    parser.add_argument("--out", metavar="DIR", type=Path, help="write the schemas into this folder")
    parser.add_argument(
        "--check",
        action="store_true",
        help="write nothing; say whether the folder (schemas, or --out) holds just what would be written",
    )
    parser.add_argument("--json", action="store_true", help="answer as JSON")


def run(args: argparse.Namespace) -> int:
    """List the schemas, or write or check a folder of them. 1 when the check or the writing found something."""
    from broker_bridge.schemas.files import FILES, text

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
