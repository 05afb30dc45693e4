"""What of a record is asked for, and how the answer is told: options that `quality` and `flow` share."""

import argparse
from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING

from broker_bridge.errors import UsageError

if TYPE_CHECKING:
    from broker_bridge.queries.choice import Choice
    from broker_bridge.trace.quality import Answer


def choice_options(parser: argparse.ArgumentParser, *, leave_out: Collection[str] = ()) -> None:
    """Add what narrows the question, but for the options that do not fit it."""
    asked = parser.add_argument_group("what of the record")
    asked.add_argument("--line", metavar="LINE", help="its name, or /site/area/line")
    for name, text in (
        ("station", "at this station"), ("equipment", "of this machine"), ("part", "of this part number"),
        ("program", "with this program"), ("program-revision", "with this revision of the program"),
        ("order", "of this work order"), ("inspection-method", "paste, optical, x_ray, functional ..."),
    ):  # fmt: skip
        if name not in leave_out:
            asked.add_argument(f"--{name}", metavar=name.rpartition("-")[2].upper(), help=text)
    asked.add_argument("--side", choices=("top", "bottom"), help="the side worked on")
    if "designator" not in leave_out:
        asked.add_argument("--designator", metavar="R", help="at this component")
    if "position" not in leave_out:
        asked.add_argument("--position", metavar="N", type=int, help="at this position of the panel")
    asked.add_argument(
        "--from", "--since", dest="since", metavar="TIME", help="at or after, RFC 3339 or a date, UTC"
    )
    asked.add_argument(
        "--to", "--until", dest="until", metavar="TIME", help="at or before; a date means its end"
    )
    parser.set_defaults(**{name.replace("-", "_"): None for name in leave_out})
    asked.add_argument(
        "--shift", metavar="HH:MM-HH:MM", help="at this time of the day, UTC; may go over midnight"
    )
    asked.add_argument(
        "--any-purpose", action="store_true", help="also reference boards, dummies and the like"
    )
    asked.add_argument("--at", metavar="COMMIT", type=int, help="as it was known at this commit")


def form_options(parser: argparse.ArgumentParser) -> None:
    """Add the forms of the answer."""
    told = parser.add_argument_group("how it is told")
    form = told.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="as JSON (schemas/quality.json)")
    form.add_argument("--csv", action="store_true", help="as CSV, safe against formulas")
    told.add_argument("--svg", metavar="FILE", type=Path, help="also write the charts as one SVG")
    told.add_argument(
        "--list", metavar="NAME", nargs="?", const="",
        help="also the boards behind each figure; with NAME only figures whose name or section holds it",
    )  # fmt: skip
    told.add_argument("--all", action="store_true", help="all rows of long sections")
    told.add_argument("--level", type=float, default=0.95, metavar="L", help="of the intervals (0.95)")


def asked(args: argparse.Namespace) -> "Choice":
    """The choice that the options make. Raises UsageError."""
    from broker_bridge.cli.defects import moment
    from broker_bridge.queries.choice import Choice

    return Choice(
        args.line, args.station, args.equipment, args.part, args.program, args.program_revision, args.side, args.order,
        args.inspection_method, args.designator, args.position, moment(args.since), moment(args.until, end=True),
        _shift(args.shift), args.any_purpose,
    )  # fmt: skip


def _shift(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    from datetime import time

    try:
        start, end = (time.fromisoformat(part.strip()) for part in text.split("-"))
    except ValueError:
        raise UsageError(f"--shift {text}: expected 06:00-14:00") from None
    if start == end:
        raise UsageError(f"--shift {text}: begins when it ends")
    return start.hour * 60 + start.minute, end.hour * 60 + end.minute


def draw_to(answer: "Answer", path: Path) -> None:
    """Write the charts of an answer as SVG. Raises UsageError where that cannot be."""
    from broker_bridge.charts.svg import picture

    text = picture(answer.plots, f"As of commit {answer.as_of.commit}. {answer.sentence}")
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror}") from error
