#!/usr/bin/env python3
"""Every operation of the HTTP interface, with parameters that fit and that do not: no server error, answers as described.

    ./tools/virtual_plant --boards 60 --faults rough --data DIR
    python tools/fuzz/fuzz_web.py DIR --minutes 10 --seed 1

The service runs in this process over a copy of the record and is asked as a reader and as an operator in turn, with names
that are in the record, hostile ones and made-up ones. Held against the OpenAPI document: no 5xx but a 501 or 503 that is
described, content type and shape of every answer. Findings are told with the command that repeats them.
"""

import argparse
import asyncio
import contextlib
import logging
import shutil
import sys
import tempfile
import threading
import time
import warnings
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.core.failures import FailureGroup
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

Known = Mapping[str, Sequence[str]]
"""Values by the name of a parameter."""

ENDLESS: Final = ("/live",)
"""They answer until the caller leaves."""
HOSTILE: Final = (
    "<script>alert(1)</script>", "'\"><img src=x onerror=alert(1)>", "\u202etxt.exe\u2066", "\x00\x07\x1b[31m", "x" * 5000, "%00", "..",
    "{{7*7}}", "' OR 1=1 --", "\ufeff", "\ud7ff\U0010ffff", " ", "null",
)  # fmt: skip
CHECKS: Final = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]


def operations(document: dict[str, Any]) -> list[Any]:
    """All that can be asked, in the order of the document."""
    schema = schemathesis.openapi.from_dict(document)
    return [one.ok() for one in schema.get_all_operations() if not one.ok().path.endswith(ENDLESS)]


def cases(operation: Any, known: Known) -> st.SearchStrategy[Any]:
    """Requests that fit the description and that do not, some with names that mean something or want to do harm."""
    fits = operation.as_strategy(generation_mode=GenerationMode.POSITIVE)
    fails = operation.as_strategy(generation_mode=GenerationMode.NEGATIVE)
    taken = {
        where: [name for one in parameters if (name := one.name) in known]
        for where, parameters in (
            ("query", operation.query), ("path_parameters", operation.path_parameters),
        )
    }  # fmt: skip

    @st.composite
    def made(draw: st.DrawFn) -> Any:
        try:
            case = draw(fails if draw(st.integers(0, 3)) == 0 else fits)
        except Unsatisfiable:  # nothing is wrong for an operation without parameters
            case = draw(fits)
        for where, names in taken.items():
            values = getattr(case, where)
            for name in names:
                if draw(st.booleans()) and isinstance(values, dict) and (name in values or where == "query"):
                    values[name] = draw(st.sampled_from([*known[name], *known[name], *HOSTILE]))
        return case

    return made()


def tried(case: Any, address: str, token: str) -> int:
    """Ask; the status. Raises what schemathesis found."""
    response = case.call(base_url=address, headers={"authorization": f"Bearer {token}"}, timeout=120)
    if response.status_code in (
        501,
        503,
    ):  # described: an extra is not installed; the record cannot be read now
        return int(response.status_code)
    case.validate_response(response, checks=CHECKS)
    return int(response.status_code)


def run(operation: Any, known: Known, examples: int, seed_: int, ask: Callable[[Any], None]) -> None:
    """Ask so many different requests of one operation; the same seed gives the same ones."""

    @seed(seed_)
    @settings(
        max_examples=examples, deadline=None, database=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(cases(operation, known))
    def asks(case: Any) -> None:
        ask(case)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        asks()


class _Errors(logging.Handler):
    """What the service says of errors that nobody foresaw."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.told: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.told.append(logging.Formatter().format(record))


@contextlib.contextmanager
def serving(folder: Path, where: Path) -> Iterator[tuple[str, dict[str, str]]]:
    """A service over a copy of a plant's record: its address, and a token for each role."""
    from broker_bridge.config import Web
    from broker_bridge.web.access import added, write_table
    from broker_bridge.web.server import serve

    for file in folder.glob("record*"):
        shutil.copy(file, where / file.name)
    table, read = added({}, "mes", "read")
    table, operate = added(table, "qe-02", "operate")
    write_table(where / "tokens.json", table)
    url = f"sqlite:////{str(where / 'record.db').lstrip('/')}"
    loop = asyncio.new_event_loop()
    told: Future[str] = Future()

    async def live() -> None:
        web = Web(port=0, tokens=where / "tokens.json", requests_per_minute=1_000_000)
        await serve(web, url, now=lambda: datetime.now(UTC), settings=None, ready=told.set_result)

    def turn() -> None:
        with contextlib.suppress(asyncio.CancelledError):
            loop.run_until_complete(task)
        loop.close()

    task = loop.create_task(live())
    thread = threading.Thread(target=turn)
    thread.start()
    try:
        yield told.result(60).rstrip("/"), {"read": read, "operate": operate}
    finally:
        loop.call_soon_threadsafe(task.cancel)
        thread.join(60)


def names_of(address: str, token: str) -> Known:
    """What is in a record, by the parameters that ask for it."""
    import httpx

    with httpx.Client(
        base_url=f"{address}/api/v1", headers={"authorization": f"Bearer {token}"}, timeout=120
    ) as asked:

        def get(path: str, **query: Any) -> Any:
            return asked.get(path, params=query).raise_for_status().json()

        events = [one["event"] for one in get("/events", limit=1000)["events"]]
        data = [event["data"] for event in events]
        boards = [
            one["value"] for item in data for board in item.get("boards", ()) for one in board["identifiers"]
        ]
        materials = [item["material"] for item in data if "material" in item]
        stations = sorted({item["station"] for item in data if item.get("station")})
        found = {
            "id": boards[:200], "begin": [board[:4] for board in boards[:50]], "station": stations, "equipment": stations,
            "end": stations, "end_item": stations, "kind": ["board", "panel"], "statement": ["V1", "D1", "G1", "M1", "I1"],
            "lot": [lot for one in materials for lot in one.get("lots", ())], "reel": [one["id"] for one in materials if "id" in one],
            "text": boards[:20], "order": [item["order"] for item in data if item.get("order")],
            "part": [item["part"]["number"] for item in data if item.get("part", {}).get("number")],
            "series": ["failed", "defects", "calls", "paste:volume", "paste:offset_x", "reading:zone_1", "test:x", "work:placed"],
            "by": ["station", "day", "position", "pad"], "per": ["day", "panel", "3"], "phase": ["program", "day"],
            "within": ["component part", "position"], "key": [one["key"] for one in get("/quarantine", mended=True)["kept"]],
        }  # fmt: skip
        return {name: sorted(set(values)) for name, values in found.items() if values}


def main() -> int:
    """Ask until the time is over; exit code 1 with findings."""
    import httpx

    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path, metavar="DIR", help="holds a record.db; only a copy is asked")
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    errors = _Errors()
    logging.getLogger("broker_bridge").addHandler(errors)
    statuses: Counter[str] = Counter()
    slowest: Counter[str] = Counter()
    findings: dict[str, str] = {}
    until = time.monotonic() + args.minutes * 60
    with (
        tempfile.TemporaryDirectory() as where,
        serving(args.folder, Path(where)) as (address, tokens),
    ):
        known = names_of(address, tokens["read"])
        listed = operations(httpx.get(f"{address}/api/v1/openapi.json", timeout=120).json())
        number = args.seed * 1_000_000
        while time.monotonic() < until:
            for operation in listed:
                for role, token in tokens.items():
                    number += 1

                    def ask(case: Any, label: str = operation.label, token: str = token) -> None:
                        if time.monotonic() >= until:
                            return
                        begun = time.monotonic()
                        try:
                            statuses[f"{tried(case, address, token)}"] += 1
                        except (Exception, FailureGroup) as error:
                            statuses["finding"] += 1
                            found = getattr(error, "exceptions", (error,))
                            findings.setdefault(
                                f"{label}: {str(found[0])[:200]}",
                                f"{case.as_curl_command()}\n" + "\n".join(str(one)[:2000] for one in found),
                            )
                        took = round((time.monotonic() - begun) * 1000)
                        slowest[label] = max(slowest[label], took)

                    with contextlib.suppress(Unsatisfiable):
                        run(operation, known, 10 if role == "read" else 5, number, ask)
    for text in findings.values():
        print(text, end="\n\n")
    for text in dict.fromkeys(errors.told):
        print(text, end="\n\n")
    told = ", ".join(f"{count:,} of {status}" for status, count in sorted(statuses.items()))
    print(
        f"{sum(statuses.values()):,} requests to {len(listed)} operations, {len(findings)} findings; {told}; slowest, ms: {slowest.most_common(5)}"
    )
    return 1 if findings or errors.told else 0


if __name__ == "__main__":
    sys.exit(main())
