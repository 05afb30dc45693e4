"""What the record had to say to a machine's question, as it comes from the service and as it goes to the machine. Pure."""

from typing import Any, Final, Literal, NamedTuple

from broker_bridge.adapters.transfer.protocol import FailedBoard, QueryWorkOrderInfo, SendWorkOrderInfo

Word = Literal["good", "failed", "unknown"]

_CODES: Final[dict[str, tuple[Word, FailedBoard]]] = {
    "good": ("good", FailedBoard.GOOD),
    "failed": ("failed", FailedBoard.FAILED),
    "unknown": ("unknown", FailedBoard.UNKNOWN),
}
_LONGEST: Final = 512


class Reply(NamedTuple):
    """An answer; without a word there is none."""

    why: str
    """Why it is no better, or why there is none; empty where all is well."""
    word: Word | None = None
    order: str | None = None
    part: str | None = None
    record: str | None = None
    commit: int | None = None


def reply_of(document: Any) -> Reply:
    """What the service answered (schemas/word.json). Raises ValueError for what is no such answer."""
    try:
        word, _ = _CODES[document["word"]]
        as_of = document["as_of"]
        order, part = document.get("order"), document.get("part")
        reply = Reply(
            "; ".join(map(str, document["reasons"])), word, order, part, as_of["record"], as_of["commit"]
        )
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"the answer is none: {error!r}") from None
    for text in (order, part, reply.record):
        if text is not None and not (isinstance(text, str) and 0 < len(text) <= _LONGEST):
            raise ValueError("the answer is none: a text in it is none")
    if not isinstance(reply.commit, int):
        raise ValueError("the answer is none: its commit is no number")
    return reply


def answer_to(question: QueryWorkOrderInfo, reply: Reply) -> SendWorkOrderInfo:
    """The message. Not found is the question's number and nothing else, as SendBoardInfo does it; that the standard means
    the same on this channel is not settled."""
    if reply.word is None:
        return SendWorkOrderInfo(query_id=question.query_id)
    return SendWorkOrderInfo(
        query_id=question.query_id,
        work_order_id=reply.order,
        product_type_id=reply.part,
        failed_board=_CODES[reply.word][1],
    )
