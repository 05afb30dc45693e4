"""Work: started, completed, by stage; recipes."""

from dataclasses import replace
from typing import Final

from broker_bridge.adapters.cfx.mapping.naming import named
from broker_bridge.adapters.cfx.mapping.telling import Telling
from broker_bridge.adapters.cfx.protocol.words import MODIFICATION, WORK_RESULT
from broker_bridge.events.base import Board
from broker_bridge.events.board import BoardIdentified
from broker_bridge.events.station import StationProgramChanged
from broker_bridge.events.work import WorkCompleted, WorkOrderAssigned, WorkStarted

_OUTCOMES: Final = {"Completed": "completed", "Failed": "failed", "Aborted": "aborted", "Skipped": "skipped"}


def started(telling: Telling) -> None:
    """WorkStarted. What it says of boards, lane, order and recipe holds for its whole transaction."""
    boards = telling.travelling()
    order, batch = telling.order(telling.body)
    program = telling.program(telling.body)
    side = telling.side(telling.body)
    _learn(telling, boards)
    known = telling.learnt
    telling.learnt = replace(
        known,
        lane=telling.lane(telling.body) if telling.body.has("Lane") or telling.machine.lane else known.lane,
        order=order or known.order,
        order_batch=batch or known.order_batch,
        program=program or known.program,
        side=side or known.side,
    )
    about = boards if any(named(board) for board in boards) else None
    telling.say(WorkStarted, boards=about, program=program, order=order, order_batch=batch, side=side)


def completed(telling: Telling) -> None:
    """WorkCompleted. It repeats who was worked on only where that was not known at the start."""
    boards = telling.travelling()
    _learn(telling, boards)
    outcome = _outcome(telling)
    about = boards if any(named(board) for board in boards) else None
    telling.say(WorkCompleted, boards=about, outcome=outcome, program=telling.known.program)


def stage_started(telling: Telling) -> None:
    """WorkStageStarted."""
    telling.say(WorkStarted, program=telling.known.program)


def stage_completed(telling: Telling) -> None:
    """WorkStageCompleted: of one stage, not of the work."""
    telling.say(WorkCompleted, outcome=_outcome(telling), program=telling.known.program)


def learn_units(telling: Telling) -> None:
    """UnitsInitialized in the middle of a transaction: from here on its boards are known."""
    boards = telling.travelling()
    order, batch = telling.order(telling.body)
    _learn(telling, boards)
    telling.learnt = replace(
        telling.learnt,
        order=order or telling.known.order,
        order_batch=batch or telling.known.order_batch,
    )
    telling.say(BoardIdentified, boards=boards, order=order, order_batch=batch)
    if order is not None and any(named(board) for board in boards):
        telling.say(WorkOrderAssigned, boards=boards, order=order, order_batch=batch)


def activated(telling: Telling) -> None:
    """RecipeActivated."""
    _program(telling)


def modified(telling: Telling) -> None:
    """RecipeModified: edited, perhaps under the same name."""
    reason = telling.body.word("Reason", MODIFICATION)
    words = [text for text in (reason, telling.body.long_text("Notes")) if text and text != "Unspecified"]
    operator = telling.operator(telling.body, "ModifiedBy")
    _program(telling, edited=True, reason=": ".join(words)[:8192] or None, operator=operator)


def _program(
    telling: Telling, edited: bool | None = None, reason: str | None = None, operator: str | None = None
) -> None:
    program = telling.program(telling.body)
    if program is None:
        raise telling.body.wrong("RecipeName", None, "names no recipe")
    order, batch = telling.order(telling.body)
    telling.say(
        StationProgramChanged, boards=(), program=program, edited=edited, reason=reason, operator=operator,
        order=order, order_batch=batch, side=telling.side(telling.body),
    )  # fmt: skip


def _outcome(telling: Telling) -> str:
    word = telling.body.word("Result", WORK_RESULT)
    return _OUTCOMES.get(word or "", "unknown")


def _learn(telling: Telling, boards: tuple[Board, ...]) -> None:
    found = tuple(board for board in boards if named(board))
    if found and len(found) >= len(telling.known.boards):
        telling.learnt = replace(telling.learnt, boards=found)
