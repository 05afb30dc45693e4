"""The frame of every page: templates that escape everything, who looks, which moment."""

from pathlib import Path
from typing import Any, Final

import jinja2
from fastapi import Request

HERE: Final = Path(__file__).resolve().parent

TEMPLATES: Final = jinja2.Environment(
    loader=jinja2.FileSystemLoader(HERE / "templates"),
    autoescape=True,
    undefined=jinja2.StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)


def page(request: Request, template: str, **more: Any) -> str:
    """A page as HTML."""
    return TEMPLATES.get_template(template).render(request=request, **more)
