"""The Slurm executor of the workflow engine, with what a cluster job holds run in that job.

The library's own executor starts every step of a group by srun and another engine, one after the
other: seconds of start-up beside each step of less than one. Here a cluster job is one engine,
which does its steps on all its cores as on any machine. A job that fails is told by a line of its
own, which `progress.py` puts into a sentence. The engine finds this module by its name: `executor:
slurm-grouped` in a profile, with the options of the library's.
"""

import json
import re
from collections.abc import AsyncGenerator
from pathlib import Path
from typing import Any

from snakemake_executor_plugin_slurm import Executor as SlurmExecutor
from snakemake_executor_plugin_slurm import ExecutorSettings, common_settings

__all__ = ["Executor", "ExecutorSettings", "common_settings"]

LOST_JOB = "cluster job lost: "  # how the line begins; JSON follows
LOOK_AT_JOBS_S = 15  # at most, between two looks at the jobs; the library goes on to three minutes
SLURM_ENDS = {  # Slurm's states -> how it ended, as the line says it
    "TIMEOUT": "time",
    "DEADLINE": "time",
    "OUT_OF_MEMORY": "memory",
    "NODE_FAIL": "node",
    "BOOT_FAIL": "node",
    "CANCELLED": "cancelled",
}
# What Slurm writes into a job's log where it ends it for its memory without that state.
OVER_MEMORY = re.compile(r"exceeded memory limit|Exceeded job memory limit|oom[-_]kill", re.I)
SLURM_STATE = re.compile(r"status is: '(\w+)'")


class Executor(SlurmExecutor):  # type: ignore[misc]
    """One engine a cluster job; the rest is the library's."""

    next_seconds_between_status_checks: float

    def additional_general_args(self) -> str:
        """Name no executor for the engine on the node: it is then a local one."""
        return ""

    async def check_active_jobs(self, active_jobs: list[Any]) -> AsyncGenerator[Any, None]:
        """Look as the library does, but never less often than every LOOK_AT_JOBS_S."""
        async for job in super().check_active_jobs(active_jobs):
            yield job
        self.next_seconds_between_status_checks = min(
            self.next_seconds_between_status_checks, LOOK_AT_JOBS_S
        )

    def report_job_error(self, job_info: Any, msg: Any = None, aux_logs: Any = None) -> None:
        """Tell which steps were lost and how, then what the library tells."""
        job = job_info.job
        steps = list(job.jobs) if job.is_group() else [job]
        log = (job_info.aux or {}).get("slurm_logfile")
        lost = {
            "cluster_job": job_info.external_jobid,
            "end": end_of(msg or "", log),
            "rules": sorted({step.rule.name for step in steps}),
            "about": sorted({value for step in steps for value in step.wildcards}),
            "again": job.restart_times > job.attempt - 1,
            "minutes": job.resources.get("runtime"),
            "mb": job.resources.get("mem_mb"),
            "log": str(log) if log else None,
        }
        self.logger.error(LOST_JOB + json.dumps(lost))
        super().report_job_error(job_info, msg=msg, aux_logs=aux_logs)


def end_of(message: str, log: Path | None) -> str:
    """How a job ended: time, memory, node, cancelled, unsent (Slurm did not take it) or failed."""
    state = SLURM_STATE.search(message)
    if not state:
        return "unsent"
    if state[1] not in SLURM_ENDS and log and log.is_file():
        text = log.read_text(encoding="utf-8", errors="replace")
        return "memory" if OVER_MEMORY.search(text) else "failed"
    return SLURM_ENDS.get(state[1], "failed")
