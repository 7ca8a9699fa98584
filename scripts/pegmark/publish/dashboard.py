"""The class page: one offline HTML file with everything a teacher works from after the deadline.

`build_dashboard` turns records into a view (plain texts, numbers and pictures), and the template
places them; Jinja escapes every text, and data for the script goes in as JSON that cannot end its
element. Scripts, styles and pictures stand inside the page; only clips, sheets and the students'
own recordings are linked beside it. The page's security policy allows nothing from a network.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pegmark.publish import class_pictures
from pegmark.publish.class_view import class_view
from pegmark.publish.templates import template
from pegmark.render import pictures

if TYPE_CHECKING:
    from pegmark.records.student import Record

DASHBOARD_TEMPLATES = Path(__file__).parent
# dashboard.<part>.js, in the order in which they are joined to one module
DASHBOARD_SCRIPTS = (
    "marks",
    "table",
    "student",
    "listening",
    "flow",
    "whose",
    "playing",
    "steps",
    "keys",
    "start",
)


def build_dashboard(
    records: Mapping[str, Record],
    ticket: Mapping[str, Any],
    second_opinion: Mapping[str, Any] | None = None,
) -> str:
    """The page as HTML text.

    `records` maps student_id to the record, `ticket` is tickets/publish.json, `second_opinion`
    what `pegmark.recheck.second_opinion.second_opinion` gave, or None.
    """
    view = class_view(records, ticket, second_opinion)
    return _template().render(
        view=view,
        style=_text("dashboard.css"),
        script=_inline_script(
            "\n".join(
                _text(name)
                for name in (
                    *(f"dashboard.{p}.js" for p in DASHBOARD_SCRIPTS),
                    "class_pictures.marks.js",
                )
            )
        ),
        table_library=_inline_script(_table_library()),
    )


@cache
def _template() -> Any:
    page = template("dashboard.html.j2")
    page.environment.globals |= {
        "fill_svg": class_pictures.fill_svg,
        "mark_svg": class_pictures.mark_svg,
        "symbols_svg": class_pictures.symbols_svg,
        "key_svg": pictures.key_svg,
    }
    return page


def _text(name: str) -> str:
    return (DASHBOARD_TEMPLATES / name).read_text(encoding="utf-8")


def _table_library() -> str:
    """DataTables as the installed itables package bundles it: an ES module, licences included.

    The file is read without importing the package, which would load pandas.
    """
    package = find_spec("itables")
    if package is None or package.origin is None:
        raise ModuleNotFoundError("itables is not installed: set up the environment again")
    return (Path(package.origin).parent / "html" / "dt_bundle.js").read_text(encoding="utf-8")


def _inline_script(script: str) -> str:
    """Script text that cannot end the element it stands in (HTML standard, 4.12.1.3)."""
    return script.replace("</script", "<\\/script").replace("<!--", "<\\!--")
