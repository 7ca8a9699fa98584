"""The workflow on the machine: two ways to start, faults, kills, locks, a full disk, same bytes."""

import os
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from contextlib import contextmanager
from pathlib import Path

import psutil
import pytest

import classfolder
from lab import smallclass
from lab.smallclass import (
    KILLS,
    end_group,
    engine_command,
    everything_in,
    grade,
    grade_command,
    has_locks,
    is_held,
    jobs,
    planned,
    read_record,
    results_of,
    run,
    start,
    steps_done,
    wait_until,
)
from pegmark.deliver import deliver
from pegmark.files.made import digest
from pegmark.files.store import write_json
from pegmark.receive import take_in
from pegmark.records.problems import TeacherError

FAULT = "program_fault"


@pytest.fixture(scope="module")
def project(tmp_path_factory):
    return smallclass.copy_project(tmp_path_factory.mktemp("workflow") / "project")


@pytest.fixture(scope="module")
def ungraded(tmp_path_factory):
    return smallclass.make_class(tmp_path_factory.mktemp("workflow") / "ungraded")


@pytest.fixture(scope="module")
def graded(project, ungraded, tmp_path_factory):
    class_dir = smallclass.copy_class(ungraded, tmp_path_factory.mktemp("workflow") / "class")
    grade(project, class_dir)
    return class_dir


@pytest.fixture
def mine(graded, tmp_path):
    return smallclass.copy_class(graded, tmp_path / "class")


@pytest.fixture
def fresh(ungraded, tmp_path):
    return smallclass.copy_class(ungraded, tmp_path / "fresh")


@pytest.fixture
def my_project(project, tmp_path):
    return smallclass.copy_class(project, tmp_path / "project")


def edit(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text, f"{old!r} is not in {path}"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def change_rubric(project, class_dir):
    shutil.copy(project / "config" / "rubric.yaml", class_dir)
    edit(class_dir / "rubric.yaml", "id: daily", "id: everyday")
    edit(class_dir / "marks.csv", "m1,daily", "m1,everyday")


# -- looking, and both ways to start --------------------------------------------------------------


# Another time zone, a language of ASCII only, another order in sets.
ELSEWHERE = {"TZ": "Pacific/Auckland", "LC_ALL": "C", "PYTHONHASHSEED": "77"}
# Beside every Python process of a run: writes down which files it opens to write into them.
WATCH = """
import os, sys

def note(event, arguments):
    if event == "open" and isinstance(arguments[0], (str, bytes)):
        mode, flags = arguments[1] or "", arguments[2] or 0
        if set(mode) & set("wax+") or flags & (os.O_WRONLY | os.O_RDWR):
            line = os.path.abspath(os.fsdecode(arguments[0])) + "\\n"
            os.write(LOG, line.encode())

LOG = os.open({log!r}, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
sys.addaudithook(note)
"""


def test_another_way_to_start_another_place_and_one_core_give_the_same_bytes(
    project, graded, tmp_path
):
    """First grade.py on all cores; then, with results/ deleted, the engine itself on one core, in
    a folder of another name, time zone, language and order of hashes. Every file of the results
    appears whole: none is opened under the name it will have."""
    other = smallclass.copy_class(graded, tmp_path / "Another pläce (2)")
    shutil.rmtree(other / "results")
    expected = planned(project, other)
    assert not (other / "results").exists()
    log = tmp_path / "written"
    (tmp_path / "sitecustomize.py").write_text(WATCH.format(log=str(log)), encoding="utf-8")
    one_core = engine_command(project, other, "--cores", "1")
    assert jobs(run(one_core, **ELSEWHERE, PYTHONPATH=str(tmp_path))) == expected
    assert results_of(other) == results_of(graded)
    assert planned(project, other) == {}
    written = {Path(line) for line in log.read_text(encoding="utf-8").splitlines()}
    ours = [path.relative_to(other) for path in written if path.is_relative_to(other / "results")]
    names = {path.name for path in ours if path.parts[1] != "logs"}
    assert len(names) > 30
    assert [name for name in names if not name.startswith((".part-", ".snakemake"))] == []


@pytest.mark.parametrize("look", ["--dry-run", "--lint", "--list-rules", "--rulegraph"])
def test_looking_writes_nothing(project, mine, look):
    change_rubric(project, mine)
    before = everything_in(mine)
    subprocess.run(engine_command(project, mine, look), capture_output=True, cwd="/tmp")
    assert everything_in(mine) == before


def test_a_dry_run_that_a_profile_asks_for_writes_nothing(my_project, fresh):
    with open(my_project / "workflow/profiles/default/config.yaml", "a", encoding="utf-8") as file:
        file.write("dry-run: true\n")
    before = everything_in(fresh)
    assert "listen" in jobs(run(engine_command(my_project, fresh)))
    assert everything_in(fresh) == before


@pytest.mark.parametrize("how", [grade_command, engine_command])
def test_a_broken_roster_changes_nothing_and_says_why(project, mine, how):
    edit(mine / "roster.csv", "m2,Cole,Ben,cello", "m1,Cole,Ben,kazoo")
    before = everything_in(mine / "results")
    said = run(how(project, mine), code=2 if how is grade_command else 1)
    assert "kazoo" in said
    assert "Traceback" not in said
    assert everything_in(mine / "results") == before


@pytest.mark.parametrize("how", [grade_command, engine_command])
def test_no_folder_is_said_and_none_is_made(project, tmp_path, how):
    said = run(how(project, tmp_path / "nowhere"), code=2 if how is grade_command else 1)
    assert "There is no folder" in said
    assert not (tmp_path / "nowhere").exists()


@pytest.mark.parametrize("how", [grade_command, engine_command])
def test_a_wrong_folder_is_left_as_it_is(project, tmp_path, how):
    wrong = tmp_path / "holiday"
    wrong.mkdir()
    (wrong / "letter.txt").write_text("Dear all")
    before = everything_in(wrong)
    said = run(how(project, wrong), code=2 if how is grade_command else 1)
    assert "There is no roster.csv" in said
    assert "There is no folder 'submissions'" in said
    assert "Traceback" not in said
    assert everything_in(wrong) == before


def test_the_command_looks_and_writes_nothing(project, fresh):
    before = everything_in(fresh)
    said = grade(project, fresh, 0, "-n")
    assert "3 students: 3 received, 0 missing, 0 excused. Nothing was graded" in said
    assert everything_in(fresh) == before


@pytest.mark.parametrize("cores", ["zero", "0", "-1", "2.5", ""])
def test_an_impossible_number_of_cores_is_one_sentence(project, fresh, cores):
    said = run([*grade_command(project, fresh), f"--cores={cores}"], code=2)
    assert said.splitlines()[-1].endswith("is no number of cores: give all, or 1, 2, ...")
    assert not (fresh / "results").exists()


NOBODY = 65534  # the usual number of the account that owns nothing


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can be another account")
@pytest.mark.parametrize("how", [grade_command, engine_command])
@pytest.mark.parametrize("mode", [0o555, 0o000])
def test_a_class_that_may_not_be_written_is_one_sentence(project, fresh, tmp_path, how, mode):
    for folder in (tmp_path, *tmp_path.parents, *project.parents):
        if folder.name.startswith(("pytest-", "popen-", "workflow", "test_")):
            folder.chmod(0o755)
    before = everything_in(fresh)
    fresh.chmod(mode)
    command = ["setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups"]
    home = tmp_path / "home"
    home.mkdir(mode=0o777)
    home.chmod(0o777)
    done = subprocess.run(
        [*command, *how(project, fresh)],
        capture_output=True,
        text=True,
        cwd="/tmp",
        env={**os.environ, "HOME": str(home), "XDG_CACHE_HOME": str(home)},
    )
    fresh.chmod(0o755)
    said = done.stdout + done.stderr
    assert done.returncode == (2 if how is grade_command else 1), said
    assert "copy the class folder to a folder of your own" in said
    assert "Traceback" not in said
    assert everything_in(fresh) == before


def test_a_pipe_closed_early_stops_no_grading(project, mine):
    edit(mine / "marks.csv", "m1,daily,1,", "m1,daily,0,")
    process = subprocess.Popen(
        grade_command(project, mine), stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd="/tmp"
    )
    process.stdout.close()
    with process.stderr:
        assert process.stderr.read() == b""
    assert process.wait() == 0
    assert planned(project, mine) == {}


def test_progress_without_a_terminal_is_plain_lines_and_quiet_is_quiet(project, mine):
    edit(mine / "marks.csv", "m1,daily,1,", "m1,daily,0,")
    said = grade(project, mine)
    steps = [line for line in said.splitlines() if line.startswith("Grading: ")]
    assert steps
    assert len(steps) == 1
    assert re.fullmatch(r"Grading: 1 of 1 sheets \(Ada Brook(, about .* left)?\)\.", steps[0])
    assert "\r" not in said
    assert "\x1b" not in said
    edit(mine / "marks.csv", "m1,daily,0,", "m1,daily,1,")
    assert grade(project, mine, 0, "--quiet") == ""
    edit(mine / "roster.csv", "m2,Cole,Ben,cello", "m2,Cole,Ben,kazoo")
    assert "kazoo" in grade(project, mine, 2, "--quiet")


def test_names_from_outside_neither_steer_the_terminal_nor_forge_a_line(project, mine):
    evil = "\x1b[2J\rDashboard: all well\nno question"
    (mine / "submissions" / f"{evil}.wav.part").write_bytes(b"x")
    edit(mine / "roster.csv", "m3,Dunn,Cai,viola", 'm3,"Dunn\x1b[31m",Cai,"vio\x1b[2Jla"')
    said = grade(project, mine, 2)
    assert "\x1b" not in said
    edit(mine / "roster.csv", '"vio\x1b[2Jla"', "viola")
    said = grade(project, mine)
    assert "\x1b" not in said
    assert "\\x1b[2J\\rDashboard: all well\\nno question.wav.part" in said
    for log in (mine / "results" / "logs").rglob("*.log"):
        assert b"\x1b[2J" not in log.read_bytes()


# -- what is the teacher's own --------------------------------------------------------------------


def test_nothing_of_the_teachers_is_deleted(project, mine):
    sheets = mine / "results" / "sheets"
    own = {
        mine / "results" / "my plan.txt": "own",
        sheets / "notes.pdf": "own",
        mine / "results" / "clips" / "m1" / "mine.mp3": "own",
    }
    for path, text in own.items():
        path.write_text(text)
    with open(sheets / "m1.pdf", "ab") as stream:  # edited in its place
        stream.write(b"% a word of the teacher's")
    edited = (sheets / "m1.pdf").read_bytes()
    with open(mine / "results" / "gradebook.csv", "a", encoding="utf-8") as stream:
        stream.write("a line of the teacher's\n")
    edit(mine / "marks.csv", "m1,daily,1,", "m1,daily,0,")
    said = grade(project, mine)
    assert "Kept: files that were edited by hand, under new names:" in said
    assert (sheets / "m1 (edited by hand).pdf").read_bytes() == edited
    assert (sheets / "m1.pdf").read_bytes().startswith(b"%PDF")
    assert b"a word of the teacher's" not in (sheets / "m1.pdf").read_bytes()
    beside = mine / "results" / "gradebook (edited by hand).csv"
    assert "a line of the teacher's" in beside.read_text(encoding="utf-8")
    assert "a line of the teacher's" not in (mine / "results" / "gradebook.csv").read_text()
    edit(mine / "roster.csv", "m1,Brook,Ada,violin,Heron,ada@example.org\n", "")
    (mine / "marks.csv").unlink()
    with open(sheets / "m1.pdf", "ab") as stream:
        stream.write(b"% again")
    said = grade(project, mine)
    assert "did not make: " in said
    for path, text in own.items():
        assert path.read_text() == text, path
    assert (sheets / "m1 (edited by hand 2).pdf").read_bytes().endswith(b"% again")
    assert not (sheets / "m1.pdf").exists()
    assert [p.name for p in (mine / "results" / "clips" / "m1").iterdir()] == ["mine.mp3"]


def test_a_class_that_has_gone_missing_stops_before_anything_is_touched(project, mine):
    kept = mine.parent / "kept"
    shutil.copytree(mine / "submissions", kept)
    for path in sorted((mine / "submissions").iterdir())[:2]:
        path.unlink()
    before = everything_in(mine / "results")
    for how, code in ((grade_command, 2), (engine_command, 1)):
        said = run(how(project, mine), code)
        assert "2 of 3 students handed in before and have nothing now" in said
        assert "--go-on" in said
        assert everything_in(mine / "results") == before
    shutil.rmtree(mine / "submissions")
    (mine / "submissions").mkdir()
    assert "submissions holds nothing. Put the recordings in" in grade(project, mine, 2)
    assert everything_in(mine / "results") == before
    measured = sorted((mine / "results" / "measured").iterdir())
    grade(project, mine, 0, "--go-on")
    assert read_record(mine, "m1")["status"] == "missing"
    assert sorted((mine / "results" / "measured").iterdir()) == measured  # until --prune
    shutil.rmtree(mine / "submissions")
    kept.rename(mine / "submissions")
    assert "listen" not in set(smallclass.done_by_grade(project, mine))
    (mine / "submissions" / "cole_ben.wav").unlink()
    grade(project, mine, 0, "--go-on", "--prune")
    assert len(list((mine / "results" / "measured").iterdir())) == 2


# -- faults of our own ----------------------------------------------------------------------------


def break_stages(project):
    """A fault in our code that each of the three students meets in another stage."""
    edit(
        project / "scripts/segment.py",
        "    from pegmark.segment import find_notes\n",
        "    from pegmark.segment import find_notes\n\n"
        '    if ticket["instrument"]["key"] == "viola":\n        raise ValueError("odd wood")\n',
    )
    edit(
        project / "scripts/score.py",
        "        record = valid(score_student(",
        '        1 // (ticket["student"]["student_id"] != "m2")\n'
        "        record = valid(score_student(",
    )
    edit(
        project / "scripts/pegmark/render/clips.py",
        "    sounds = {clip_name(name)",
        '    if record["student"]["student_id"] == "m1":\n        raise KeyError("no lathe")\n'
        "    sounds = {clip_name(name)",
    )


def test_a_fault_of_our_own_is_said_with_its_log_and_the_class_is_graded(
    project, my_project, mine, graded
):
    break_stages(my_project)
    said = grade(my_project, mine, code=1)
    results = mine / "results"
    attention = (results / "attention.csv").read_text(encoding="utf-8")
    logs = {"m1": "students/m1.log", "m2": "students/m2.log"}
    logs["m3"] = f"takes/{take(graded, 'm3')}.log"
    for student, log in logs.items():
        assert f"results/logs/{log}" in said
        assert "Traceback" in (results / "logs" / log).read_text(encoding="utf-8")
        assert f"{student}," in attention
        assert f"results/logs/{log}" in attention
    assert attention.count(FAULT) == 3
    for student in ("m2", "m3"):
        assert read_record(mine, student)["status"] == "unreadable"
        assert read_record(mine, student)["problems"][0]["code"] == FAULT
    assert read_record(mine, "m1") == read_record(graded, "m1")  # only the sheet was not made
    assert not (results / "outbox" / "m1.eml").exists()
    assert "odd wood" in (results / "dashboard.html").read_text(encoding="utf-8")
    assert not (results / "seal.json").exists()
    # Another run tries these again, and only these.
    again = planned(my_project, mine)
    assert (again["listen"], again["report"]) == ({take(graded, "m3")}, {"m1", "m2", "m3"})
    # Mended, nothing is left of it.
    grade(project, mine)
    assert results_of(mine) == results_of(graded)


def take(class_dir, student):
    return read_record(class_dir, student)["submission"]["take"]


def test_a_stage_that_hangs_is_stopped_and_a_second_opinion_that_fails_is_done_without(
    my_project, mine
):
    edit(
        my_project / "scripts/identify.py",
        "    from pegmark.identify import name_strings\n",
        "    from pegmark.identify import name_strings\n\n"
        '    if ticket["instrument"]["key"] == "viola":\n'
        "        __import__('time').sleep(3600)\n",
    )
    edit(
        my_project / "scripts/identify.py",
        '"strings", args.strings)',
        '"strings", args.strings, 6)',
    )
    edit(
        my_project / "scripts/pegmark/recheck/second_opinion.py",
        "    import librosa\n",
        '    raise RuntimeError("no second ear")\n',
    )
    said = grade(my_project, mine, code=1)
    assert "m3: The program took too long here and was stopped." in said, said
    assert "class: The program failed here (RuntimeError: no second ear)" in said
    assert "results/logs/recheck.log" in said
    unreadable = [read_record(mine, one)["status"] == "unreadable" for one in ("m1", "m2", "m3")]
    assert unreadable == [False, False, True]
    assert (mine / "results" / "outbox" / "m1.eml").exists()
    assert (mine / "results" / "dashboard.html").exists()
    again = planned(my_project, mine)
    assert again["recheck"] == {""}
    assert again["listen"] == {take(mine, "m3")}


# -- one run at a time ----------------------------------------------------------------------------


@contextmanager
def held_at_work(command, class_dir):
    """A run that has begun its jobs and stands still; afterwards it goes on to its end."""
    process = start(command)
    try:
        wait_until(lambda: has_locks(class_dir), process)
        os.killpg(process.pid, signal.SIGSTOP)
        yield
        os.killpg(process.pid, signal.SIGCONT)
        assert process.wait(timeout=300) == 0
    finally:
        end_group(process)


@pytest.mark.parametrize("first", [grade_command, engine_command])
def test_a_second_run_says_so_and_stops(project, mine, first):
    change_rubric(project, mine)
    with held_at_work(first(project, mine), mine):
        for second, code in ((grade_command, 2), (engine_command, 1)):
            said = run(second(project, mine), code=code)
            assert "is being graded already. Wait until that run has ended." in said
            assert "Traceback" not in said


# -- kills ----------------------------------------------------------------------------------------


STALE = "An earlier run was stopped before its end; going on from where it was."


def test_killed_at_random_moments_it_ends_with_the_same_bytes(project, fresh, graded):
    """Three kills, one after the other; twenty are in scripts/lab/benchmark_kill.py."""
    rng = random.Random(4)
    log = fresh / "results" / "logs" / "run.log"
    for kill in KILLS:
        log.unlink(missing_ok=True)
        process = start(grade_command(project, fresh))
        steps, more_s = rng.randrange(6), rng.uniform(0, 0.5)
        wait_until(lambda steps=steps: steps_done(fresh) >= steps, process)
        time.sleep(more_s)
        kill(process)
        process.wait(timeout=300)
        wait_until(lambda: not is_held(fresh))
    stale = has_locks(fresh)
    assert grade(project, fresh).count(STALE) == stale
    assert results_of(fresh) == results_of(graded)
    assert not [*(fresh / "results").rglob(".part-*")]


@pytest.mark.parametrize("how", [grade_command, engine_command])
def test_a_lock_that_a_killed_run_left_is_one_sentence(project, mine, how):
    lock = mine / ".snakemake" / "locks" / "0.output.lock"
    lock.parent.mkdir(exist_ok=True)
    lock.write_text("results/seal.json\n", encoding="utf-8")
    (mine / "results" / "work" / ".part-1").write_text("half", encoding="utf-8")
    said = run(how(project, mine))
    assert said.count(STALE) == 1
    assert "Error" not in said
    assert not has_locks(mine)
    assert not (mine / "results" / "work" / ".part-1").exists()


def names_of_children(pid):
    return [child.name() for child in psutil.Process(pid).children()]


def test_steps_that_outlive_a_killed_run_are_waited_for(tmp_path, monkeypatch):
    """Here the shell that starts a step: a killed engine may leave it before the step begins."""
    class_dir = tmp_path / "class"
    locks = class_dir / ".snakemake" / "locks"
    locks.mkdir(parents=True)
    (locks / "0.output.lock").touch()
    monkeypatch.setattr(classfolder, "LAST_STEPS_S", 0.3)
    said = []
    command = f"{classfolder.STEP_SHELL} sleep 60; }}; stage decode; true"
    step = subprocess.Popen(["bash", "-c", command], cwd=class_dir, start_new_session=True)
    try:
        wait_until(lambda: "sleep" in names_of_children(step.pid))  # until then it looks like bash
        with pytest.raises(TeacherError) as caught:
            classfolder.hold(class_dir, said.append)
    finally:
        end_group(step)
    (told,) = caught.value.problems
    assert told["code"] == "steps_at_work"
    assert f"process {step.pid}" in told["message"]
    assert has_locks(class_dir)
    classfolder.let_go(classfolder.hold(class_dir, said.append))
    assert not has_locks(class_dir)
    assert said == [STALE, STALE]


@pytest.mark.parametrize("links", [True, False], ids=["linked", "copied"])
def test_a_delivery_cut_short_leaves_whole_files_and_is_finished_later(
    tmp_path, monkeypatch, links
):
    """Killed after every number of files: each file is the old one or the new one."""
    names = [f"sheets/m{n}.pdf" for n in range(3)] + ["clips/m1/A4.mp3", "dashboard.html"]
    gone = ["sheets/m9.pdf", "clips/m9/A4.mp3"]

    def fill(folder, text, names):
        for name in names:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_text(f"{text} {name}", encoding="utf-8")

    def no_links(*_):
        raise PermissionError("this file system has no links")

    replace = os.replace
    if not links:
        monkeypatch.setattr(os, "link", no_links)
    for cut in range(len(names)):
        work, results = tmp_path / f"{cut}" / "work", tmp_path / f"{cut}"
        fill(results, "old", names + gone)
        write_json(results / "made.json", {one: digest(results / one) for one in names + gone})
        fill(work, "new", names)
        left = iter(range(cut))

        def replace_some(part, target, left=left):
            if not Path(target).name.startswith("made.") and next(left, None) is None:
                raise KeyboardInterrupt
            replace(part, target)

        monkeypatch.setattr(os, "replace", replace_some)
        with pytest.raises(KeyboardInterrupt):
            deliver(work, results)
        monkeypatch.setattr(os, "replace", replace)
        texts = [(results / name).read_text(encoding="utf-8").split()[0] for name in names + gone]
        assert texts.count("new") == cut
        assert texts.count("old") == len(names + gone) - cut
        deliver(work, results)
        assert [(results / name).read_text(encoding="utf-8") for name in names] == [
            f"new {name}" for name in names
        ]
        assert not any((results / name).exists() for name in gone)
        assert not (results / "clips" / "m9").exists()
        assert not [*results.rglob(".part-*")]


# -- a full disk ----------------------------------------------------------------------------------


def little_room():
    """In the child: no file may grow beyond a size that audio and the dashboard have."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (150_000, 150_000))


@pytest.mark.parametrize("change", ["a retake", "another rubric"])
def test_a_full_disk_is_said_and_leaves_the_old_results(project, mine, change):
    """As on a full disk or with a spent quota, writing fails in the middle (Linux: errno EFBIG)."""
    if change == "a retake":
        smallclass.pluck_strings(mine / "submissions" / "Ben Cole take 2.wav", "cello")
    else:
        change_rubric(project, mine)
    shown = ("work", "tickets", "decoded", "notes", "strings", "measured")
    before = results_of(mine, *shown)

    done = subprocess.run(
        grade_command(project, mine), capture_output=True, text=True, preexec_fn=little_room
    )
    assert done.returncode == 3, done.stdout + done.stderr
    assert "The disk is full. Free some space and run again" in done.stdout
    assert "Traceback" not in done.stdout + done.stderr
    assert {**results_of(mine, *shown), "seal.json": 0} == {**before, "seal.json": 0}
    grade(project, mine)
    if change == "a retake":
        assert read_record(mine, "m2")["submission"]["attempts"] == 2
    else:
        assert "everyday" in {c["id"] for c in read_record(mine, "m2")["score"]["criteria"]}


def test_no_room_to_unpack_a_recording_is_no_fault_of_the_recording(fresh):
    """It must not end as a file that changed: the step fails, and runs again when there is room."""
    path = fresh / "submissions" / "cole_ben.wav"
    with zipfile.ZipFile(path.with_suffix(".zip"), "w") as archive:
        archive.write(path, path.name)
    path.unlink()
    (take,) = (one for one in take_in(fresh, smallclass.ROOT / "config").takes if "cello" in one)
    script = smallclass.ROOT / "scripts" / "decode.py"
    command = [sys.executable, str(script), "--ticket", f"results/tickets/decode/{take}.json"]
    command += ["--audio", "a.npy", "--facts", "a.json"]
    done = subprocess.run(
        command, cwd=fresh, capture_output=True, text=True, preexec_fn=little_room
    )
    assert done.returncode != 0
    assert "File too large" in done.stderr
    assert not (fresh / "a.json").exists()
    assert [*(fresh / "results" / "unzipped").iterdir()] == []
