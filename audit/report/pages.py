"""What the HTML pages share: templates that put no value into a page unescaped, and texts of our own inside them."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup

from audit.figures import cut, quantity
from audit.report.rows import day_and_time, level_name
from audit.report.visible import visible

if TYPE_CHECKING:
    from jinja2 import Template

_TEMPLATES = Path(__file__).with_name("templates")


@cache
def page_template(name: str, shown: Callable[[str], str] = visible) -> Template:
    """Return a template; `shown` is how each text that it puts into the page is written, before it is escaped."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    from audit.report.compiled import Compiled

    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        bytecode_cache=Compiled(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        # Every value passes here, so no place in a template can forget it.
        finalize=lambda value: shown(value) if isinstance(value, str) and not isinstance(value, Markup) else value,
    )
    environment.filters |= {
        "cut": cut,
        "day_and_time": day_and_time,
        "grouped": lambda number: f"{number:,}",
        "level_name": level_name,
        "quantity": quantity,
    }
    return environment.get_template(name)


def compile_templates(name: str) -> None:
    """Compile a page's template, and whatever it may include, ahead of the first page."""
    environment = page_template(name).environment
    for each in environment.list_templates(extensions=["j2"]):
        environment.get_template(each)


def own_text(name: str) -> Markup:
    """Return a style or a script that is next to the templates: our own, with no data in it."""
    return Markup((_TEMPLATES / name).read_text(encoding="utf-8"))


def side_style(name: str) -> Markup:
    """Return the style of a page that goes with the report: what all of them share, and its own."""
    return own_text("side_page.css") + own_text(name)


def content_hash(text: str) -> str:
    """Return what a page's content security policy calls a style or a script by."""
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
