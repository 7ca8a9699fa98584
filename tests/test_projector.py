"""The projector's page: a test that tries to find a child in it."""

from __future__ import annotations

import copy
import re

import pytest

import browserdesk
from browserdesk import started_chromium
from lab.example_class import make_class
from pegmark.publish import class_pictures
from pegmark.publish.projector import PROJECTOR_ENOUGH_PLAYERS, projector_page

WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


def test_no_child_is_found_in_its_bytes():
    """No name, id, address, file, state, point, pitch or order of students, also not hidden."""
    records, ticket = make_class(60)
    page = projector_page(records, ticket)
    words = set(re.findall(r"[\w@.+-]+", page))
    for row in ticket["students"]:
        for field in ("student_id", "family_name", "given_name", "email"):
            assert row[field] not in words
    for state in ("graded", "waiting", "needs", "unreadable", "handed", "excused", "late"):
        assert state not in words
    assert not re.search(r"<script|data-|title=", page)
    ids = set(re.findall(r'\bid="([^"]*)"', page))
    assert ids == set(re.findall(r'\bid="([^"]*)"', class_pictures.symbols_svg()))


def test_no_number_of_one_child_is_in_it():
    """Every pitch, time and point may change: only the counts of the verdicts are shown."""
    records, ticket = make_class(60)
    page = projector_page(records, ticket)
    for record in records.values():
        for string in record["strings"].values():
            string |= {"deviation_cents": string["deviation_cents"] + 0.37, "at_s": 3.21}
            string |= {"f0_hz": 123.456, "uncertainty_cents": 2.71, "moves": [], "tuned_as": None}
        record["score"] |= {"total": 3.25, "open": 1}
        record["status"] = "needs_listening"
    assert projector_page(records, ticket) == page


def test_the_order_of_the_class_changes_nothing():
    records, ticket = make_class(60)
    other = copy.deepcopy(ticket)
    other["students"] = other["students"][::-1]
    assert projector_page(records, ticket) == projector_page(records, other)


@pytest.mark.parametrize("players", range(1, 6))
def test_a_string_of_fewer_than_three_players_is_left_out(players):
    records, ticket = make_class(60)
    basses = [s for s, r in records.items()
              if r["student"]["instrument"] == "violin" and r["strings"]][players:]  # fmt: skip
    for student in basses:
        records[student]["strings"] = {}
    page = projector_page(records, ticket)
    assert ("Violin" in page) is (players >= PROJECTOR_ENOUGH_PLAYERS)


def test_no_group_can_be_read_from_the_difference_of_two():
    """Counts are by string of an instrument alone: no row holds another one's players."""
    records, ticket = make_class(60)
    page = projector_page(records, ticket)
    assert {"Violin 1", "Violin 2"} <= {row["section"] for row in ticket["students"]}
    assert "Violin 1" not in page
    assert "Violin 2" not in page
    shown = [int(n) for n in re.findall(r"\d+ of (\d+) in tune", page)]
    left = class_pictures.strings_left(list(records.values()))
    heard = [sum(s["cents"] is not None for s in strings) for strings in left.values()]
    assert sorted(shown) == sorted(n for n in heard if n >= PROJECTOR_ENOUGH_PLAYERS)
    assert str(len(ticket["students"])) not in re.findall(r">(\d+)<", page)


def test_a_small_class_is_told_so():
    records, ticket = make_class(2, seed=1)
    assert "There is nothing to show" in projector_page(records, ticket)


@pytest.mark.browser
@pytest.mark.skipif(not browserdesk.CHROMIUM.exists(), reason="chromium is not installed")
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_is_read_by_everybody(tmp_path, scheme):
    """axe-core, WCAG 2.2 AA; nothing is wider than the screen, nothing is asked of a network."""
    from axe_playwright_python.sync_playwright import Axe

    path = tmp_path / "projector.html"
    path.write_text(projector_page(*make_class(60)), encoding="utf-8")
    with started_chromium() as browser:
        page = browser.new_context(color_scheme=scheme).new_page()
        asked = []
        page.on("request", lambda request: asked.append(request.url))
        page.goto(path.as_uri())
        for width in (320, 1024, 1920):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate("document.scrollingElement.scrollWidth") <= width
        found = Axe().run(page, options={"runOnly": {"type": "tag", "values": WCAG}})
        assert found.violations_count == 0, found.generate_report()
        assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
