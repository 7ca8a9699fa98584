# Many class folders in one workflow: a job a class, graded as grade.py grades it alone.
#
# input:  plan.json (scripts/district.py): the folders of the classes, and how they are graded
# output: classes/<number>.json: how the run of that class ended, and its counts
#
# Everything of a class stays in its own folder, with the engine's memory of it; so a class may be
# graded alone or with others, here or on a node, and is the same. On a cluster a class is one job.

import json
import shlex
import sys
from pathlib import Path

SCRIPT = Path(workflow.basedir).parent / "scripts" / "class_job.py"
JOB = f"{shlex.quote(sys.executable)} {shlex.quote(str(SCRIPT))}"
PLAN = json.loads(Path("plan.json").read_text(encoding="utf-8"))
# A cluster gives each class its own cores; one machine shares its own among the classes at work.
SHARED = (
    min(workflow.cores, len(PLAN["classes"])) if PLAN["profile"] == "default" else 1
)


rule all:
    input:
        expand("classes/{number}.json", number=range(1, len(PLAN["classes"]) + 1)),


rule grade_class:
    output:
        state="classes/{number}.json",
    log:
        "logs/{number}.log",
    wildcard_constraints:
        number=r"\d+",
    threads: max(1, workflow.cores // SHARED)
    resources:
        runtime=lambda wildcards, attempt: 240 * attempt,
        mem_mb=lambda wildcards, threads, attempt: (500 + 250 * threads) * attempt,
    shell:
        JOB + " --plan plan.json --number {wildcards.number} --cores {threads}"
        " --out {output.state:q} > {log:q} 2>&1"
