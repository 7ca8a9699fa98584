"""Many classes at once: one workflow, one summary, one page, and nothing about a child."""

import re
import shutil
from pathlib import Path
from urllib.parse import unquote

import pytest

import district
from browserdesk import CHROMIUM, started_chromium
from lab import smallclass
from lab.example_class import make_class
from lab.smallclass import run
from pegmark.publish import district as pages
from pegmark.records.problems import TeacherError
from test_projector import WCAG

CHILDREN = ("Brook", "Ada", "Cole", "Ben", "Dunn", "Cai", "m1", "m2", "m3", "example.org")
EVIL = "Kläss <b>\x1b[31m"


def command(project, list_file, *more):
    return [*smallclass.grade_command(project, "--classes"), str(list_file), *more]


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A list of a class, one with a strange name and a broken roster, and one that is not there."""
    place = tmp_path_factory.mktemp("district")
    smallclass.make_class(place / "heron")
    broken = smallclass.make_class(place / EVIL)
    roster = (broken / "roster.csv").read_text(encoding="utf-8")
    (broken / "roster.csv").write_text(roster.replace("Ben,cello", "Ben,kazoo"), encoding="utf-8")
    (place / "all.txt").write_text(f"# our classes\nheron\n\n{EVIL}\nnowhere\n", encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def project(tmp_path_factory):
    return smallclass.copy_project(tmp_path_factory.mktemp("district") / "project")


@pytest.fixture(scope="module")
def said(project, place):
    return run(command(project, place / "all.txt"), code=2)


def test_a_class_is_the_same_alone_and_with_others(project, place, said, tmp_path):
    alone = smallclass.make_class(tmp_path / "heron")
    smallclass.grade(project, alone)
    assert smallclass.results_of(place / "heron") == smallclass.results_of(alone)
    assert smallclass.planned(project, place / "heron") == {}


def test_one_summary_says_takes_questions_and_failures(place, said):
    assert "3 classes, 2 of them with a failure; 3 takes of 3 students, 0 not handed in" in said
    assert "Open questions for the ear: 0; students to be marked: 2" in said
    assert said.count("not graded: something in its folder must be mended first") == 2
    assert re.search(r"^Grading: 3 of 3 classes", said, re.MULTILINE)
    assert "\x1b" not in said
    log = place / "all-results" / "logs" / "2.log"
    assert "kazoo" in log.read_text(encoding="utf-8")


def test_one_page_links_every_class_and_names_no_child(place, said):
    page = (place / "all-results" / "overview.html").read_text(encoding="utf-8")
    words = set(re.findall(r"[\w@.+-]+", page.replace(str(place), "")))
    assert not words & set(CHILDREN)
    assert "kazoo" not in page
    assert "<b>" not in page
    assert "Šest strun Nº 3" in page
    (link,) = re.findall(r'<a href="([^"]+)"', page)
    assert (
        place / "all-results" / unquote(link)
    ).resolve() == place / "heron/results/dashboard.html"
    assert (place / "all-results").stat().st_mode & 0o077 == 0


def test_a_second_run_finds_nothing_to_do_and_gives_the_same_page(project, place, said):
    page = place / "all-results" / "overview.html"
    before = page.read_bytes(), smallclass.results_of(place / "heron")
    run(command(project, place / "all.txt", "--quiet"), code=2)
    assert (page.read_bytes(), smallclass.results_of(place / "heron")) == before
    assert "Nothing to be done" in (place / "heron/results/logs/run.log").read_text()


def test_the_sums_are_those_of_the_classes():
    """Counted here by hand from an invented class of 60."""
    records, ticket = make_class(60)
    counts = pages.class_counts(records, ticket, None, takes=57)
    missing = [r for r in records.values() if r["status"] == "missing"]
    assert (counts["students"], counts["takes"]) == (len(ticket["students"]), 57)
    assert counts["missing"] == len(missing)
    states = [
        {"folder": f"/c/{n}", "address": None, "log": "", "code": code, "counts": of}
        for n, (code, of) in enumerate([(0, counts), (None, counts), (3, None)])
    ]
    assert pages.totals(states) == {name: 2 * counts[name] for name in pages.CLASS_NUMBERS}
    page = pages.district_page(states)
    assert page.index("/c/1") < page.index("/c/2") < page.index("/c/0")  # failures first
    assert "its job was lost; run again" in page
    for row in ticket["students"]:
        assert row["family_name"] not in page


@pytest.mark.parametrize(
    ("text", "told"),
    [(b"", "names no class folder"), (b"# a\n\n", "names no class folder"),
     (b"a\n./a\n", "names a folder twice"), (b"\xff\xfe\n", "is no list in UTF-8")],
)  # fmt: skip
def test_a_list_that_cannot_be_used_is_said(tmp_path, text, told):
    (tmp_path / "list.txt").write_bytes(text)
    with pytest.raises(TeacherError, match=told):
        district.read_list(tmp_path / "list.txt")


def test_a_class_whose_job_was_lost_is_said(tmp_path):
    class_dir = tmp_path / "heron"
    state = district.state_read(tmp_path, 1, class_dir)
    assert (state["code"], state["counts"]) == (None, None)
    assert "its job was lost" in pages.summary_lines([state])[-1]


@pytest.mark.browser
@pytest.mark.skipif(not CHROMIUM.exists(), reason="chromium is not installed")
def test_the_page_meets_wcag_and_fits_a_small_screen(place, said, tmp_path):
    from axe_playwright_python.sync_playwright import Axe

    path = shutil.copy(place / "all-results" / "overview.html", tmp_path)
    with started_chromium() as browser:
        for scheme in ("light", "dark"):
            page = browser.new_context(color_scheme=scheme).new_page()
            page.goto(Path(path).as_uri())
            for width in (320, 1024, 1920):
                page.set_viewport_size({"width": width, "height": 900})
                assert page.evaluate("document.scrollingElement.scrollWidth") <= width
            found = Axe().run(page, options={"runOnly": {"type": "tag", "values": WCAG}})
            assert found.violations_count == 0, found.generate_report()
