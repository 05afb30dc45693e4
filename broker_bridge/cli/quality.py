"""`quality`: yields, control charts, capability, paste, where defects came to be, gauge studies."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from broker_bridge.cli.choosing import asked, choice_options, draw_to, form_options
from broker_bridge.cli.where import record_url, where
from broker_bridge.errors import UsageError

if TYPE_CHECKING:
    from broker_bridge.cli.progress import Bar
    from broker_bridge.queries.choice import Choice
    from broker_bridge.queries.record import Record
    from broker_bridge.trace.quality import Answer

EXAMPLE: Final = """\
example: broker-bridge quality yield --station aoi --from 2026-03-02 --by part
         broker-bridge quality charts failed --station aoi --per hour --kind p --svg chart.svg
         broker-bridge quality charts reading:zone_6 --station oven --kind i-mr --rules nelson
         broker-bridge quality capability test:rail_3v3
         broker-bridge quality paste --part HW-1040 --side top --designator U1
         broker-bridge quality occurrence --within "component part" --controls 2
         broker-bridge quality gauge --file study.csv
         broker-bridge quality yield --list "aoi top"     # the boards behind every figure of that name

What comes with a defect need not be its cause, and a good number is not a release of product.

exit codes: 0 nothing to look at, 1 there is (failed boards, a rule that is hit, a defect, a gauge that is not good), or not
            found, 2 usage, 3 configuration, 4 record unreachable, 5 record damaged"""

_VIEWS: Final = {
    "yield": "first pass, rolled throughput, DPU, DPMO, Pareto, false calls and escapes",
    "charts": "control charts with their rules: individuals, X-bar, p, np, c, u, EWMA, CUSUM",
    "capability": "Cp, Cpk, Cpm, Pp, Ppk with intervals, normality, percentiles",
    "paste": "transfer efficiency, stroke, drift, print offset, stencil",
    "occurrence": "what came before each confirmed defect, relative risks, the top-up loop",
    "gauge": "gauge R&R from a table, or from verifications in the record",
}
_LARGEST: Final = 64 * 2**20


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    views = parser.add_subparsers(dest="view", metavar="VIEW", required=True, prog=parser.prog)
    made = {name: views.add_parser(name, help=text, description=text) for name, text in _VIEWS.items()}
    _yield(made["yield"])
    for name in ("charts", "capability"):
        _series(made[name])
    _charts(made["charts"])
    _capability(made["capability"])
    _paste(made["paste"])
    _occurrence(made["occurrence"])
    _gauge(made["gauge"])
    for child in made.values():
        choice_options(child)
        form_options(child)
        where(child)


def _yield(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--stage", choices=("inspected", "reviewed", "reworked"), default="reviewed",
        help="as the machines said, as people judged it, as it stands after rework (reviewed)",
    )  # fmt: skip
    parser.add_argument(
        "--by",
        metavar="GROUP",
        help="station, side, line, equipment, part, program, revision, order, position, day, hour",
    )
    parser.add_argument(
        "--end-item", metavar="STATION", help="DPMO of the finished product, evaluated there (IPC-7912A)"
    )
    parser.add_argument(
        "--class", dest="classes", metavar="WORD=CLASS", action="append", default=[],
        help="a defect's word is of the class component, placement or termination; may be given again",
    )  # fmt: skip


def _series(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "series", metavar="SERIES",
        help="reading:NAME, test:NAME, work:NAME, print:NAME, paste:COLUMN" + ("" if parser.prog.endswith("capability") else ", failed, defects, calls"),
    )  # fmt: skip
    parser.add_argument("--target", type=float, metavar="X", help="the value aimed at")
    parser.add_argument("--size", type=int, metavar="N", help="values of a subgroup, in order of time")


def _charts(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--kind", metavar="KIND", help="i-mr, xbar-r, xbar-s, p, np, c, u, ewma, cusum")
    parser.add_argument(
        "--rules", default="we", metavar="RULES", help="limits, we (Western Electric), nelson (we)"
    )
    parser.add_argument("--baseline", type=int, metavar="N", help="limits from the first N points (all)")
    parser.add_argument(
        "--phase", metavar="COLUMN", help="limits of their own for each program, order, part, day, equipment"
    )
    parser.add_argument("--sigma", type=float, metavar="S", help="of a single value, for ewma and cusum")
    parser.add_argument(
        "--per",
        default="hour",
        metavar="GROUP",
        help="counts per hour, day, order, panel, or N boards (hour)",
    )
    parser.add_argument(
        "--stage", choices=("inspected", "reviewed", "reworked"), default="reviewed", help="of failed boards"
    )


def _capability(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--lower", type=float, metavar="X", help="lower limit (default: as stated in the record)"
    )
    parser.add_argument(
        "--upper", type=float, metavar="X", help="upper limit (default: as stated in the record)"
    )
    parser.add_argument(
        "--least", type=int, default=25, metavar="N", help="values below which no index is told (25)"
    )


def _paste(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--by", choices=("pad", "component"), default="pad", help="pads, or means of components (pad)"
    )
    parser.add_argument(
        "--apertures",
        metavar="FILE",
        type=Path,
        help="CSV: designator, termination, length, width, thickness (mm)",
    )


def _occurrence(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--within", metavar="FACTOR", help="compare only among equals: 'component part', position ..."
    )
    parser.add_argument(
        "--controls", type=int, default=0, metavar="N", help="N boards like each affected one, not affected"
    )
    parser.add_argument("--seed", type=int, default=1, metavar="S", help="of the choice of controls (1)")
    parser.add_argument("--bands", metavar="A,B,...", help="edges of the bands of paste volume, percent")


def _gauge(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--file", metavar="CSV", type=Path, help="a study: appraiser, part, trial, value")
    parser.add_argument("--method", default="anova", metavar="M", help="anova, range (anova)")
    parser.add_argument(
        "--tolerance", type=float, metavar="T", help="width of the limits, for the gauge's share of it"
    )


def run(args: argparse.Namespace) -> int:
    """Tell it; 1 where there is something to look at."""
    import gc

    from broker_bridge.cli.progress import Bar
    from broker_bridge.cli.quality_words import tell

    if not 0 < args.level < 1:
        raise UsageError(f"--level {args.level:g}: expected a share between 0 and 1")
    # Nothing here is thrown away in cycles: a third of the time for a hundred thousand records.
    gc.disable()
    bar = Bar()
    try:
        answer = _answer(args, bar)
    finally:
        bar.clear()
        gc.enable()
    if args.svg is not None:
        draw_to(answer, args.svg)
    tell(answer, args)
    return 1 if answer.found else 0


def _answer(args: argparse.Namespace, bar: "Bar") -> "Answer":
    choice = asked(args)
    if args.view == "gauge" and args.file is not None:
        return _table_study(args)
    from broker_bridge.queries.record import open_record

    with open_record(
        record_url(args), lambda done, there: bar.update(done / max(1, there), "indexing")
    ) as record:
        if record.note:
            bar.clear()
            print(record.note, file=sys.stderr)
        return _OF[args.view](record, choice, args, bar.update)


def _of_yield(record: "Record", choice: "Choice", args: argparse.Namespace, progress: Any) -> "Answer":
    from broker_bridge.queries.columns import read_columns
    from broker_bridge.queries.parts import read_parts
    from broker_bridge.queries.quality_yield import quality_yield

    classes = dict(_class(text) for text in args.classes)
    as_of = record.as_of(args.at)
    columns = read_columns(record, as_of, progress)
    return quality_yield(
        columns, read_parts(record, as_of), choice, stage=args.stage, by=args.by, end_item=args.end_item, classes=classes,
        level=args.level,
    )  # fmt: skip


def _class(text: str) -> tuple[str, str]:
    word, equals, kind = text.partition("=")
    if not equals or kind not in ("component", "placement", "termination"):
        raise UsageError(f"--class {text}: expected WORD=component, WORD=placement or WORD=termination")
    return word, kind


def _of_series(record: "Record", choice: "Choice", args: argparse.Namespace, progress: Any) -> "Answer":
    from broker_bridge.queries import quality_charts as charts
    from broker_bridge.queries.quality_series import COUNTED, read_series, usual_chart

    as_of = record.as_of(args.at)
    what = args.series
    if args.view == "capability":
        if what in COUNTED:
            raise UsageError(f"capability of {what}: counts have no limits; take charts")
        series = read_series(record, as_of, choice, what, progress=progress)
    else:
        series = read_series(
            record, as_of, choice, what, per=args.per, stage=args.stage, phase=args.phase, progress=progress
        )
    if args.view == "capability":
        return charts.quality_capability(
            series, as_of, choice.words(), lower=args.lower, upper=args.upper, target=args.target, size=args.size or 1,
            least=args.least, level=args.level,
        )  # fmt: skip
    return charts.quality_charts(
        series, args.kind or usual_chart(what), as_of, choice.words(), rules=args.rules, size=args.size or 5, baseline=args.baseline, target=args.target,
        sigma=args.sigma,
    )  # fmt: skip


def _of_paste(record: "Record", choice: "Choice", args: argparse.Namespace, progress: Any) -> "Answer":
    from broker_bridge.queries.apertures import read_openings
    from broker_bridge.queries.columns_paste import read_paste
    from broker_bridge.queries.parts import read_parts
    from broker_bridge.queries.quality_paste import COLUMNS, quality_paste

    openings = None if args.apertures is None else read_openings(_text(args.apertures), args.apertures.name)
    as_of = record.as_of(args.at)
    paste = read_paste(record, as_of, choice, COLUMNS, progress)
    return quality_paste(
        paste,
        read_parts(record, as_of),
        choice,
        by=args.by,
        openings=openings,
        level=args.level,
        every=args.all,
    )


def _of_occurrence(record: "Record", choice: "Choice", args: argparse.Namespace, progress: Any) -> "Answer":
    from broker_bridge.queries.quality_ground import read_ground
    from broker_bridge.queries.quality_occurrence import EDGES, quality_occurrence

    edges: tuple[float, ...] = EDGES
    if args.bands is not None:
        try:
            edges = tuple(float(text) for text in args.bands.split(","))
        except ValueError:
            raise UsageError(f"--bands {args.bands}: expected numbers, 50,85,115,150") from None
    return quality_occurrence(
        read_ground(record, record.as_of(args.at), choice, progress),
        choice,
        within=args.within,
        controls=args.controls,
        seed=args.seed,
        edges=edges,
        level=args.level,
        every=args.all,
    )


def _of_gauge(record: "Record", choice: "Choice", args: argparse.Namespace, progress: Any) -> "Answer":
    from broker_bridge.queries.quality_gauge import quality_gauge, read_verifications

    as_of = record.as_of(args.at)
    verified = read_verifications(record, as_of, choice, progress)
    return quality_gauge(
        verified.values,
        as_of,
        choice.words(),
        method=args.method,
        tolerance=args.tolerance,
        verified=verified,
    )


def _table_study(args: argparse.Namespace) -> "Answer":
    from broker_bridge.queries.quality_gauge import quality_gauge, trials_of_table
    from broker_bridge.trace.history import AsOf

    trials = trials_of_table(_text(args.file), args.file.name)
    return quality_gauge(
        {args.file.name: trials},
        AsOf(args.file.name, 0, 0, 0),
        "",
        method=args.method,
        tolerance=args.tolerance,
    )


_OF: Final = {
    "yield": _of_yield, "charts": _of_series, "capability": _of_series, "paste": _of_paste, "occurrence": _of_occurrence,
    "gauge": _of_gauge,
}  # fmt: skip


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > _LARGEST:
            raise UsageError(f"{path}: larger than {_LARGEST // 2**20} MB")
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"{path}: cannot be read: {error}") from error
