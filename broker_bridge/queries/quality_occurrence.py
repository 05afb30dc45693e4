"""Where confirmed defects came to be, what comes with them more often than chance, and whether the top-up loop closes."""

from collections.abc import Hashable, Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np

from broker_bridge.analysis.intervals import Proportion, Refused, proportion
from broker_bridge.analysis.occurrence import CANNOT_TELL, Occurrence, control_group, points_of_occurrence
from broker_bridge.analysis.risks import Risk, bands, relative_risks
from broker_bridge.analysis.top_up import TopUpLoop, top_up_loop
from broker_bridge.errors import UsageError
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import Columns, Spot
from broker_bridge.queries.columns_oven import Inside
from broker_bridge.queries.columns_paste import Paste
from broker_bridge.queries.columns_placements import Placements
from broker_bridge.queries.figures import plain, refused, share, span
from broker_bridge.queries.parts import Parts
from broker_bridge.queries.quality_looks import TESTS, Defect, defects, ground
from broker_bridge.trace.quality import Answer, Figure, Plot, Section

EDGES: Final = (50.0, 70.0, 85.0, 115.0, 130.0, 150.0)
"""Bands of paste volume in percent of the aperture; common practice calls 50 and 150 limits, no source."""
_LISTED: Final = 15


class Ground(NamedTuple):
    """Everything the question stands on."""

    columns: Columns
    parts: Parts
    paste: Paste
    placements: Placements
    ovens: Mapping[int, Sequence[Inside]]


def quality_occurrence(
    given: Ground,
    choice: Choice,
    *,
    within: str | None = None,
    controls: int = 0,
    seed: int = 1,
    edges: Sequence[float] = EDGES,
    alpha: float = 0.05,
    level: float = 0.95,
    every: bool = False,
) -> Answer:
    """Of what is asked for. `within` compares only among equals of one factor (part, position ...); `controls` boards like each
    affected one are chosen for a closer look.
    """
    view = _View(given, choice, edges, level, every)
    sections = [view.points(), *view.risks(within, alpha), view.top_ups(), view.joined()]
    if controls:
        sections.append(view.controls(controls, seed))
    told = [section for section in sections if section.figures]
    if not view.said:
        view.said = [
            f"{len(view.defects)} confirmed defects: nothing comes with them more than chance would make it."
        ]
    remarks = [*view.remarks, *ground(given.columns, view.chosen)]
    return Answer(
        "occurrence", " ".join(view.said), choice.words(), tuple(told), tuple(view.plots), tuple(remarks), bool(view.defects),
        given.columns.as_of,
    )  # fmt: skip


class _View:
    def __init__(
        self, given: Ground, choice: Choice, edges: Sequence[float], level: float, every: bool
    ) -> None:
        self.given, self.choice, self.edges, self.level = given, choice, edges, level
        self.listed = 1_000_000 if every else _LISTED
        columns, looks = given.columns, given.columns.looks
        self.name = columns.boards.key
        self.plots: list[Plot] = []
        self.said: list[str] = []
        self.remarks: list[str] = []
        self.chosen = columns.chosen(choice)
        self.solder = self.chosen & ~looks.is_any("method", "paste", *TESTS)
        self.defects: list[Defect] = [
            d for d in defects(columns, self.solder) if choice.at(d.spot.designator)
        ]
        self.paste_looks: dict[int, list[int]] = {}
        board = looks.column("board").tolist()
        done = looks.is_any("outcome", "passed", "failed") & looks.is_any("method", "paste")
        for row in np.flatnonzero(done).tolist():
            self.paste_looks.setdefault(board[row], []).append(row)
        self.solder_looks: dict[int, list[int]] = {}
        done = looks.is_any("outcome", "passed", "failed") & ~looks.is_any("method", "paste", *TESTS)
        for row in np.flatnonzero(done).tolist():
            self.solder_looks.setdefault(board[row], []).append(row)
        self.calls: dict[int, list[int]] = {}
        for number, call in enumerate(columns.calls):
            self.calls.setdefault(call.look, []).append(number)
        self.top_up: dict[int, list[Any]] = {}
        for work in columns.works:
            if work.paste:
                self.top_up.setdefault(work.board, []).append(work)
        self.volumes = _volumes(given.paste)

    # -- what came before

    def side(self, board: int, designator: str | None) -> str | None:
        """The side a component lies on."""
        declared = self.given.parts.placement.get(self.given.columns.boards.part[board] or "", {}).get(
            designator or ""
        )
        return declared.side if declared else None

    def paste_calls(self, board: int, spot: Spot) -> tuple[bool | None, str | None]:
        """Whether the last paste inspection of that side called this spot, and as what; None: none looked at it."""
        looks = self.given.columns.looks
        side = self.side(board, spot.designator)
        mine = [
            row for row in self.paste_looks.get(board, ())
            if side is None or looks.words[looks.column("side")[row]] in (None, side)
        ]  # fmt: skip
        if not mine or (side is None and len(mine) > 1):
            return None, None
        row = mine[-1]
        if spot.designator in looks.left_out.get(row, ()):
            return None, None
        for number in self.calls.get(row, ()):
            call = self.given.columns.calls[number]
            if call.spot.meets(spot):
                return True, call.defect or call.label
        return False, None

    def topped_up(self, board: int, spot: Spot) -> bool | None:
        """Whether a top-up at this spot was done; None: nothing is told of one."""
        found = [work for work in self.top_up.get(board, ()) if work.spot.meets(spot)]
        return any(work.done for work in found) if found else None

    def points(self) -> Section:
        """Shares by point of occurrence."""
        keys = list(range(len(self.defects)))
        printed: list[bool | None] = [self.paste_calls(d.board, d.spot)[0] for d in self.defects]
        oven: list[bool | None] = [self._oven(d) for d in self.defects]
        stages: dict[str, list[bool | None]] = {"paste printing": printed}
        if any(value is not None for value in oven):
            stages["reflow oven"] = oven
        found = points_of_occurrence(stages, keys=keys, level=self.level)
        title = "Point of occurrence of confirmed defects"
        if not isinstance(found, Occurrence):
            return Section(title, (refused("point of occurrence", found, "confirmed defects"),))
        name = self._defect_board
        figures = []
        for one in found.shares:
            details: dict[str, Any] = {}
            if isinstance(one.of_told, Proportion):
                details = {"share of those told": one.of_told.value, "told": one.of_told.of}
            figures.append(share(one.point, one.share, "confirmed defects", name, **details))
        told = next((one for one in found.shares if one.point == "paste printing"), None)
        unclear = next(one.share for one in found.shares if one.point == CANNOT_TELL)
        if told is not None and isinstance(told.share, Proportion) and isinstance(unclear, Proportion):
            self.said.append(
                f"Of {found.defects} confirmed defects {told.share.number or 'none'} {'was' if told.share.number < 2 else 'were'}"
                f" abnormal at paste printing ({told.share.wilson.low:.0%} to {told.share.wilson.high:.0%} of all)"
                + (f"; of {unclear.number} it cannot be told." if unclear.number else ".")
            )
        return Section(
            title, tuple(figures),
            "the first abnormal observation at the same spot; where one before it is missing: cannot tell. Where it was called"
            " says where it was detected, not where it came from",
        )  # fmt: skip

    def _oven(self, defect: Defect) -> bool | None:
        began = int(self.given.columns.looks.column("began")[defect.look])
        before = [stay for stay in self.given.ovens.get(defect.board, ()) if stay.departed <= began]
        return before[-1].outside if before else None

    def _key(self, member: Any) -> str:
        return self.name(int(member))

    def _defect_board(self, number: Any) -> str:
        return self.name(self.defects[int(number)].board)

    def joined(self) -> Section:
        """Each defect with what came before at its spot."""
        figures = []
        for number, one in enumerate(self.defects[: self.listed]):
            placed = self.given.placements.of(one.board).get(one.spot.designator or "")
            called, word = self.paste_calls(one.board, one.spot)
            volume = self.volumes.get((one.board, one.spot.designator or ""))
            topped = self.topped_up(one.board, one.spot)
            began = int(self.given.columns.looks.column("began")[one.look])
            stays = [stay for stay in self.given.ovens.get(one.board, ()) if stay.departed <= began]
            details = {
                "defect": one.word,
                "paste": "not looked at" if called is None else (word or "not called"),
                "lowest volume": volume,
                "top-up": "none" if topped is None else "done" if topped else "left",
                "station": placed.station if placed else None,
                "slot": placed.slot if placed else None,
                "nozzle": placed.nozzle if placed else None,
                "reel": placed.reel if placed else None,
                "lot": placed.lot if placed else None,
                "oven readings": stays[-1].readings if stays else None,
            }
            place = " ".join(text for text in one.spot if text)
            figures.append(
                Figure(
                    f"{self._defect_board(number)} {place}",
                    details=details,
                    boards=(self._defect_board(number),),
                )
            )
        more = len(self.defects) - len(figures)
        return Section(
            "What came before each confirmed defect",
            tuple(figures),
            f"{more} more are not listed: ask for all" if more > 0 else None,
        )

    # -- what comes with it

    def risks(self, within: str | None, alpha: float) -> list[Section]:
        """Relative risks of all levels of all factors, adjusted together."""
        hit, keys, factors = self._rows()
        if within is not None and within not in factors:
            raise UsageError(f"--within {within}: there are {', '.join(factors) or 'no factors here'}")
        if not hit:
            return [Section("Relative risk", ())]
        strata = factors[within] if within else None
        compared = {name: column for name, column in factors.items() if name != within}
        found = relative_risks(
            hit, compared, keys=keys, boards=keys, strata=strata, alpha=alpha, level=self.level
        )
        title = "Relative risk" + (f", within equal {within}" if within else "")
        if isinstance(found, Refused):
            self.said.append("There are too few confirmed defects to tell what they come with.")
            return [Section(title, (refused("relative risks", found, "confirmed defects"),))]
        figures = [self._risk(risk) for risk in found.risks if risk.verdict != "no difference told"]
        quiet = len(found.risks) - len(figures)
        if found.found:
            first = found.found[0]
            alike = f"; these data cannot tell it from {_named(first.alike)}" if first.alike else ""
            self.said.append(
                f"Surest: {first.factor} {first.level} has {first.ratio:.1f} times the risk of the rest"
                f" ({first.interval.low:.1f} to {first.interval.high:.1f}, adjusted p {first.p:.1g}){alike}."
                " What comes with a defect need not be its cause."
            )
            shown = found.found[: self.listed]
            self.plots.append(
                Plot(
                    "intervals", "Relative risk, surest first", tuple(f"{r.factor} {r.level}" for r in shown), "times the rest",
                    tuple(r.ratio for r in shown), (), tuple(r.interval.low for r in shown),
                    tuple(r.interval.high for r in shown), limits=(1.0,),
                )
            )  # fmt: skip
        else:
            self.said.append(
                "No reel, nozzle, place or paste band comes with more defects than chance would make it."
            )
        sections = [
            Section(
                title, tuple(figures[: self.listed]),
                f"{len(found.risks)} levels tested together (Holm), {quiet} without a difference that can be told; the chance of even"
                f" one false finding is {alpha:.0%} at most. Defects bunch on boards {found.dispersion:.2g} times as much as by chance"
                " (allowed for)",
            )
        ]  # fmt: skip
        if found.cannot_tell:
            sections.append(
                Section(
                    "Relative risk: cannot tell",
                    tuple(
                        plain(f"{thin.factor} {thin.level}", None, note=f"cannot tell: {thin.reason}", number=thin.number, of=thin.of,
                              counted="placements")
                        for thin in found.cannot_tell[: self.listed]
                    ),
                    f"{len(found.cannot_tell)} levels in all",
                )
            )  # fmt: skip
        return sections

    def _risk(self, risk: Risk) -> Figure:
        return Figure(
            f"{risk.factor} {risk.level}", risk.ratio, "times the rest", (span(risk.interval),), risk.share.number, risk.share.of,
            "placements", risk.verdict,
            {
                "share": risk.share.value, "rest": risk.rest.value, "p (Holm)": risk.p,
                "not told from": _named(risk.alike) or None,
            },
            tuple(sorted({self._key(b) for b in risk.share.members})),
        )  # fmt: skip

    def _rows(self) -> tuple[list[bool | None], list[int], dict[str, list[Hashable]]]:
        """One row a component that was looked at: is it defective, and what is known of it."""
        looks, boards = self.given.columns.looks, self.given.columns.boards
        done = self.solder & looks.is_any("outcome", "passed", "failed")
        bad = {(d.board, d.spot.designator) for d in self.defects}
        waiting = {
            (int(looks.column("board")[call.look]), call.spot.designator)
            for call, verdict in zip(self.given.columns.calls, self.given.columns.verdict, strict=True)
            if self.solder[call.look] and (verdict is None or verdict.verdict == "undecided")
        }
        sides: dict[int, set[str | None]] = {}
        left: dict[int, set[str]] = {}
        rows = np.flatnonzero(done)
        for row, board, side in zip(
            rows.tolist(), looks.column("board")[rows].tolist(), looks.texts("side", rows), strict=True
        ):
            sides.setdefault(board, set()).add(side)
            if row in looks.left_out:
                left.setdefault(board, set()).update(looks.left_out[row])
        hit: list[bool | None] = []
        keys: list[int] = []
        factors: dict[str, list[Hashable]] = {
            name: []
            for name in (
                "component part",
                "designator",
                "position",
                "slot",
                "nozzle",
                "reel",
                "lot",
                "paste call",
                "top-up",
            )
        }
        volumes: list[float | None] = []
        for board, seen in sides.items():
            placed = self.given.placements.of(board)
            declared = self.given.parts.placement.get(boards.part[board] or "", {})
            position = boards.position(board)
            called = self._called(board, declared)
            for name, component in declared.items():
                if not (None in seen or component.side is None or component.side in seen):
                    continue
                if not self.choice.at(name) or name in left.get(board, ()):
                    continue
                key = board, name
                hit.append(True if key in bad else None if key in waiting else False)
                keys.append(board)
                one = placed.get(name)
                where = one.station if one else None
                factors["component part"].append(component.item)
                factors["designator"].append(f"{boards.part[board]} {name}")
                factors["position"].append(None if position is None else f"{boards.part[board]} #{position}")
                factors["slot"].append(f"{where} {one.slot}" if one and one.slot else None)
                factors["nozzle"].append(f"{where} {one.nozzle}" if one and one.nozzle else None)
                factors["reel"].append(one.reel if one else None)
                factors["lot"].append(one.lot if one else None)
                word, topped = called.get(name, ("not called" if called is not _UNSEEN else None, None))
                factors["paste call"].append(word)
                factors["top-up"].append(
                    topped if topped is not None else ("none" if called is not _UNSEEN else None)
                )
                volumes.append(self.volumes.get(key))
        if any(volume is not None for volume in volumes):
            factors["paste volume"] = list(bands(volumes, self.edges))
        return (
            hit,
            keys,
            {name: column for name, column in factors.items() if any(v is not None for v in column)},
        )

    def _called(self, board: int, declared: Mapping[str, Any]) -> Mapping[str, tuple[str | None, str | None]]:
        """What the paste inspection called on a board, and what was topped up; `_UNSEEN` where it looked at nothing."""
        rows = self.paste_looks.get(board)
        if not rows:
            return _UNSEEN
        found: dict[str, tuple[str | None, str | None]] = {}
        for row in rows:
            for number in self.calls.get(row, ()):
                call = self.given.columns.calls[number]
                if call.spot.designator:
                    topped = self.topped_up(board, call.spot)
                    found[call.spot.designator] = (
                        call.defect or call.label, "left" if topped is None or not topped else "topped up",
                    )  # fmt: skip
        return found

    # -- the loop

    def top_ups(self) -> Section:
        """Pads that were called low: topped up or left, and what the inspection afterwards said of the component."""
        columns, looks = self.given.columns, self.given.columns.looks
        title = "Top-up loop"
        # The first call of each pad: what later looks say of it is the outcome.
        pads: dict[tuple[int, Spot], int] = {}
        board = looks.column("board")
        paste = looks.is_any("method", "paste") & self.chosen
        low = self.lows()
        for number, call in enumerate(columns.calls):
            if paste[call.look] and (low is None or number in low) and self.choice.at(call.spot.designator):
                key = int(board[call.look]), call.spot
                if key not in pads or call.look < pads[key] or self._void(key[0], pads[key]):
                    pads[key] = call.look
        if not pads:
            return Section(title, ())
        keys = sorted(pads, key=lambda key: (key[0], str(key[1])))
        topped = [bool(self.topped_up(b, spot)) for b, spot in keys]
        after = [self._afterwards(b, spot, pads[b, spot]) for b, spot in keys]
        void = [self._void(key[0], pads[key]) for key in keys]
        found = top_up_loop(
            [True] * len(keys), topped, after, keys=[k[0] for k in keys], void=void, level=self.level
        )
        if isinstance(found, Refused):
            return Section(title, (refused("top-up loop", found, "pads called"),))
        return self._loop(title, found)

    def _loop(self, title: str, found: TopUpLoop) -> Section:
        name = self.name
        figures = [
            share("topped up", found.topped_up, "pads called low", name),
            share(
                "passed afterwards, topped up", found.passed_topped_up, "pads with a later inspection", name
            ),
            share(
                "passed afterwards, left alone", found.passed_left_alone, "pads with a later inspection", name
            ),
        ]
        if found.gain is not None:
            figures.append(
                plain(
                    "gain",
                    found.gain[0],
                    "share",
                    spans=[found.gain[1]],
                    note=found.verdict,
                    details={"p": found.p},
                )
            )
        else:
            figures.append(plain("gain", None, note=found.verdict))
        waiting = sorted({self._key(b) for b in found.open})
        figures.append(
            plain(
                "nothing looked at them afterwards",
                len(found.open),
                of=found.called,
                counted="pads called low",
                boards=waiting,
            )
        )
        if found.void:
            figures.append(
                plain("void, washed off", len(found.void), boards=sorted({self._key(b) for b in found.void}))
            )
        if isinstance(found.passed_topped_up, Proportion):
            p = found.passed_topped_up
            self.said.append(
                f"Top-ups: {p.number} of {p.of} pads passed afterwards ({p.wilson.low:.0%} to {p.wilson.high:.0%});"
                f" against those left alone: {found.verdict}."
            )
        return Section(
            title, tuple(figures), "which pads are topped up is no lottery: an observation, not a trial"
        )

    def lows(self) -> set[int] | None:
        """The calls for too little paste, by the value that was called or by the word; None: all calls, no word tells."""
        found = set()
        for number, call in enumerate(self.given.columns.calls):
            word = (call.defect or call.label).casefold()
            if any(text in word for text in ("low", "insufficient", "missing", "less")):
                found.add(number)
        return found or None

    def _void(self, board: int, look: int) -> bool:
        """Whether the print that a paste inspection saw was washed off or printed over, and measured anew."""
        looks = self.given.columns.looks
        side, began = looks.words[looks.column("side")[look]], looks.column("began")
        times = self.given.paste.printed.get((self.given.columns.boards.panel(board), side), ())
        later = [
            row
            for row in self.paste_looks.get(board, ())
            if began[row] > began[look] and self._same_side(row, look)
        ]
        return any(began[look] < time <= began[later[0]] for time in times) if later else False

    def _same_side(self, one: int, other: int) -> bool:
        side = self.given.columns.looks.column("side")
        return bool(side[one] == side[other])

    def _afterwards(self, board: int, spot: Spot, look: int) -> bool | None:
        """What the next inspection said: the paste inspection of that pad, else the next one of its component."""
        looks = self.given.columns.looks
        began = looks.column("began")
        for row in self.paste_looks.get(board, ()):
            if began[row] > began[look] and self._same_side(row, look):
                return not any(self.given.columns.calls[n].spot.meets(spot) for n in self.calls.get(row, ()))
        side = self.side(board, spot.designator)
        for row in self.solder_looks.get(board, ()):
            stated = looks.words[looks.column("side")[row]]
            if began[row] <= began[look] or (side and stated and side != stated):
                continue
            if spot.designator in looks.left_out.get(row, ()):
                continue
            here = [
                self.given.columns.verdict[n] for n in self.calls.get(row, ())
                if self.given.columns.calls[n].spot.designator == spot.designator
            ]  # fmt: skip
            words = [None if verdict is None else verdict.verdict for verdict in here]
            if "confirmed" in words:
                return False
            return None if any(word in (None, "undecided") for word in words) else True
        return None

    # -- those like them

    def controls(self, each: int, seed: int) -> Section:
        """Boards like the affected ones, not affected: same part, order and position."""
        looks, boards = self.given.columns.looks, self.given.columns.boards
        rows = np.flatnonzero(self.solder & looks.is_any("outcome", "passed", "failed"))
        seen = sorted(set(looks.column("board")[rows].tolist()))
        bad = {d.board for d in self.defects}
        waiting = {
            int(looks.column("board")[c.look]) for c, v in zip(self.given.columns.calls, self.given.columns.verdict, strict=True)
            if v is None or v.verdict == "undecided"
        }  # fmt: skip
        affected: list[bool | None] = [True if b in bad else None if b in waiting else False for b in seen]
        match = {
            "part": [boards.part[b] for b in seen], "order": [boards.order[b] for b in seen],
            "position": [boards.position(b) for b in seen],
        }  # fmt: skip
        found = control_group(affected, match, seed=seed, each=each, keys=seen)
        group = sorted(self._key(b) for b in found.members)
        short = sorted(self._key(b) for b in found.unmatched)
        members = proportion(
            len(bad & set(seen)), len(seen), members=sorted(bad & set(seen)), level=self.level
        )
        figures = [
            share("affected", members, "boards", self.name),
            plain(
                "control group",
                len(group),
                boards=group,
                note=", ".join(group[:8]) + (" ..." if len(group) > 8 else ""),
            ),
        ]
        if short:
            figures.append(plain("affected ones without enough like them", len(short), boards=short))
        return Section(
            f"Control group, {each} for each affected board", tuple(figures),
            f"same part, work order and position, no confirmed defect and no open call; chosen by chance, seed {seed}",
        )  # fmt: skip


_UNSEEN: Final[Mapping[str, tuple[str | None, str | None]]] = {}


def _named(alike: Sequence[tuple[str, Hashable]]) -> str:
    return ", ".join(f"{factor} {level}" for factor, level in alike)


def _volumes(paste: Paste) -> dict[tuple[int, str], float]:
    """The lowest volume of each component's pads, of the print that stayed, in percent of the aperture."""
    found: dict[tuple[int, str], float] = {}
    boards = paste.boards
    for prints in paste.prints:
        table = prints.tables.get("volume")
        if table is None or prints.units.get("volume") != "%":
            continue
        columns: dict[tuple[int, str], list[int]] = {}
        for number, pad in enumerate(prints.pads):
            if pad.designator:
                columns.setdefault((pad.position, pad.designator), []).append(number)
        for row, measured in enumerate(prints.rows):
            if measured.void or measured.again:
                continue
            of = {boards.position(b): b for b in measured.boards}
            for (position, designator), pads in columns.items():
                board = of.get(position)
                values = table[row, pads]
                if board is not None and not np.isnan(values).all():
                    found[board, designator] = float(np.nanmin(values))
    return found
