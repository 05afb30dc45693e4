"""The table of all published files. A new view joins with one row."""

import json
from collections.abc import Callable
from functools import partial
from typing import Any, Final

from pydantic import BaseModel

from broker_bridge.adapters.logs.preview.backfilled import BackfillSummary
from broker_bridge.adapters.logs.preview.view import Preview
from broker_bridge.bus.wire import EdgeState, Receipt, RecordState, SourceState
from broker_bridge.events.union import DATA_TYPES
from broker_bridge.schemas.asyncapi import asyncapi_document
from broker_bridge.schemas.json_schema import data_file, data_schema, event_schema, model_schema, view_schema
from broker_bridge.trace.acceptance import Acceptance
from broker_bridge.trace.balance import Balance
from broker_bridge.trace.listing import Listing, Unproven
from broker_bridge.trace.quality import Answer as Quality
from broker_bridge.trace.recall import Answer
from broker_bridge.trace.references import Why
from broker_bridge.trace.schema import answer_schema, history_schema
from broker_bridge.trace.value import Value
from broker_bridge.trace.vouching import Vouched
from broker_bridge.trace.ways import DeadLetters, Declared, Exported, Outlets
from broker_bridge.trace.written import Written

Builder = Callable[[], dict[str, Any]]

_MESSAGES: Final[dict[str, type[BaseModel]]] = {
    "receipt": Receipt,
    "source-state": SourceState,
    "edge-state": EdgeState,
    "record-state": RecordState,
}

_ANSWERS: Final[dict[str, type[Value]]] = {
    "acceptance": Acceptance,
    "why": Why,
    "where-used": Answer,
    "defects": Listing,
    "unproven": Unproven,
    "balance": Balance,
    "quality": Quality,
    "report": Written,
    "word": Vouched,
    "outlets": Outlets,
    "dead-letters": DeadLetters,
    "declare": Declared,
    "export": Exported,
}

_VIEWS: Final[dict[str, type[BaseModel]]] = {"preview": Preview, "backfill": BackfillSummary}
"""Answers of commands that are models; others are schemas of their own."""

FILES: Final[dict[str, Builder]] = {
    **{data_file(name): partial(data_schema, name) for name in DATA_TYPES},
    **{
        f"{name}.json": partial(
            model_schema, model, title=name, uri=f"urn:broker-bridge:{name}:1", status="draft"
        )
        for name, model in _MESSAGES.items()
    },
    **{
        f"{name}.json": partial(
            model_schema, model, title=name, uri=f"urn:broker-bridge:view:{name}:1", status="draft"
        )
        for name, model in _VIEWS.items()
    },
    "history.json": partial(view_schema, history_schema, status="draft"),
    **{
        f"{name}.json": partial(view_schema, partial(answer_schema, kind, name), status="draft")
        for name, kind in _ANSWERS.items()
    },
    "event.json": event_schema,
    "asyncapi.json": asyncapi_document,
}


def text(document: dict[str, Any]) -> str:
    """A document as its file holds it: the same models give the same bytes."""
    return json.dumps(document, indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"
