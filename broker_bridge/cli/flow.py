"""`flow`: throughput, boards in process, bottleneck, balance, changeovers, where stations' time goes."""

import argparse
import gc
import sys
from typing import TYPE_CHECKING, Any, Final

from broker_bridge.cli.where import record_url, where
from broker_bridge.errors import UsageError

if TYPE_CHECKING:
    from broker_bridge.cli.progress import Bar
    from broker_bridge.queries.choice import Choice
    from broker_bridge.queries.record import Record
    from broker_bridge.trace.quality import Answer

EXAMPLE: Final = """\
example: broker-bridge flow line --from 2026-03-02 --to 2026-03-02
         broker-bridge flow line --faster place1=3.5          # what would a faster station gain?
         broker-bridge flow stations --station aoi --list cycle
         broker-bridge flow changes --svg changes.svg
         broker-bridge flow time --oee e79 --ideal place1=11

What bounds a line today need not bound it tomorrow; a faster machine is set by authorised people, never from here.

exit codes: 0 nothing to look at, 1 there is (a bottleneck, unplanned downtime), or not found, 2 usage, 3 configuration,
            4 record unreachable, 5 record damaged"""

_VIEWS: Final = {
    "line": "throughput, boards in process, Little's law, the bottleneck, balance, what a faster station gains",
    "stations": "cycle, dwell, busy, blocked and starved shares of each station",
    "changes": "changeovers from program to program",
    "time": "the six states of SEMI E10, MTBF, MTTR, OEE, alarms",
}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    from broker_bridge.cli.choosing import choice_options, form_options

    parser.epilog = EXAMPLE
    views = parser.add_subparsers(dest="view", metavar="VIEW", required=True, prog=parser.prog)
    made = {name: views.add_parser(name, help=text, description=text) for name, text in _VIEWS.items()}
    made["line"].add_argument(
        "--faster", metavar="STATION=S", action="append", default=[],
        help="what the line gains where this station takes S seconds a board; may be given again",
    )  # fmt: skip
    made["time"].add_argument(
        "--ideal", metavar="STATION=S", action="append", default=[],
        help="its best cycle, seconds a panel (default: the fastest tenth that is known)",
    )  # fmt: skip
    made["time"].add_argument(
        "--planned", metavar="H", type=float, help="planned busy time, hours (default: all of it)"
    )
    made["time"].add_argument(
        "--good",
        metavar="SHARE",
        type=float,
        help="share of good boards, as `quality yield` tells it (default: all)",
    )
    made["time"].add_argument(
        "--oee", default="iso", metavar="STANDARD", help="iso (ISO 22400-2) or e79 (SEMI E79) (iso)"
    )
    for child in made.values():
        choice_options(child, leave_out=("program-revision", "inspection-method", "designator", "position"))
        form_options(child)
        where(child)


def run(args: argparse.Namespace) -> int:
    """Tell it; 1 where there is something to look at."""
    from broker_bridge.cli.choosing import asked, draw_to
    from broker_bridge.cli.progress import Bar
    from broker_bridge.cli.quality_words import tell
    from broker_bridge.queries.past import as_known
    from broker_bridge.queries.record import open_record

    if not 0 < args.level < 1:
        raise UsageError(f"--level {args.level:g}: expected a share between 0 and 1")
    if args.view == "time" and args.good is not None and not 0 <= args.good <= 1:
        raise UsageError(f"--good {args.good:g}: expected a share from 0 to 1")
    if args.view == "time" and args.planned is not None and not args.planned > 0:
        raise UsageError(f"--planned {args.planned:g}: expected hours, above 0")
    bar = Bar()
    choice = asked(args)
    gc.disable()  # what is read is kept until the answer is there
    try:
        with open_record(
            record_url(args), lambda done, there: bar.update(done / max(1, there), "indexing")
        ) as record:
            if record.note:
                bar.clear()
                print(record.note, file=sys.stderr)
            if args.at is not None and args.at != record.as_of().commit:
                with as_known(
                    record, args.at, lambda done, there: bar.update(done / max(1, there), "indexing")
                ) as then:
                    answer = _answer(then, choice, args, bar)
            else:
                answer = _answer(record, choice, args, bar)
    finally:
        bar.clear()
        gc.enable()
    if args.svg is not None:
        draw_to(answer, args.svg)
    tell(answer, args)
    return 1 if answer.found else 0


def _answer(record: "Record", choice: "Choice", args: argparse.Namespace, bar: "Bar") -> "Answer":
    from broker_bridge.queries.flow import flow_changes, flow_line, flow_stations
    from broker_bridge.queries.flow_columns import read_flow
    from broker_bridge.queries.flow_time import flow_time

    flow = read_flow(record, choice, record.as_of(), bar.update)
    words = choice.words()
    match args.view:
        case "line":
            return flow_line(flow, words, quicker=_pairs("--faster", args.faster), level=args.level)
        case "stations":
            return flow_stations(flow, words, level=args.level)
        case "changes":
            return flow_changes(flow, words, level=args.level)
    return flow_time(
        record, flow, words, ideal=_pairs("--ideal", args.ideal), planned=args.planned, good=args.good, standard=args.oee,
        level=args.level, progress=bar.update,
    )  # fmt: skip


def _pairs(option: str, given: Any) -> dict[str, float]:
    found: dict[str, float] = {}
    for text in given:
        name, equals, number = text.partition("=")
        try:
            found[name] = float(number)
        except ValueError:
            found[name] = 0.0
        if not equals or not found[name] > 0:
            raise UsageError(f"{option} {text}: expected STATION=SECONDS, above 0")
    return found
