"""What runs again after a change, and what does not: read from the engine's own list of jobs.

Common practice, no source: what may run again after what is this project's own promise.
"""

import hashlib
import os
import random
import re
import shutil
import time

import pytest

from lab import smallclass
from lab.smallclass import (
    done_by_grade,
    engine_command,
    everything_in,
    grade,
    planned,
    read_record,
    results_of,
    run,
)

CLASS_PAGES = {"publish": {""}, "deliver": {""}}
STUDENTS = {"m1", "m2", "m3"}
LISTENING = {"listen"}


@pytest.fixture(scope="module")
def project(tmp_path_factory):
    return smallclass.copy_project(tmp_path_factory.mktemp("rerun") / "project")


@pytest.fixture(scope="module")
def graded(project, tmp_path_factory):
    class_dir = smallclass.make_class(tmp_path_factory.mktemp("rerun") / "class")
    grade(project, class_dir)
    return class_dir


@pytest.fixture
def mine(graded, tmp_path):
    return smallclass.copy_class(graded, tmp_path / "class")


@pytest.fixture
def my_project(project, tmp_path):
    return smallclass.copy_class(project, tmp_path / "project")


def take_of(class_dir, student):
    return read_record(class_dir, student)["submission"]["take"]


def edit(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text, f"{old!r} is not in {path}"
    path.write_text(text.replace(old, new), encoding="utf-8")


def scored(*students):
    """The jobs of a new score of some students."""
    return {"report": set(students), **CLASS_PAGES}


def give_new_times(folder):
    """What a copy does that keeps no times: all new, and in no order."""
    rng = random.Random(1)
    now = time.time()
    for path in (*folder.rglob("*"), folder):
        moment = now - rng.uniform(0, 600)
        os.utime(path, (moment, moment), follow_symlinks=False)


# -- nothing changed --------------------------------------------------------------------------


def test_nothing_changed_is_no_job(project, mine):
    before = everything_in(mine / "results" / "work")
    assert planned(project, mine) == {}
    assert done_by_grade(project, mine) == {}
    assert everything_in(mine / "results" / "work") == before


def test_a_copy_with_new_times_is_no_job(project, mine):
    give_new_times(mine)
    assert planned(project, mine) == {}


def test_a_copy_without_the_engines_memory_is_no_job(project, my_project, mine, graded):
    """As many programs copy: no hidden files, and new times. A later edit is seen all the same."""
    for path in sorted(mine.rglob(".*")):
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    give_new_times(mine)
    assert done_by_grade(project, mine) == {}
    assert results_of(mine) == results_of(graded)
    edit(my_project / "scripts/pegmark/render/clips.py", "STRING_MAX_S = 6.0", "STRING_MAX_S = 5.0")
    assert planned(my_project, mine) == scored(*STUDENTS)


def test_results_that_nobody_knows_are_made_anew(project, mine, graded):
    """Without the engine's memory, and other than the last whole run left them."""
    shutil.rmtree(mine / ".snakemake")
    record = mine / "results" / "work" / "records" / "m1.json"
    record.write_text(record.read_text().replace('"Ada"', '"Eve"'), encoding="utf-8")
    (mine / "results" / "measured" / f"{take_of(mine, 'm2')}.json").write_text("{}")
    assert set(done_by_grade(project, mine)) > LISTENING
    assert results_of(mine) == results_of(graded)


def test_other_names_for_the_same_files_measure_nothing(project, mine):
    names = {"Ada Brook tuning.wav": "brook-ada (1).wav", "cole_ben.wav": "Week 1/Ben COLE.wav"}
    for old, new in names.items():
        target = mine / "submissions" / new
        target.parent.mkdir(exist_ok=True)
        (mine / "submissions" / old).rename(target)
    done = done_by_grade(project, mine)
    assert set(done) <= {"report", "publish", "deliver"}
    assert done["report"] == {"m1", "m2"}  # whose sheets name the file
    assert read_record(mine, "m2")["submission"]["file"] == "Week 1/Ben COLE.wav"


def test_results_taken_away_come_back(project, mine, graded):
    (mine / "results" / "sheets" / "m1.pdf").unlink()
    (mine / "results" / "dashboard.html").unlink()
    assert done_by_grade(project, mine) == {"deliver": {""}}
    assert results_of(mine) == results_of(graded)


# -- one thing changed --------------------------------------------------------------------------


def test_a_retake_is_that_student_and_the_class(project, mine):
    others = {one: (mine / f"results/sheets/{one}.pdf").read_bytes() for one in ("m1", "m3")}
    first = take_of(mine, "m2")
    smallclass.pluck_strings(mine / "submissions" / "Ben Cole take 2.wav", "cello", cents=25.0)
    expected = planned(project, mine)
    done = done_by_grade(project, mine)
    assert done == expected
    second = take_of(mine, "m2")
    assert second != first
    listening = {stage: {second} for stage in LISTENING}
    assert done == {**listening, **scored("m2"), "recheck": {""}}
    record = read_record(mine, "m2")
    assert record["submission"]["attempts"] == 2
    assert [one["file"] for one in record["other_takes"]] == ["cole_ben.wav"]
    assert {one: (mine / f"results/sheets/{one}.pdf").read_bytes() for one in others} == others


def test_new_content_with_an_old_time_is_seen(project, mine):
    path = mine / "submissions" / "Dunn, Cai.wav"
    smallclass.pluck_strings(path, "viola", cents=-11.0)
    os.utime(path, (1_000_000, 1_000_000))
    take = f"{hashlib.sha256(path.read_bytes()).hexdigest()[:16]}-viola"
    listening = {stage: {take} for stage in LISTENING}
    assert planned(project, mine) == {**listening, **scored("m3"), "recheck": {""}}


@pytest.mark.parametrize(
    ("file", "old", "new", "expected"),
    [
        ("marks.csv", "m1,daily,1,", "m1,daily,0,", scored("m1")),
        ("marks.csv", "Clear.", "Very clear.", scored("m1")),
        ("assignment.yaml", "due: ", "tolerances: {in_tune_cents: 4}\ndue: ", scored(*STUDENTS)),
        ("assignment.yaml", '"Week 1"', '"Week 2"', scored(*STUDENTS)),
        ("roster.csv", "cai@", "kai@", scored("m3")),
        ("roster.csv", "Dunn,Cai,viola,Heron", "Dunn,Cai,viola,Kite", scored("m3")),
    ],
    ids=["a mark", "a comment", "a tolerance", "the title", "an address", "a section"],
)  # fmt: skip
def test_a_change_runs_those_it_concerns(project, mine, file, old, new, expected):
    edit(mine / file, old, new)
    assert planned(project, mine) == expected


def test_another_rubric_is_scored_and_nothing_measured(project, mine):
    shutil.copy(project / "config" / "rubric.yaml", mine / "rubric.yaml")
    edit(mine / "rubric.yaml", "id: daily", "id: everyday")
    edit(mine / "marks.csv", "m1,daily", "m1,everyday")
    expected = planned(project, mine)
    assert expected == scored(*STUDENTS)
    assert done_by_grade(project, mine) == expected
    assert "everyday" in {one["id"] for one in read_record(mine, "m2")["score"]["criteria"]}


@pytest.mark.parametrize(
    ("part", "expected"),
    [("score", scored(*STUDENTS)), ("sheet", scored(*STUDENTS))],
)
def test_other_sentences_run_who_speaks_them(my_project, mine, part, expected):
    path = my_project / "config" / "comments.yaml"
    before, after = path.read_text(encoding="utf-8").split(f"\n{part}:\n", 1)
    after = after.replace('and: " and "', 'and: " & "', 1)
    path.write_text(f"{before}\n{part}:\n{after}", encoding="utf-8")
    assert planned(my_project, mine) == expected


AFTER = {  # job -> the jobs behind it
    "listen": {"report", "recheck", "publish", "deliver"},
    "report": {"publish", "deliver"},
    "publish": {"deliver"},
}


@pytest.mark.parametrize(
    ("module", "job"),
    [
        ("pegmark/segment/onsets.py", "listen"),
        ("pegmark/identify/strings.py", "listen"),
        ("pegmark/measure/bows.py", "listen"),
        ("pegmark/score/criteria.py", "report"),
        ("pegmark/render/sheet.css", "report"),
        ("pegmark/publish/dashboard.py", "publish"),
        ("pegmark/publish/gradebook.py", "publish"),
        ("render.py", "report"),
        ("decode.py", "listen"),
    ],
)
def test_an_edit_of_a_module_runs_its_job(my_project, mine, module, job):
    with open(my_project / "scripts" / module, "a", encoding="utf-8") as file:
        file.write("\n/* or */\n" if module.endswith("css") else "\nREMARK = 1\n")
    assert set(planned(my_project, mine)) == {job} | AFTER[job]


def test_remarks_and_types_run_nothing(my_project, mine):
    """A comment, another docstring and a name for the type checker, in every module there is."""
    for path in (my_project / "scripts").rglob("*.py"):
        text = re.sub(r'\A"""', '"""Anew: ', path.read_text(encoding="utf-8"))
        types = (
            "\nif TYPE_CHECKING:\n    import fractions\n" if "import TYPE_CHECKING" in text else ""
        )
        path.write_text(f"# a remark\n{text}\n# another\n{types}", encoding="utf-8")
    assert planned(my_project, mine) == {}


@pytest.mark.parametrize(
    ("library", "jobs"),
    [
        ("weasyprint", {"report", "publish", "deliver"}),
        ("pydyf", {"report", "publish", "deliver"}),  # which writes WeasyPrint's PDFs
        ("numpy", {"listen", *AFTER["listen"]}),
        ("librosa", {"recheck", "publish", "deliver"}),
        ("snakemake", set()),
    ],
)
def test_a_new_library_runs_what_uses_it(my_project, mine, library, jobs):
    lock = my_project / "workflow" / "requirements.txt"
    text, count = re.subn(rf"^{library}==", f"{library}==1", lock.read_text("utf-8"), flags=re.M)
    assert count
    lock.write_text(text, encoding="utf-8")
    assert set(planned(my_project, mine)) == jobs


def test_a_project_in_another_place_with_new_times_is_no_change(my_project, mine):
    give_new_times(my_project)
    assert planned(my_project, mine) == {}


def test_a_change_is_seen_though_the_results_come_from_a_clock_ahead(project, mine):
    ahead = time.time() + 7200
    for path in (mine / "results").rglob("*"):
        os.utime(path, (ahead, ahead))
    edit(mine / "marks.csv", "m1,daily,1,", "m1,daily,0,")
    assert done_by_grade(project, mine) == scored("m1")
    daily = [c for c in read_record(mine, "m1")["score"]["criteria"] if c["id"] == "daily"]
    assert daily[0]["points"] == 0


# -- students who go ----------------------------------------------------------------------------


def traces(class_dir, *names):
    """Files of the results whose name or path holds one of these."""
    paths = (path.relative_to(class_dir).as_posix() for path in (class_dir / "results").rglob("*"))
    return [p for p in paths if any(name in p for name in names) and "/." not in p]


def test_a_student_off_the_roster_leaves_nothing_and_it_is_said(project, mine):
    assert (mine / "results" / "outbox" / "m1.eml").exists()
    take = take_of(mine, "m1")
    edit(mine / "roster.csv", "m1,Brook,Ada,violin,Heron,ada@example.org\n", "")
    (mine / "marks.csv").unlink()
    expected = planned(project, mine)
    assert "m1" in str(traces(mine, "m1"))  # a dry run takes nothing away
    said = grade(project, mine, 0, "--prune")
    assert "Ada Brook (m1) is no longer on the roster" in said
    assert traces(mine, "m1", take) == []
    log = (mine / "results" / "logs" / "run.log").read_text(encoding="utf-8")
    assert smallclass.jobs(log) == expected == {"recheck": {""}, **CLASS_PAGES}
    for page in ("dashboard.html", "gradebook.csv"):
        assert "Brook" not in (mine / "results" / page).read_text(encoding="utf-8").split("\n")[1]
    assert "m1" not in (mine / "results" / "gradebook.csv").read_text(encoding="utf-8")


def test_a_student_who_is_excused_or_took_the_file_back_keeps_no_stale_result(project, mine):
    edit(mine / "roster.csv", "email\n", "email,excused\n")
    edit(mine / "roster.csv", "ada@example.org", "ada@example.org,yes")
    (mine / "submissions" / "cole_ben.wav").unlink()
    gone = take_of(mine, "m2")
    grade(project, mine, 0, "--go-on", "--prune")  # one of three is more than a quarter
    done = smallclass.jobs((mine / "results/logs/run.log").read_text(encoding="utf-8"))
    assert done == {**scored("m1", "m2"), "recheck": {""}}
    for student, state in (("m1", "excused"), ("m2", "missing")):
        record = read_record(mine, student)
        assert record["status"] == state
        assert (record["notes"], record["strings"], record["submission"]) == ([], {}, None)
        assert traces(mine, f"clips/{student}/") == []
        assert not (mine / "results" / "outbox" / f"{student}.eml").exists()
    assert traces(mine, gone) == []
    with open(mine / "results" / "gradebook.csv", encoding="utf-8-sig") as table:
        states = {line.split(",")[0]: line.split(",")[5] for line in table}
    assert states["m1"] == "excused"
    assert states["m2"] == "missing"


def test_who_comes_back_has_the_same_results_again(project, mine, graded):
    """Also that the engine alone takes away and says what the teacher's command does."""
    edit(mine / "roster.csv", "m1,Brook,Ada", "m9,Brook,Ada")
    (mine / "marks.csv").rename(mine / "kept.csv")
    said = run(engine_command(project, mine))
    assert said.count("Ada Brook (m1) is no longer on the roster") == 1
    assert not (mine / "results" / "sheets" / "m1.pdf").exists()
    edit(mine / "roster.csv", "m9,Brook,Ada", "m1,Brook,Ada")
    (mine / "kept.csv").rename(mine / "marks.csv")
    done = done_by_grade(project, mine)
    assert not LISTENING & set(done)  # the recording is known by its content
    assert results_of(mine) == results_of(graded)


def test_every_change_at_once_is_what_the_dry_run_said(project, mine):
    edit(mine / "marks.csv", "m1,daily,1,", "m1,daily,0,")
    edit(mine / "roster.csv", "m3,Dunn,Cai", "m4,Dunn,Cai")
    smallclass.pluck_strings(mine / "submissions" / "Ben Cole take 2.wav", "cello")
    before = everything_in(mine / "results")
    expected = planned(project, mine)
    assert everything_in(mine / "results") == before
    assert expected["report"] == {"m1", "m2", "m4"}
    assert done_by_grade(project, mine) == expected
