"""The workflow on a real Slurm cluster: the same bytes, and what a cluster does to its jobs."""

import importlib
import os
import re
import subprocess

import pytest

import environment
import slurmcluster
from lab import smallclass

pytestmark = pytest.mark.skipif(
    not slurmcluster.is_installed(), reason="wants Debian's slurm-wlm and munge"
)
NODES = 3
WAIT_S = 600
# At the first try each take meets another misfortune; the marks it leaves are what the test sees.
MISFORTUNES = {"slow": "violin", "large": "cello", "alone": "viola"}
MISFORTUNE = """
    import os, time
    from pathlib import Path

    kind = {kinds!r}[ticket["instrument"]["key"]]
    mark = Path("..", kind)
    if not mark.exists():
        mark.write_text(str(os.getpid()))
        kept = bytearray(1 << 30) if kind == "large" else b""
        for place in range(0, len(kept), 4096):
            kept[place] = 1
        time.sleep(600)
"""


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    with slurmcluster.running(tmp_path_factory.mktemp("slurm") / "cluster", NODES) as started:
        yield started


@pytest.fixture(scope="module")
def project(tmp_path_factory):
    """The project; a cluster job is one take, is looked at every second, and has one core."""
    project = smallclass.copy_project(tmp_path_factory.mktemp("slurm") / "project")
    profile = project / "workflow/profiles/slurm/config.yaml"
    text = profile.read_text(encoding="utf-8")
    for setting, value in {"cores": 1, "takes": 1, "mem_mb": "600 * attempt"}.items():
        text, found = re.subn(rf"(?m)^(\s*{setting}:) [^#\n]*", rf"\1 {value}  ", text)
        assert found == 1, setting
    text, found = re.subn(r"(seconds-before-status-checks:) \d+", r"\1 1", text)
    assert found == 1
    profile.write_text(text, encoding="utf-8")
    measure = project / "scripts" / "measure.py"
    kinds = {instrument: kind for kind, instrument in MISFORTUNES.items()}
    text = measure.read_text(encoding="utf-8")
    told = "    from pegmark.measure import measure_take\n"
    assert told in text
    measure.write_text(text.replace(told, told + MISFORTUNE.format(kinds=kinds)), encoding="utf-8")
    return project


@pytest.fixture(scope="module")
def alone(project, tmp_path_factory):
    """The class, graded on this machine alone and met by nothing."""
    folder = tmp_path_factory.mktemp("slurm")
    for kind in MISFORTUNES:
        (folder / kind).touch()
    class_dir = smallclass.make_class(folder / "class")
    smallclass.grade(project, class_dir)
    return class_dir


@pytest.mark.parametrize(
    ("state", "log", "end"),
    [
        ("TIMEOUT", "", "time"),
        ("DEADLINE", "", "time"),
        ("OUT_OF_MEMORY", "", "memory"),  # where cgroups hold a job to its memory
        ("FAILED", "slurmstepd: error: Detected 1 oom_kill event in StepId=7.batch", "memory"),
        ("FAILED", "slurmstepd-n1: error: Exceeded job memory limit", "memory"),
        ("FAILED", "ValueError: memory", "failed"),
        ("NODE_FAIL", "", "node"),
        ("CANCELLED", "", "cancelled"),
        (None, "", "unsent"),
    ],
)
def test_how_slurm_says_it_ended(monkeypatch, tmp_path, state, log, end):
    """The states of squeue's manual page; the words in logs are Slurm 22.05's, the first from
    memory."""
    lock = environment.PROFILES / "slurm" / "requirements.txt"
    for path in (environment.added(lock), environment.ROOT / "scripts" / "cluster"):
        monkeypatch.syspath_prepend(str(path))
    executor = importlib.import_module("snakemake_executor_plugin_slurm_grouped")
    (tmp_path / "7.log").write_text(log, encoding="utf-8")
    message = f"SLURM-job '7' failed, SLURM status is: '{state}'. " if state else "sbatch failed."
    assert executor.end_of(message, tmp_path / "7.log") == end


def process_of(folder, kind):
    """The step that has met a misfortune."""
    mark = folder / kind
    slurmcluster.wait_for(lambda: mark.exists() and mark.read_text(), WAIT_S)
    return int(mark.read_text())


def cluster_run(command, cluster):
    """A command of the teacher's, on the login node of the cluster."""
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, env={**os.environ, **cluster.environment}
    )


def test_what_a_cluster_does_to_jobs_is_told_and_they_are_done_again(
    project, cluster, alone, tmp_path
):
    """One take's job is over its time, one's over its memory, one's node dies: all at once. Each is
    one sentence and done again, and the results are those of the run on one machine."""
    class_dir = smallclass.make_class(tmp_path / "class")
    command = smallclass.grade_command(project, class_dir, "--profile", "slurm")
    with cluster_run(command, cluster) as grading:
        cluster.end_time_soon(cluster.job_of(process_of(tmp_path, "slow"))[0])
        process_of(tmp_path, "large")
        cluster.kill_node(cluster.job_of(process_of(tmp_path, "alone"))[1])
        said, _ = grading.communicate(timeout=WAIT_S)
    assert grading.returncode == 0, said
    told = [line for line in said.splitlines() if line.startswith("Cluster job ")]
    assert sorted(re.sub(r"job \d+", "job N", line) for line in told) == [
        "Cluster job N with the work on Ada Brook took longer than the 5 min it was given;"
        " it is done again.",
        "Cluster job N with the work on Ben Cole needed more than the 600 MB it was given;"
        " it is done again.",
        "Cluster job N with the work on Cai Dunn was lost with its node, which died;"
        " it is done again.",
    ]
    assert smallclass.results_of(class_dir) == smallclass.results_of(alone)


def test_a_class_of_many_is_one_job_and_the_same(project, cluster, alone, tmp_path):
    for kind in MISFORTUNES:
        (tmp_path / kind).touch()
    class_dir = smallclass.make_class(tmp_path / "class")
    (tmp_path / "all.txt").write_text("class\n", encoding="utf-8")
    command = [*smallclass.grade_command(project, "--classes"), str(tmp_path / "all.txt")]
    with cluster_run([*command, "--profile", "slurm"], cluster) as grading:
        said, _ = grading.communicate(timeout=WAIT_S)
    assert grading.returncode == 0, said
    assert "1 class, 0 of them with a failure; 3 takes of 3 students" in said
    log = (tmp_path / "all-results" / "logs" / "run.log").read_text(encoding="utf-8")
    # A busy machine's node may be given up for a moment: then it is told, and done again.
    sent = len(re.findall(r"has been submitted with SLURM jobid \d+", log))
    assert sent == 1 + said.count("it is done again"), said
    assert smallclass.results_of(class_dir) == smallclass.results_of(alone)
