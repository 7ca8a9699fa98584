"""Everything that shows a whole class, by file name."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pegmark.publish.attention import attention_csv
from pegmark.publish.blind import blind_page
from pegmark.publish.dashboard import build_dashboard
from pegmark.publish.gradebook import gradebook_csv
from pegmark.publish.lesson import lesson_page
from pegmark.publish.oneroster import oneroster_zip
from pegmark.publish.orchestra_page import orchestra_pages
from pegmark.publish.projector import projector_page
from pegmark.publish.weeks import weeks_page

if TYPE_CHECKING:
    from pegmark.records.student import Record


def class_pages(
    records: Mapping[str, Record], ticket: Mapping[str, Any], opinion: dict[str, Any] | None
) -> dict[str, str | bytes | None]:
    """Class page, gradebook, attention list, the open roster standard's archive, the orchestra.

    Parameters
    ----------
    records : by student id; a student of the roster may lack one.
    ticket : results/tickets/publish.json.
    opinion : results/work/recheck.json, or None.

    Returns
    -------
    Text or bytes by file name; None for what this class cannot have.
    """
    return {
        "dashboard.html": build_dashboard(records, ticket, opinion),
        "gradebook.csv": gradebook_csv(records, ticket),
        "attention.csv": attention_csv(records, ticket, opinion),
        "oneroster.zip": oneroster_zip(records, ticket),
        "projector.html": projector_page(records, ticket),
        "lesson.html": lesson_page(records, ticket),
        "weeks.html": weeks_page(records, ticket, opinion),
        "blind.html": blind_page(records, ticket),
        **orchestra_pages(records, ticket),
    }
