"""Figures for runs that are killed, or that find the disk full: what the run after them gives.

    python scripts/lab/benchmark_kill.py [--kills 20] [--seed 1]

The class of lab/smallclass.py is graded, and killed (SIGKILL) at a random moment: by turns all
processes at once, the engine alone, and the teacher's command alone, whose children may run on. By
turns it is a first run, or the run of a graded class after its rubric changed. Looked at are the
results that stand there then: every file must be, byte for byte, the one of before or the one of
an undisturbed run; and all results after a second run: they must be those of an undisturbed run.

As root on Linux the same is done with disks (tmpfs) that have too little room.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import contextlib
import os
import random
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator

from lab import bench, smallclass
from lab.smallclass import KILLS, grade_command, results_of, steps_done

BEHIND = ("work", "tickets", "decoded", "notes", "strings", "measured")  # no teacher looks there
STALE = "An earlier run was stopped before its end"
ROOMS_KB = (0, 32, 128, 512)  # free beside a graded class and the engine's memory of it
MORE_MB = 64  # made free afterwards

Digests = dict[str, str]


def main() -> None:
    """Kill, run again, print."""
    options = bench.options_of(__doc__, kills=20, seed=1).parse_args()
    bench.begin(options)
    with tempfile.TemporaryDirectory() as folder:
        disturbed = Bench(Path(folder))
        print(
            f"undisturbed: {disturbed.first_s:.1f} s a first run, "
            f"{disturbed.change_s:.1f} s after a change"
        )
        kill_often(disturbed, options.kills, random.Random(options.seed))
        if os.geteuid() == 0 and sys.platform == "linux":
            fill_disks(disturbed)
        else:
            print("full disks: not tried, that needs root on Linux")


class Bench:
    """The project's copy and the class: ungraded, graded, and graded after a change."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.project = smallclass.copy_project(folder / "project")
        self.ungraded = smallclass.make_class(folder / "ungraded")
        self.graded = smallclass.copy_class(self.ungraded, folder / "graded")
        self.first_s = timed(self.project, self.graded)
        self.old = results_of(self.graded)
        changed = self.copy(self.graded, "changed")
        self.change(changed)
        self.change_s = timed(self.project, changed)
        self.new = results_of(changed)

    def copy(self, source: Path, name: str) -> Path:
        """A fresh copy of a class folder."""
        shutil.rmtree(self.folder / name, ignore_errors=True)
        return smallclass.copy_class(source, self.folder / name)

    def change(self, class_dir: Path) -> None:
        """Another title of a criterion: every student is scored anew."""
        rubric = (self.project / "config" / "rubric.yaml").read_text(encoding="utf-8")
        assert "id: daily" in rubric
        rubric = rubric.replace("id: daily", "id: everyday")
        (class_dir / "rubric.yaml").write_text(rubric, encoding="utf-8")
        marks = smallclass.SMALL_MARKS.replace("daily", "everyday")
        (class_dir / "marks.csv").write_text(marks, encoding="utf-8")


def timed(project: Path, class_dir: Path) -> float:
    """Grade the class; the seconds it took."""
    start = time.monotonic()
    smallclass.grade(project, class_dir)
    return time.monotonic() - start


# -- kills ----------------------------------------------------------------------------------------


def kill_often(bench: Bench, kills: int, rng: random.Random) -> None:
    """Kill and run again, `kills` times; print a line of each and the sums."""
    print("kill  what          run     after s  steps  shown then       said  again s  same bytes")
    killed = same = torn = 0
    while killed < kills:
        kill, first = KILLS[killed % len(KILLS)], killed % 2 == 0
        moment_s = rng.uniform(0, bench.first_s if first else bench.change_s)
        class_dir = bench.copy(bench.ungraded if first else bench.graded, "killed")
        if not first:
            (class_dir / "results" / "logs" / "run.log").unlink()
            bench.change(class_dir)
        process = smallclass.start(grade_command(bench.project, class_dir))
        time.sleep(moment_s)
        if process.poll() is not None:  # it was quicker this time: no kill
            continue
        kill(process)
        process.wait()
        killed += 1
        steps = steps_done(class_dir)
        smallclass.wait_until(lambda: not smallclass.is_held(class_dir))  # noqa: B023 (used at once)
        before, after = ({}, bench.old) if first else (bench.old, bench.new)
        shown, whole = compare(class_dir, before, after)
        start = time.monotonic()
        said = smallclass.grade(bench.project, class_dir).count(STALE)
        again_s = time.monotonic() - start
        equal = results_of(class_dir) == after
        same += equal
        torn += not whole
        run, yes = "first" if first else "change", "yes" if equal else "NO"
        print(
            f"{killed:4d}  {kill.__name__:12s}  {run:6s}  {moment_s:7.2f}  {steps:5d}  {shown:15s}"
            f"  {said:4d}  {again_s:7.1f}  {yes}",
            flush=True,
        )
    print(f"same bytes after {same} of {killed} kills; {torn} times a shown file was not whole")


def compare(class_dir: Path, before: Digests, after: Digests) -> tuple[str, bool]:
    """Which results are shown, and whether each is whole: the one of before or the one of after."""
    shown = {name: digest for name, digest in results_of(class_dir).items() if not is_behind(name)}
    old = {name: digest for name, digest in before.items() if not is_behind(name)}
    new = {name: digest for name, digest in after.items() if not is_behind(name)}
    whole = all(digest in (old.get(name), new.get(name)) for name, digest in shown.items())
    if shown == old:
        return "those of before" if old else "none", whole
    return "the new ones" if shown == new else "some are new", whole


def is_behind(name: str) -> bool:
    """Whether a file below results/ is none that a teacher opens."""
    return name.split("/")[0] in BEHIND or Path(name).name.startswith((".part-", "seal.json"))


# -- full disks -------------------------------------------------------------------------------


def fill_disks(bench: Bench) -> None:
    """A change with too little room, on several disks; then with room."""
    print("disk: free kB  code  said              shown then       again, same bytes")
    for room_kb in ROOMS_KB:
        with small_disk(bench, room_kb) as class_dir:
            command = grade_command(bench.project, class_dir)
            done = subprocess.run(command, capture_output=True, text=True)
            full = "disk is full" in done.stdout and "Traceback" not in done.stdout + done.stderr
            shown, whole = compare(class_dir, bench.old, bench.new)
            mount(
                "-o",
                f"remount,size={used_kb(class_dir.parent) + (MORE_MB << 10)}k",
                class_dir.parent,
            )
            smallclass.grade(bench.project, class_dir)
            equal = results_of(class_dir) == bench.new
            print(
                f"{room_kb:13d}  {done.returncode:4d}  {'the disk is full' if full else '-':16s}  "
                f"{shown if whole else 'NOT WHOLE':15s}  {'yes' if equal else 'NO'}",
                flush=True,
            )
            if not (full or done.returncode == 0):
                print(done.stdout + done.stderr)


@contextlib.contextmanager
def small_disk(bench: Bench, room_kb: int) -> Iterator[Path]:
    """A graded class after a change, on a disk that has little more room than it takes."""
    place = bench.folder / "disk"
    place.mkdir()
    mount("-t", "tmpfs", "-o", "size=1g", "tmpfs", place)
    try:
        copy = place / "class"  # with its links: what is delivered takes no room twice
        subprocess.run(["cp", "--archive", str(bench.graded), str(copy)], check=True)
        bench.change(copy)
        mount("-o", f"remount,size={used_kb(place) + room_kb}k", place)
        yield copy
    finally:
        subprocess.run(["umount", "--lazy", str(place)], check=True)
        place.rmdir()


def mount(*arguments: object) -> None:
    """Mount a file system; raises CalledProcessError."""
    subprocess.run(["mount", *map(str, arguments)], check=True)


def used_kb(place: Path) -> int:
    """How much of a disk is taken."""
    return shutil.disk_usage(place).used // 1024


if __name__ == "__main__":
    main()
