"""What may be asked of an address: a parameter that it does not know is refused, never passed over.

A filter that is mistyped would be answered as if nothing had been filtered. One dependency of all routes, which knows what
each takes from its own signature.
"""

import difflib
from typing import Final

from fastapi import Request
from fastapi.dependencies.models import Dependant
from pydantic import BaseModel

from broker_bridge.web.problems import Problem

_SECRET: Final = frozenset(
    {"token", "access_token", "api_key", "apikey", "key", "bearer", "authorization", "auth"}
)


def known_only(request: Request) -> None:
    """Raises Problem for a parameter of the query that the address does not take."""
    if not request.query_params:
        return
    takes = sorted(_taken(request.scope["route"].dependant))
    for name in request.query_params:
        if name in takes:
            continue
        if name.lower() in _SECRET:
            raise Problem(
                422,
                "a token does not belong into an address, where logs and histories keep it: give it in the header"
                " Authorization: Bearer ... (browsers sign in instead), and have this one replaced",
            )
        near = difflib.get_close_matches(name, takes, 1)
        raise Problem(
            422,
            f"query.{name[:100]}: this address knows no parameter {name[:100]!r}; it takes"
            f" {', '.join(takes) or 'none'}{f': did you mean {near[0]}?' if near else ''}",
        )


def _taken(asked: Dependant) -> set[str]:
    found = set[str]().union(*map(_taken, asked.dependencies))
    for one in asked.query_params:
        model = one.field_info.annotation
        if isinstance(model, type) and issubclass(model, BaseModel):
            found |= {field.alias or name for name, field in model.model_fields.items()}
        else:
            found.add(one.alias)
    return found
