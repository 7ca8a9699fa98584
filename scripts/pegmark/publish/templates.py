"""The templates of the class's pages: they stand beside this module, and everything is escaped."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any


@cache
def template(name: str) -> Any:
    """The Jinja template of that file name. Undefined names are errors."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)
