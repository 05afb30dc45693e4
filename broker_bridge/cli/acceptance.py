"""`check CONFIG --acceptance STATION`: a count by hand, held against the record and signed."""

import argparse
import csv
import tomllib
from collections.abc import Mapping
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from broker_bridge.errors import UsageError

if TYPE_CHECKING:
    from broker_bridge.trace.acceptance import Window

_KEYS: Final = ("station", "lane", "from", "to", "counted", "counting")


def accept(args: argparse.Namespace) -> int:
    """Compare; 0 when every count agrees and nothing may be missing, else 1."""
    from broker_bridge.cli.acceptance_words import page
    from broker_bridge.cli.progress import Bar
    from broker_bridge.cli.where import record_url
    from broker_bridge.queries.acceptance import acceptances
    from broker_bridge.queries.record import open_record
    from broker_bridge.trace.plain import plain

    zone = _zone(args.zone)
    windows = _windows(args, zone)
    url = record_url(argparse.Namespace(record=None, config=args.config))
    bar = Bar(quiet=args.json)
    with open_record(url) as record:
        told = acceptances(record, url, windows, near_s=args.near, progress=bar.update)
    bar.clear()
    printed = datetime.now(UTC)
    pages = "\f".join("\n".join(page(one, zone, printed)) + "\n" for one in told)
    if args.output is not None:
        try:
            args.output.write_text(pages, encoding="utf-8")
        except OSError as error:
            raise UsageError(f"{args.output}: cannot be written: {error.strerror}") from None
    if args.json:
        import json

        print(json.dumps([plain(one) for one in told], indent=1))
    else:
        print(pages.replace("\f", "\n"), end="")
    return 0 if all(one.agrees for one in told) else 1


def _windows(args: argparse.Namespace, zone: tzinfo | None) -> "list[Window]":
    if args.counts is None:
        given = {"station": args.acceptance, "lane": args.lane, "from": args.from_, "to": args.to,
                 "counted": args.counted, "counting": args.counting}  # fmt: skip
        return [_window(given, "--acceptance", zone)]
    if any(
        value is not None
        for value in (args.acceptance, args.from_, args.to, args.counted, args.lane, args.counting)
    ):
        raise UsageError(
            "--counts tells stations, times and counts: leave --acceptance, --from, --to ... out"
        )
    rows = _rows(args.counts)
    if not rows:
        raise UsageError(f"{args.counts}: holds no count")
    return [_window(row, f"{args.counts}, count {number}", zone) for number, row in enumerate(rows, 1)]


def _rows(path: Path) -> list[Mapping[str, Any]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"{path}: cannot be read: {error}") from None
    if path.suffix.lower() == ".toml":
        try:
            document = tomllib.loads(text)
        except (ValueError, RecursionError) as error:
            raise UsageError(f"{path}: is not TOML: {error}") from None
        counts = document.get("count")
        if not isinstance(counts, list) or not all(isinstance(row, dict) for row in counts):
            raise UsageError(f"{path}: write a [[count]] for each station, with {', '.join(_KEYS)}")
        return counts
    sign = ";" if ";" in text.split("\n", 1)[0] else ","
    return list(csv.DictReader(text.splitlines(), delimiter=sign))


def _window(given: Mapping[str, Any], where: str, zone: tzinfo | None) -> "Window":
    from broker_bridge.trace.acceptance import COUNTING, Window

    told = {
        str(key).strip(): value.strip() if isinstance(value, str) else value for key, value in given.items()
    }
    if unknown := sorted(told.keys() - set(_KEYS)):
        raise UsageError(f"{where}: {unknown[0]!r} is unknown; known are {', '.join(_KEYS)}")
    for key in ("station", "from", "to", "counted"):
        if told.get(key) in (None, ""):
            raise UsageError(f"{where}: {key} is missing; a count needs station, from, to and counted")
    start, end = (_instant(told[key], f"{where}: {key}", zone) for key in ("from", "to"))
    if end <= start:
        raise UsageError(f"{where}: the count ends before it begins: {told['from']} to {told['to']}")
    counting = told.get("counting") or None
    if counting is not None and counting not in COUNTING:
        raise UsageError(f"{where}: counting = {counting!r}; it is one of {', '.join(COUNTING)}")
    lane = told.get("lane")
    return Window(
        station=str(told["station"]), lane=None if lane in (None, "") else _number(lane, f"{where}: lane"), from_=start,
        to=end, counted=_number(told["counted"], f"{where}: counted"), counting=counting,
    )  # fmt: skip


def _number(value: Any, where: str) -> int:
    text = str(value)
    if not text.isascii() or not text.isdigit():
        raise UsageError(f"{where} = {text!r} is no whole number")
    return int(text)


def _instant(value: Any, where: str, zone: tzinfo | None) -> datetime:
    try:
        time = value if isinstance(value, datetime) else datetime.fromisoformat(str(value))
        return (time.replace(tzinfo=zone) if time.tzinfo is None and zone else time).astimezone(UTC)
    except (ValueError, OverflowError):
        raise UsageError(f"{where} = {value!r} is no time; write it as 2026-03-02T08:00") from None


def _zone(name: str | None) -> tzinfo | None:
    if name is None:
        return None
    from zoneinfo import ZoneInfo

    try:
        return ZoneInfo(name)
    except (LookupError, ValueError, OSError):
        raise UsageError(f"--zone {name!r} is no time zone; use an IANA name such as Europe/Lisbon") from None
