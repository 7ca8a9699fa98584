"""A Slurm cluster of this machine alone, started by a test: a controller and nodes of one core.

It runs without systemd or cgroups and as any account; it touches nothing of a cluster that the
machine may belong to.
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import psutil

MEMORY_MB = 16_000  # of a node, as far as Slurm is told; nothing checks it
START_S = 30
CONFIG = """\
ClusterName=test
SlurmctldHost={host}(127.0.0.1)
SlurmctldPort={port}
SlurmUser={user}
SlurmdUser={user}
AuthType=auth/munge
AuthInfo=socket={folder}/munge.sock
StateSaveLocation={folder}/state
SlurmdSpoolDir={folder}/%n
SlurmctldPidFile={folder}/controller.pid
SlurmdPidFile={folder}/%n.pid
SlurmctldLogFile={folder}/controller.log
SlurmdLogFile={folder}/%n.log
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
MpiDefault=none
SwitchType=switch/none
SelectType=select/cons_tres
SelectTypeParameters=CR_Core_Memory
# A job over its memory is ended by looking at it, every second.
JobAcctGatherType=jobacct_gather/linux
JobAcctGatherFrequency=1
JobAcctGatherParams=OverMemoryKill
SchedulerParameters=batch_sched_delay=0,sched_interval=1
# A silent node is given up, and a job over its time killed, after seconds.
SlurmdTimeout=4
KillWait=1
ReturnToService=2
SlurmdParameters=config_overrides
"""
NODE = "NodeName={name} NodeHostname={host} NodeAddr=127.0.0.1 Port={port} CPUs=1 RealMemory={mb}\n"
PARTITION = "PartitionName=all Nodes=ALL Default=YES MaxTime=INFINITE State=UP\n"


class Cluster:
    """The running cluster: its environment, its jobs, and the death of a node."""

    def __init__(self, folder: Path, nodes: int):
        self.folder = folder
        self.nodes = [f"n{number}" for number in range(1, nodes + 1)]
        self.environment = {"SLURM_CONF": str(folder / "slurm.conf")}
        self.processes: dict[str, subprocess.Popen[bytes]] = {}

    def start(self) -> None:
        """Write the configuration, start everything, wait until all nodes are there."""
        folder = self.folder
        (folder / "state").mkdir(parents=True)
        key = folder / "munge.key"
        key.touch(mode=0o600)
        key.write_bytes(os.urandom(64))
        files = {one: folder / f"munge.{one}" for one in ("key", "sock", "log", "pid", "seed")}
        names = ("--key-file", "--socket", "--log-file", "--pid-file", "--seed-file")
        options = [f"{name}={file}" for name, file in zip(names, files.values(), strict=True)]
        self._begin("munge", daemon("munged"), "--foreground", "--force", *options)
        wait_for(files["sock"].exists)
        (folder / "slurm.conf").write_text(self._configuration(), encoding="utf-8")
        self._begin("controller", daemon("slurmctld"), "-D")
        for name in self.nodes:
            (folder / name).mkdir()
            self._begin(name, daemon("slurmd"), "-D", "-N", name)
        wait_for(lambda: self.ask("sinfo", "-h", "-t", "idle", "-o", "%D") == str(len(self.nodes)))

    def _configuration(self) -> str:
        host = socket.gethostname().split(".")[0]
        user = psutil.Process().username()
        config = CONFIG.format(host=host, port=free_port(), user=user, folder=self.folder)
        for name in self.nodes:
            config += NODE.format(name=name, host=host, port=free_port(), mb=MEMORY_MB)
        return config + PARTITION

    def _begin(self, name: str, *command: str) -> None:
        with open(self.folder / f"{name}.out", "wb") as out:
            self.processes[name] = subprocess.Popen(
                command, stdout=out, stderr=out, env={**os.environ, **self.environment}
            )

    def ask(self, *command: str) -> str:
        """What a command of Slurm answers; "" when it fails."""
        environment = {**os.environ, **self.environment}
        done = subprocess.run(command, capture_output=True, text=True, env=environment)
        return done.stdout.strip() if done.returncode == 0 else ""

    def job_of(self, pid: int) -> tuple[str, str]:
        """The job that a process belongs to, and its node."""
        job = psutil.Process(pid).environ()["SLURM_JOB_ID"]
        return job, self.ask("squeue", "-h", "-j", job, "-o", "%N")

    def end_time_soon(self, job: str) -> None:
        """Let a job's time be over: Slurm counts in minutes, and a test has none to wait."""
        assert not self.ask("scontrol", "update", f"jobid={job}", "EndTime=now+1seconds")

    def kill_node(self, name: str) -> None:
        """Everything of a node at once, as when its power fails."""
        doomed = [psutil.Process(self.processes[name].pid)]
        for process in psutil.process_iter(["cmdline"]):
            words = " ".join(process.info["cmdline"] or [])
            if words.startswith("slurmstepd") and runs_on(process, name):
                doomed += [process, *process.children(recursive=True)]
        for process in doomed:
            with suppress(psutil.NoSuchProcess):
                process.kill()

    def stop(self) -> None:
        """End the nodes with what runs on them, then the rest."""
        for name in self.nodes:
            if name in self.processes:
                self.kill_node(name)
        for process in reversed(self.processes.values()):
            process.terminate()
            process.wait(START_S)


def runs_on(step: psutil.Process, node: str) -> bool:
    """Whether a step's keeper is this node's: its children know."""
    with suppress(psutil.Error):
        return any(one.environ().get("SLURMD_NODENAME") == node for one in step.children())
    return False


def daemon(name: str) -> str:
    """Where a daemon stands: mostly outside a usual account's path."""
    found = shutil.which(name, path=f"{os.environ['PATH']}:/usr/sbin:/sbin")
    assert found, f"{name} is not installed"
    return found


def is_installed() -> bool:
    """Whether Debian's packages are there."""
    path = f"{os.environ['PATH']}:/usr/sbin:/sbin"
    return all(shutil.which(one, path=path) for one in ("munged", "slurmctld", "slurmd", "sbatch"))


def free_port() -> int:
    """A port that nothing listens on."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


def wait_for(true, seconds: float = START_S) -> None:
    """Wait for something to become true."""
    deadline = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < deadline, "it never came"
        time.sleep(0.05)


@contextmanager
def running(folder: Path, nodes: int) -> Iterator[Cluster]:
    """A cluster for as long as the block lasts."""
    cluster = Cluster(folder, nodes)
    try:
        cluster.start()
        yield cluster
    finally:
        cluster.stop()
