"""Paste over many prints: where it lies, which pads differ by stroke or drift, where the print lies, what the stencil does."""

from collections.abc import Iterable, Sequence
from typing import Any, Final

import numpy as np

from broker_bridge.analysis.apertures import release
from broker_bridge.analysis.columns import Floats
from broker_bridge.analysis.intervals import Mean, Proportion, Refused, proportion
from broker_bridge.analysis.paste import (
    Change,
    Changes,
    by_component,
    drift,
    pad_statistics,
    stroke_difference,
)
from broker_bridge.analysis.print_offset import Part, PrintOffset, resolve
from broker_bridge.analysis.stencil import Cleaning, Wear, cleaning_effect, wear
from broker_bridge.queries.apertures import Openings, opening
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns_paste import Pad, Paste, Prints
from broker_bridge.queries.figures import mean, plain, refused, span
from broker_bridge.queries.parts import Parts
from broker_bridge.trace.quality import Answer, Figure, Mark, Plot, Section

COLUMNS: Final = ("volume", "volume_lower", "volume_upper", "offset_x", "offset_y", "x", "y")
ALPHA: Final = 0.05
"""Chance that the whole answer names a pad that drifts or differs by stroke, where none does."""
_LISTED: Final = 15
"""Pads of one section that are told; the worst come first. --all tells all."""
_TO_MM: Final = {"um": 1e-3, "µm": 1e-3, "mm": 1.0, "m": 1e3}
_VOLUMES: Final = {"mm3": 1.0, "um3": 1e-9, "µm3": 1e-9, "nL": 1e-3, "nl": 1e-3}


def quality_paste(
    paste: Paste,
    parts: Parts,
    choice: Choice,
    *,
    by: str = "pad",
    openings: Openings | None = None,
    level: float = 0.95,
    every: bool = False,
) -> Answer:
    """The paste of what is asked for, by pad or by component (`by`), each part number and side by itself."""
    sections: list[Section] = []
    plots: list[Plot] = []
    said: list[str] = []
    remarks: list[str] = []
    for whole in paste.prints:
        one = _Printed(whole.first().of(choice.designator, choice.position), paste, parts, by, level, every)
        # Two kinds of drift and the strokes, of every part and side: one answer, one chance of a false alarm.
        one.alpha = ALPHA / (3 * len(paste.prints))
        if not one.prints.pads or "volume" not in one.prints.tables:
            continue
        sections += [section for section in one.sections(openings) if section.figures]
        plots += one.plots
        said += one.said
        again = sum(row.again for row in whole.rows)
        if again:
            remarks.append(f"{whole.name}: {again} measurements of a print already measured are left out")
        alone = sum(row.print is None for row in whole.rows)
        if alone:
            remarks.append(
                f"{whole.name}: for {alone} measurements no print is in the record: no stroke, no count"
            )
    if paste.nameless:
        remarks.append(f"{paste.nameless} measurements name no panel: in no number")
    if not sections:
        said = ["No paste values pad by pad of it are in the record."]
    elif not said:
        said = ["No pad drifts or differs by stroke, and no print is off, more than chance would make it."]
    return Answer(
        "paste",
        " ".join(said),
        choice.words(),
        tuple(sections),
        tuple(plots),
        tuple(remarks),
        bool(plots),
        paste.as_of,
    )


class _Printed:
    """The prints of one part and side."""

    def __init__(
        self, prints: Prints, paste: Paste, parts: Parts, by: str, level: float, every: bool
    ) -> None:
        self.prints, self.paste, self.parts, self.by, self.level = prints, paste, parts, by, level
        self.listed = 1_000_000 if every else _LISTED
        self.alpha = ALPHA
        self.plots: list[Plot] = []
        self.said: list[str] = []
        self.unit = prints.units.get("volume", "")
        self.table: Floats = prints.tables.get("volume", np.empty((len(prints.rows), 0)))
        self.pads: Sequence[Any] = prints.pads
        if by == "component":
            self.table, self.pads = by_component(
                self.table, [Pad(pad.position, pad.designator, None) for pad in prints.pads]
            )

    def sections(self, openings: Openings | None) -> Iterable[Section]:
        """All that is told of it."""
        yield self.overall()
        if openings is not None and self.by == "pad":
            yield self.release(openings)
        yield self.worst()
        yield self.drifts()
        yield self.strokes()
        yield self.offset()
        yield self.stencil()

    def boards(self, rows: Iterable[int], position: int = 0) -> list[str]:
        """The boards of some prints; of one position where it is told."""
        boards = self.paste.boards
        found = {
            boards.key(b)
            for row in rows
            for b in self.prints.rows[row].boards
            if not position or boards.position(b) in (position, None)
        }
        return sorted(found)

    def _limits(self) -> tuple[Any, Any]:
        if self.by == "component":
            return -np.inf, np.inf
        tables = self.prints.tables
        return tables.get("volume_lower", -np.inf), tables.get("volume_upper", np.inf)

    def overall(self) -> Section:
        lower, upper = self._limits()
        kept = ~np.asarray(self.prints.void, bool)
        low = (self.table < lower) & kept[:, None]
        high = (self.table > upper) & kept[:, None]
        known = ~np.isnan(self.table) & kept[:, None]
        of = int(known.sum())
        figures = []
        if of:
            values = self.table[known]
            figures.append(
                plain(
                    f"median volume, {self.by}s",
                    float(np.median(values)),
                    self.unit,
                    of=of,
                    counted=f"{self.by}s x prints",
                )
            )
            for name, mask in (("below the lower limit", low), ("above the upper limit", high)):
                found = proportion(int(mask.sum()), of, level=self.level)
                assert isinstance(found, Proportion)
                rows = np.flatnonzero(mask.any(axis=1)).tolist()
                places = {(r, self.pads[p].position) for r, p in zip(*np.nonzero(mask), strict=True)}
                boards = sorted({b for r, place in places for b in self.boards([r], place)})
                figures.append(
                    plain(name, found.value, "share", spans=[found.wilson, found.exact], number=found.number, of=of,
                          counted=f"{self.by}s x prints", boards=boards, details={"prints": len(rows)})
                )  # fmt: skip
        void = [row for row, gone in enumerate(self.prints.void) if gone]
        figures.append(
            plain(
                "prints",
                int(kept.sum()),
                of=len(kept),
                counted="measured prints",
                boards=self.boards(np.flatnonzero(kept).tolist()),
            )
        )
        figures.append(
            plain("void prints, washed off or printed over", len(void), of=len(kept), counted="measured prints",
                  boards=self.boards(void), note="their values are in no number" if void else None)
        )  # fmt: skip
        return Section(f"Paste, {self.prints.name}", tuple(figures))

    def release(self, openings: Openings) -> Section:
        """Area ratio, aspect ratio and transfer efficiency."""
        kept = ~np.asarray(self.prints.void, bool)
        figures = []
        for number, pad in enumerate(self.prints.pads):
            found = opening(openings, pad)
            if found is None:
                continue
            told = release(found.aperture, found.thickness)
            column = self.table[kept, number]
            column = column[~np.isnan(column)]
            scale = 0.01 if self.unit == "%" else _VOLUMES.get(self.unit, np.nan) / told.volume
            value = float(column.mean()) * scale if len(column) else None
            figures.append(
                plain(
                    str(pad), None if value is None or np.isnan(value) else value, "share of the aperture", of=len(column), counted="prints",
                    note=None if told.releases else "area or aspect ratio too small for a good release (IPC-7525)",
                    details={"area ratio": told.area_ratio, "aspect ratio": told.aspect_ratio, "aperture mm3": told.volume},
                )
            )  # fmt: skip
        figures.sort(key=lambda figure: (figure.details["area ratio"], figure.name))
        return Section(f"Transfer efficiency, {self.prints.name}", tuple(figures[: self.listed]))

    def worst(self) -> Section:
        lower, upper = self._limits()
        found = pad_statistics(
            self.table, pads=self.pads, void=self.prints.void, lower=lower, upper=upper, level=self.level
        )
        order = sorted(
            (i for i, mean_ in enumerate(found.mean) if mean_ is not None),
            key=lambda i: (-(found.below[i] + found.above[i]), found.mean[i] or 0, str(self.pads[i])),
        )
        kept = np.flatnonzero(~np.asarray(self.prints.void, bool))
        low, high = (
            np.broadcast_to(np.asarray(limit, np.float64), self.table.shape) for limit in (lower, upper)
        )
        figures = []
        for i in order[: self.listed]:
            middle, half = found.mean[i], found.half_width[i]
            assert middle is not None
            out = [r for r in kept.tolist() if self.table[r, i] < low[r, i] or self.table[r, i] > high[r, i]]
            spans = ()
            figure = plain(
                str(self.pads[i]), middle, self.unit, of=found.measured[i], counted="prints", spans=spans,
                details={
                    "sd": found.sd[i], "lowest": found.lowest[i], "highest": found.highest[i], "below": found.below[i],
                    "above": found.above[i], "half width": half,
                },
                boards=self.boards(out, self.pads[i].position),
            )  # fmt: skip
            figures.append(figure)
        return Section(
            f"Mean volume, the {self.by}s outside their limits most often first, {self.prints.name}", tuple(figures),
            f"{len(order)} {self.by}s in all" if len(order) > self.listed else None,
        )  # fmt: skip

    def drifts(self) -> Section:
        lower, upper = self._limits()
        figures: list[Figure] = []
        limits = self.by == "pad" and not np.isscalar(lower)
        told = [
            ("against the rest of its print", drift(self.table, pads=self.pads, void=self.prints.void, relative=True, alpha=self.alpha)),
            (
                "with its limits in view",
                drift(
                    self.table, pads=self.pads, void=self.prints.void, lower=lower if limits else None,
                    upper=upper if limits else None,
                    alpha=self.alpha,
                ),
            ),
        ]  # fmt: skip
        for what, found in told:
            if isinstance(found, Refused):
                figures.append(refused(f"drift {what}", found, "prints"))
                continue
            figures += [self._change(change, what, found) for change in found.found[: self.listed]]
            if found.found and what.startswith("against"):
                first = found.found[0]
                self.said.append(
                    f"{self.prints.name}: {first.pad} {'loses' if first.value < 0 else 'gains'} {abs(first.value):.3%} a print"
                    f" against the other {self.by}s of its print; a worn or clogging aperture looks like this"
                    f" (chance {first.p:.1g}, of {found.tested} tried together)."
                )
                self._plot(str(first.pad), self.pads.index(first.pad))
            soon = [change for change in found.found if change.prints_to_limit is not None]
            if soon:
                nearest = min(soon, key=lambda change: change.prints_to_limit or 0)
                self.said.append(
                    f"{self.prints.name}: at this pace {nearest.pad} breaks its limit in about {nearest.prints_to_limit:.0f} prints,"
                    f" at the soonest in {nearest.soonest:.0f}; a straight line's forecast, no promise."
                )
        return Section(
            f"Drift, {self.prints.name}", tuple(figures),
            "surest first; the chance that the whole answer lists any drift or stroke where nothing changes is 5 %",
        )  # fmt: skip

    def _change(self, change: Change, what: str, found: Changes) -> Figure:
        details: dict[str, Any] = {"kind": what, "p (Holm)": change.p, "tested": found.tested}
        if change.prints_to_limit is not None:
            details |= {"prints to limit": change.prints_to_limit, "at the soonest": change.soonest}
        position = getattr(change.pad, "position", 0)
        unit = "share a print" if what.startswith("against") else f"{self.unit} a print"
        rows = [row for row, void in enumerate(self.prints.void) if not void]
        return plain(
            str(change.pad), change.value, unit, spans=[change.interval], of=len(rows), counted="prints",
            details=details, boards=self.boards(rows, position),
        )  # fmt: skip

    def _plot(self, title: str, column: int) -> None:
        kept = [row for row, void in enumerate(self.prints.void) if not void]
        values = self.table[kept, column]
        lower, upper = (
            np.broadcast_to(np.asarray(limit, np.float64), self.table.shape)[kept, column]
            for limit in self._limits()
        )
        marks = tuple(
            Mark(place, "limit", "outside its limit in force")
            for place, (v, low, high) in enumerate(zip(values, lower, upper, strict=True))
            if v < low or v > high
        )
        self.plots.append(
            Plot(
                "control", f"{title}, {self.prints.name}: volume", tuple(self.prints.rows[row].panel for row in kept), self.unit,
                _told(values), (float(np.nanmean(values)),) * len(kept), _told(lower), _told(upper), marks,
            )
        )  # fmt: skip

    def strokes(self) -> Section:
        rows = self.prints.rows
        found = stroke_difference(
            self.table,
            [row.print.stroke if row.print else None for row in rows],
            pads=self.pads,
            void=self.prints.void,
            alpha=self.alpha,
        )
        title = f"Stroke direction, {self.prints.name}"
        if isinstance(found, Refused):
            return Section(title, (refused("difference between the strokes", found, "prints"),))
        names = sorted({row.print.stroke for row in rows if row.print and row.print.stroke})
        figures = [
            plain(
                str(change.pad), change.value, self.unit, spans=[change.interval], of=len(rows), counted="prints",
                note=f"{names[0]} minus {names[1]}", details={"p (Holm)": change.p, "tested": found.tested},
            )
            for change in found.found[: self.listed]
        ]  # fmt: skip
        if found.found:
            self.said.append(f"{self.prints.name}: {len(found.found)} {self.by}s differ by stroke direction.")
        else:
            figures = [
                plain(
                    "difference between the strokes",
                    None,
                    note="none told from chance",
                    of=found.tested,
                    counted=f"{self.by}s",
                )
            ]
        return Section(title, tuple(figures))

    def offset(self) -> Section:
        title = f"Where the print lies, {self.prints.name}"
        tables = self.prints.tables
        if "offset_x" not in tables or "offset_y" not in tables:
            return Section(title, ())
        units = {self.prints.units.get(name, "") for name in ("offset_x", "offset_y")}
        scale = _TO_MM.get(next(iter(units))) if len(units) == 1 else None
        if scale is None:
            why = Refused(f"offsets are in {', '.join(sorted(units)) or 'no unit'}: a length is needed")
            return Section(title, (refused("offset of the whole print", why),))
        kept = ~np.asarray(self.prints.void, bool)
        x, y = self._places()
        with np.errstate(invalid="ignore"):
            dx, dy = (_mean(tables[name][kept]) * scale for name in ("offset_x", "offset_y"))
        found = resolve(x, y, dx, dy, keys=self.prints.pads, level=self.level)
        if isinstance(found, Refused):
            return Section(title, (refused("offset of the whole print", found, "pads"),))
        of = {"of": found.pads, "counted": "pads"}
        rows = np.flatnonzero(kept).tolist()
        figures = [
            _part("shift in x", found.shift_x, 1e3, "um", of, self.boards(rows)),
            _part("shift in y", found.shift_y, 1e3, "um", of, self.boards(rows)),
            _part("rotation, counterclockwise", found.rotation, 1e3, "mrad", of, self.boards(rows)),
        ]
        for name, part in (("stretch in x", found.stretch_x), ("stretch in y", found.stretch_y)):
            if part is not None:
                figures.append(_part(name, part, 1e6, "ppm", of, self.boards(rows)))
        figures.append(
            plain("left over, a coordinate", found.left_over * 1e3, "um", of=found.pads, counted="pads")
        )
        if found.outliers:
            figures.append(
                plain(
                    "pads with no say, look at them",
                    len(found.outliers),
                    note=", ".join(map(str, found.outliers[:6])),
                )
            )
        if not found.advice.startswith("No offset"):
            self.said.append(f"{self.prints.name}: {_in_um(found)}")
        known = ~np.isnan(dx) & ~np.isnan(dy) & ~np.isnan(x) & ~np.isnan(y)
        self.plots.append(
            Plot(
                "offsets", f"Mean offset of each pad, {self.prints.name}",
                tuple(str(pad) for pad, seen in zip(self.prints.pads, known, strict=True) if seen), "um",
                tuple((np.hypot(dx, dy)[known] * 1e3).tolist()), (), tuple((dx[known] * 1e3).tolist()), tuple((dy[known] * 1e3).tolist()),
                where=tuple(zip(x[known].tolist(), y[known].tolist(), strict=True)),
            )
        )  # fmt: skip
        return Section(
            title,
            tuple(figures),
            f"mean of {int(kept.sum())} prints, seen from the printed side. {_in_um(found)}",
        )

    def _places(self) -> tuple[Floats, Floats]:
        """Where the pads lie, mm, seen from the printed side; a constant of all of them does not matter."""
        tables = self.prints.tables
        if "x" in tables and "y" in tables:
            scale = [_TO_MM.get(self.prints.units.get(name, "mm"), 1.0) for name in ("x", "y")]
            return _mean(tables["x"]) * scale[0], _mean(tables["y"]) * scale[1]
        placement = self.parts.placement.get(self.prints.part or "", {})
        layout = self.parts.positions.get(self.prints.part or "", {})
        x = np.full(len(self.prints.pads), np.nan)
        y = np.full(len(self.prints.pads), np.nan)
        for number, pad in enumerate(self.prints.pads):
            component = placement.get(pad.designator or "")
            if component is None or component.x is None or component.y is None:
                continue
            left, low, turned = layout.get(pad.position, (0.0, 0.0, 0.0))
            if pad.position and (pad.position not in layout or turned):
                continue  # where this board lies is not known
            # Positions are told as seen from the top; from below the panel's x runs the other way.
            x[number] = component.x + (-left if self.prints.side == "bottom" else left)
            y[number] = component.y + low
        return x, y

    def stencil(self) -> Section:
        rows = self.prints.rows
        known = ~np.isnan(self.table)
        typical = np.asarray(
            [
                float(np.median(line[seen])) if seen.any() else np.nan
                for line, seen in zip(self.table, known, strict=True)
            ]
        )
        seen = [row.print.prints_seen if row.print else None for row in rows]
        found = wear(typical, seen, void=self.prints.void, level=self.level)
        per_mount = [s for s in seen if s is not None]
        figures = []
        if isinstance(found, Wear):
            note = "wears" if found.certain and found.per_thousand_prints < 0 else "no wear told from chance"
            figures.append(
                plain("change of the median pad in 1,000 prints", found.per_thousand_prints, self.unit, spans=[found.interval],
                      of=len(per_mount), counted="prints since mounting", note=note, details={"p": found.p})
            )  # fmt: skip
        else:
            figures.append(refused("change of the median pad in 1,000 prints", found, "prints"))
        cleaned = cleaning_effect(
            typical,
            [row.cleaned_before for row in rows],
            keys=[row.panel for row in rows],
            void=self.prints.void,
            level=self.level,
        )
        if isinstance(cleaned, Cleaning):
            told = mean("prints after cleaning minus before", cleaned.difference, self.unit, "cleanings")
            certain = isinstance(cleaned.difference, Mean) and cleaned.certain
            figures.append(
                told._replace(note="cleaning changes the print" if certain else "no effect told from chance")
            )
            if certain and isinstance(cleaned.difference, Mean):
                self.said.append(
                    f"{self.prints.name}: prints have {cleaned.difference.value:+.2g} {self.unit} after a cleaning."
                )
        else:
            figures.append(refused("prints after cleaning minus before", cleaned, "cleanings"))
        return Section(f"Stencil, {self.prints.name}", tuple(figures))


def _part(name: str, part: Part, scale: float, unit: str, of: dict[str, Any], boards: list[str]) -> Figure:
    interval = part.interval._replace(low=part.interval.low * scale, high=part.interval.high * scale)
    sure = not interval.low <= 0 <= interval.high
    return plain(
        name,
        part.value * scale,
        unit,
        spans=[interval],
        note=None if sure else "not told from zero",
        boards=boards,
        **of,
    )


def _in_um(found: PrintOffset) -> str:
    """The advice, lengths in mm as it says."""
    return found.advice.replace(" in x", " mm in x").replace(" in y", " mm in y")


def _mean(table: Floats) -> Floats:
    known = ~np.isnan(table)
    count = known.sum(axis=0)
    total = np.where(known, table, 0.0).sum(axis=0)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))


def _told(values: Floats) -> tuple[float | None, ...]:
    return tuple(float(v) if np.isfinite(v) else None for v in values)


__all__ = ["COLUMNS", "quality_paste", "span"]
