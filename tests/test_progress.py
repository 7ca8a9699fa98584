"""What the engine's lines become for a person."""

import io
import json
import re

import pytest

import progress
from pegmark.words import terminal

PLAN = """\
Job stats:
job         count
--------  -------
decode          2
listen          2
report          2
total           6

Select jobs to execute...
"""
NAMES = {"t1": "Ada Brook", "t2": "Ben Cole", "m1": "Ada Brook", "m2": "Ben Cole"}


def step(rule, job, about, kind="take", indent=""):
    """A step as the engine tells it; of a group it stands further in."""
    lines = [f"rule {rule}:", f"    jobid: {job}", f"    wildcards: {kind}={about}"]
    return "".join(f"{indent}{line}\n" for line in lines)


def finished(rule, job):
    return f"Finished jobid: {job} (Rule: {rule})\n"


def follow(text, names=NAMES):
    follower = progress.Follower(names)
    rules = [follower.read(line) for line in text.splitlines()]
    return follower, [rule for rule in rules if rule]


@pytest.mark.parametrize("indent", ["", "    "])
def test_it_says_how_many_are_done_of_how_many_and_whose(indent):
    text = PLAN + step("decode", 7, "t2", indent=indent) + step("listen", 3, "t1", indent=indent)
    follower, rules = follow(text + finished("decode", 7) + finished("listen", 3))
    assert rules == ["decode", "listen"]
    assert follower.planned == {"decode": 2, "listen": 2, "report": 2, "total": 6}
    assert follower.done == {"decode": 1, "listen": 1}
    assert follower.latest == "Ada Brook"


def test_a_count_elsewhere_in_the_output_plans_nothing():
    follower, _ = follow(PLAN + step("decode", 7, "t2") + "listen   900\n")
    assert follower.planned["listen"] == 2


def test_the_time_left_is_that_of_the_work_left(monkeypatch):
    """Half of the work by what its steps take: as long again as it took (common practice, no
    source)."""
    now = [0.0]
    monkeypatch.setattr(progress.time, "monotonic", lambda: now[0])
    monkeypatch.setattr(progress, "USUAL_STEP_S", {"decode": 1.0, "listen": 2.0, "report": 1.0})
    follower, _ = follow(PLAN)
    follower.began = 0.0
    assert follower.left() == ""
    for line in (finished("listen", 1), finished("listen", 2)):
        follower.read(line.strip())
    assert follower.share == 0.5
    assert follower.left() == ""  # too soon to know
    now[0] = 600.0
    assert follower.left() == "about 10 min left"
    now[0] = 20.0
    assert follower.left() == "about a minute left"
    now[0] = 12_000.0
    assert follower.left() == "about 3.3 hours left"


def test_without_a_terminal_it_is_a_line_for_every_tenth(capsys):
    follower = progress.Follower({f"t{n}": f"Child {n}" for n in range(40)})
    follower.planned["listen"] = 40
    with progress.lines(follower) as show:
        for n in range(40):
            for line in (*step("listen", n, f"t{n}").splitlines(), finished("listen", n).strip()):
                rule = follower.read(line)
            show(rule)
    said = capsys.readouterr().out.splitlines()
    assert said[0] == "Grading: 4 of 40 takes (Child 3)."
    assert len(said) == 10


def test_on_a_terminal_it_is_a_bar_and_a_name_cannot_steer_it(monkeypatch, capsys):
    monkeypatch.setattr(terminal.sys, "stdout", io.TextIOWrapper(io.BytesIO(), "utf-8"))
    follower, _ = follow(
        PLAN + step("listen", 3, "t1") + finished("listen", 3), {"t1": "A\x1b[2J\rda"}
    )
    with progress.bar(follower) as show:
        show("listen")
    shown = capsys.readouterr().err
    assert "1/2 takes" in shown
    assert "A\\x1b[2J\\rda" in shown
    assert "\x1b[2J" not in shown


LOST = {
    "cluster_job": "12", "end": "time", "rules": ["listen"], "about": ["t1"], "again": True,
    "minutes": 8, "mb": 750, "log": "/x/12.log",
}  # fmt: skip


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            {},
            "with the work on Ada Brook took longer than the 8 min it was given; it is done again.",
        ),
        ({"end": "memory"}, "needed more than the 750 MB it was given; it is done again."),
        ({"end": "node"}, "was lost with its node, which died; it is done again."),
        ({"again": False}, "it was tried often enough and is left undone (log: /x/12.log)."),
        ({"about": []}, "Cluster job 12 with work on the whole took"),
        ({"about": ["t1", "m1", "t2"]}, "with the work on Ada Brook, Ben Cole took"),
        ({"about": list("abcde")}, "with the work on a, b, c and 2 more took"),
        (
            {"cluster_job": None, "end": "unsent"},
            "A cluster job with the work on Ada Brook was not",
        ),
    ],
)
def test_a_lost_cluster_job_is_one_sentence(change, words):
    line = progress.LOST_JOB_LINE + json.dumps({**LOST, **change})
    said = progress.lost_sentence(line, NAMES)
    assert words in said
    assert not re.search(r"\n", said)


@pytest.mark.parametrize(
    "line",
    ["Finished jobid: 3 (Rule: listen)", progress.LOST_JOB_LINE, progress.LOST_JOB_LINE + "{",
     progress.LOST_JOB_LINE + "[]", progress.LOST_JOB_LINE + '{"about": [1]}',
     " " + progress.LOST_JOB_LINE + json.dumps(LOST)],
)  # fmt: skip
def test_other_lines_tell_of_no_lost_job(line):
    assert progress.lost_sentence(line, NAMES) is None
