"""What the texts behind a model's fields say: a string literal right behind a field describes it.

pydantic can do this by itself, but reads the source while the model is defined: that made every role and
command wait. Descriptions are only wanted where schemas are written.
"""

import ast
import inspect
from functools import cache
from textwrap import dedent

from pydantic import BaseModel


def field_docstrings(model: type[BaseModel]) -> dict[str, str]:
    """Field -> description, those of its bases included."""
    found: dict[str, str] = {}
    for cls in reversed(model.__mro__):
        if issubclass(cls, BaseModel) and cls is not BaseModel:
            found |= _own(cls)
    return found


@cache
def _own(cls: type) -> dict[str, str]:
    try:
        (node,) = ast.parse(dedent(inspect.getsource(cls))).body
    except (OSError, TypeError):
        return {}  # made at run time: it has no text of its own
    assert isinstance(node, ast.ClassDef)
    found: dict[str, str] = {}
    for pair in zip(node.body, node.body[1:], strict=False):
        match pair:
            case ast.AnnAssign(target=ast.Name(id=name)), ast.Expr(value=ast.Constant(value=str(text))):
                found[name] = inspect.cleandoc(text)
    return found
