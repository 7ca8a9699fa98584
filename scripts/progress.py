"""What the engine's lines mean to a person: how far the grading is, whose take, how long still.

On a terminal a bar, elsewhere a plain line for every tenth. What a cluster did to its jobs is told
at once, in one sentence each.
"""

from __future__ import annotations

import contextlib
import json
import re
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from pegmark.words.terminal import plain_line, tell

RULE_LINE = re.compile(r"^ *(?:local)?rule (\w+):$")
JOBID_LINE = re.compile(r"^ +jobid: (\d+)$")
WILDCARDS_LINE = re.compile(r"^ +wildcards: \w+=(\S+)$")
FINISHED_LINE = re.compile(r"^Finished jobid: (\d+) \(Rule: (\w+)\)")
PLANNED_LINE = re.compile(r"^(\w+) +(\d+)$")  # of the engine's table, before the first step
LOST_JOB_LINE = "cluster job lost: "  # how the cluster's executor begins its line (scripts/cluster)

# What is counted: the last step of each -> its word, in the order in which they come.
COUNTED = {"listen": "takes", "report": "sheets", "grade_class": "classes"}
# About what a step takes, for the time that is left: seconds, measured on 2-minute takes.
USUAL_STEP_S = {"listen": 2.5, "report": 0.5, "recheck": 4.0, "publish": 3.0, "deliver": 0.5}
GUESS_AFTER_S = 5.0  # before that no time is told: it would be a guess from start-up alone
TENTHS = 10
PROGRESS_BAR = "{desc} {bar} {n_fmt}/{total_fmt} {unit}{postfix}"
NAMES_TOLD = 3  # of those whose takes a lost job held; the rest is counted

JOB_ENDS = {
    "time": "took longer than the {minutes} min it was given",
    "memory": "needed more than the {mb} MB it was given",
    "node": "was lost with its node, which died",
    "cancelled": "was cancelled by somebody",
    "unsent": "was not accepted by the cluster",
    "failed": "failed",
}


@dataclass
class Follower:
    """What is known of a run from the engine's lines.

    Parameters
    ----------
    names : whose a take or student id is, for the terminal.
    """

    names: Mapping[str, str]
    planned: Counter[str] = field(default_factory=Counter)
    done: Counter[str] = field(default_factory=Counter)
    latest: str = ""  # whose step was done last
    began: float = field(default_factory=time.monotonic)
    _rule: str = ""
    _job: str = ""
    _about: dict[str, str] = field(default_factory=dict)

    def read(self, line: str) -> str | None:
        """Take in a line; the rule of a step that it says was done, else None."""
        if finished := FINISHED_LINE.match(line):
            self.done[finished[2]] += 1
            of = self._about.get(finished[1], "")
            self.latest = self.names.get(of, of)
            return finished[2]
        if rule := RULE_LINE.match(line):
            self._rule, self._job = rule[1], ""
        elif job := JOBID_LINE.match(line):
            self._job = job[1]
        elif about := WILDCARDS_LINE.match(line):
            self._about[self._job] = about[1]
        elif not self._rule and (row := PLANNED_LINE.match(line)):
            self.planned[row[1]] = int(row[2])
        return None

    @property
    def share(self) -> float:
        """How much of the work is done, 0 to 1, by what its steps usually take."""
        whole = sum(USUAL_STEP_S.get(rule, 1.0) * n for rule, n in self._work(self.planned))
        did = sum(USUAL_STEP_S.get(rule, 1.0) * n for rule, n in self._work(self.done))
        return min(1.0, did / whole) if whole else 0.0

    @staticmethod
    def _work(count: Counter[str]) -> list[tuple[str, int]]:
        return [(rule, n) for rule, n in count.items() if rule not in ("all", "total")]

    def left(self) -> str:
        """The time that is left, in words; "" while nobody knows."""
        took = time.monotonic() - self.began
        if took < GUESS_AFTER_S or not self.share:
            return ""
        return f"about {duration(took * (1 / self.share - 1))} left"

    def note(self) -> str:
        """Whose it was, and the time that is left."""
        return ", ".join(filter(None, (self.latest, self.left())))


def duration(seconds: float) -> str:
    """A time to wait, as one says it."""
    minutes = round(seconds / 60)
    if minutes < 1:
        return "a minute"
    return f"{minutes} min" if minutes < 90 else f"{minutes / 60:.1f} hours"


Show = Callable[[str], None]


@contextlib.contextmanager
def bar(follower: Follower) -> Iterator[Show]:
    """A bar for each thing that is counted, on a terminal."""
    from tqdm import tqdm

    with tqdm(leave=False, bar_format=PROGRESS_BAR) as shown:

        def show(rule: str) -> None:
            shown.unit = COUNTED[rule]
            shown.total = follower.planned[rule]
            shown.set_description_str("Grading", refresh=False)
            shown.set_postfix_str(plain_line(follower.note()), refresh=False)
            shown.n = follower.done[rule]
            shown.refresh()

        yield show


@contextlib.contextmanager
def lines(follower: Follower) -> Iterator[Show]:
    """A line for every tenth of each thing that is counted, where there is no terminal."""
    told: Counter[str] = Counter()

    def show(rule: str) -> None:
        done, of = follower.done[rule], max(1, follower.planned[rule])
        if TENTHS * done // of > told[rule]:
            told[rule] = TENTHS * done // of
            note = follower.note()
            tell(f"Grading: {done} of {of} {COUNTED[rule]}{note and f' ({note})'}.")

    yield show


@contextlib.contextmanager
def silence(follower: Follower) -> Iterator[Show]:
    """Nothing."""
    yield lambda rule: None


def lost_sentence(line: str, names: Mapping[str, str]) -> str | None:
    """What happened to a cluster job, for a person; None when the line tells of none."""
    if not line.startswith(LOST_JOB_LINE):
        return None
    try:
        return _lost(json.loads(line.removeprefix(LOST_JOB_LINE)), names)
    except (ValueError, TypeError, KeyError):  # not the executor's: words of a file in a log
        return None


def _lost(lost: dict[str, Any], names: Mapping[str, str]) -> str:
    who = sorted({names.get(one, one) for one in lost["about"]})
    more = len(who) - NAMES_TOLD
    of = ", ".join(who[:NAMES_TOLD]) + (f" and {more} more" if more > 0 else "")
    held = f"with the work on {of}" if of else "with work on the whole"
    number = lost["cluster_job"]
    job = f"Cluster job {number}" if number else "A cluster job"
    again = "it is done again" if lost["again"] else "it was tried often enough and is left undone"
    end = JOB_ENDS[lost["end"]].format(**lost)
    log = f" (log: {lost['log']})" if lost["log"] and not lost["again"] else ""
    return f"{job} {held} {end}; {again}{log}."
