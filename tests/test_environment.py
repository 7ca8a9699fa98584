"""The set-up: when .venv is made, from what, with whose help, and what is said when it cannot be.

Nothing is installed here; `run` and the questions to the system are replaced, and .venv stands in a
temporary folder. That the packages themselves install is proved by every fresh start of check.py.
"""

import ast
import errno
import fcntl
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

import check
import environment

ROOT = Path(__file__).resolve().parents[1]
LOCK_TEXT = """\
# made by hand
pip==26.3 \\
    --hash=sha256:aa \\
    --hash=sha256:ab
    # via -r requirements.in
setuptools==84.2.1 \\
    --hash=sha256:bb
snakemake==9.27.1 ; python_full_version < '3.13' \\
    --hash=sha256:cc
"""


@pytest.fixture
def project(tmp_path, monkeypatch):
    """A project with two locks and no environment; the commands of the set-up are only noted."""
    for name in ("workflow", "tests", "scripts"):
        (tmp_path / name).mkdir()
    venv = tmp_path / ".venv"
    places = {
        "ROOT": tmp_path,
        "VENV": venv,
        "PYTHON": venv / "bin" / "python",
        "STAMP": venv / ".made-from",
        "IN_USE": tmp_path / ".venv.lock",
        "LOCK": tmp_path / "workflow" / "requirements.txt",
        "TEST_LOCK": tmp_path / "tests" / "requirements.txt",
        "_in_use": None,
    }
    for name, value in places.items():
        monkeypatch.setattr(environment, name, value)
    environment.LOCK.write_text(LOCK_TEXT)
    environment.TEST_LOCK.write_text(LOCK_TEXT + "pytest==9.2.0 \\\n    --hash=sha256:dd\n")
    commands = []

    def note(command, failed, *, show=False):
        commands.append(" ".join(str(word) for word in command))
        if command[1:3] == ["-m", "venv"]:
            put_python()

    monkeypatch.setattr(environment, "run", note)
    monkeypatch.setattr(environment, "install_system_packages", lambda: commands.append("system"))
    yield commands
    if environment._in_use:
        environment._in_use.close()


def put_python(python=sys.executable):
    """What `python -m venv --clear` leaves, as far as the set-up looks at it."""
    environment.STAMP.unlink(missing_ok=True)
    environment.PYTHON.parent.mkdir(parents=True, exist_ok=True)
    environment.PYTHON.unlink(missing_ok=True)
    environment.PYTHON.symlink_to(python)


def finish(lock):
    """An environment made from `lock`."""
    put_python()
    environment.STAMP.write_text(environment.stamp_of(lock))


# -- when it is made ---------------------------------------------------------------------------


def test_makes_the_environment_once(project):
    assert environment.hold_environment([environment.LOCK]) is True
    assert project[0] == "system"
    assert " -m venv --clear " in project[1]
    assert environment.is_made_from(environment.LOCK)
    del project[:]
    assert environment.hold_environment([environment.LOCK]) is False
    assert project == []


def test_grading_takes_the_tests_environment_but_not_the_other_way(project):
    finish(environment.TEST_LOCK)
    assert not environment.hold_environment([environment.TEST_LOCK, environment.LOCK])
    finish(environment.LOCK)
    assert not environment.hold_environment([environment.TEST_LOCK, environment.LOCK])
    assert environment.hold_environment([environment.TEST_LOCK])
    assert environment.is_made_from(environment.TEST_LOCK)


def test_a_changed_lock_is_installed_onto_a_finished_environment(project):
    finish(environment.LOCK)
    environment.LOCK.write_text(LOCK_TEXT.replace("9.27.1", "9.28.0"))
    assert environment.hold_environment([environment.LOCK])
    assert not any("venv --clear" in command for command in project)
    assert environment.is_made_from(environment.LOCK)


def test_an_interrupted_installation_begins_anew(project, monkeypatch):
    def stop(lock):
        raise KeyboardInterrupt

    finish(environment.TEST_LOCK)
    whole = environment.install
    monkeypatch.setattr(environment, "install", stop)
    monkeypatch.setattr(os, "execv", lambda *args: pytest.fail("went on without an environment"))
    environment.LOCK.write_text(LOCK_TEXT + "# newer\n")
    environment.TEST_LOCK.write_text(LOCK_TEXT + "# newer too\n")
    with pytest.raises(SystemExit, match="Start again"):
        environment.enter()
    assert not environment.is_made_from(environment.LOCK)
    del project[:]
    monkeypatch.setattr(environment, "install", whole)
    assert environment.hold_environment([environment.LOCK])
    assert any("venv --clear" in command for command in project)


def test_a_failed_installation_leaves_no_stamp(project, monkeypatch):
    def fail(lock):
        raise SystemExit("no network")

    monkeypatch.setattr(environment, "install", fail)
    with pytest.raises(SystemExit, match="no network"):
        environment.hold_environment([environment.LOCK])
    assert not environment.is_made_from(environment.LOCK)


@pytest.mark.parametrize("change", ["gone", "another"])
def test_another_python_under_it_means_anew(project, tmp_path, change):
    finish(environment.LOCK)
    if change == "gone":
        environment.PYTHON.unlink()
        environment.PYTHON.symlink_to(tmp_path / "python3.10")
    else:
        another = tmp_path / "python3.13"
        another.write_text("")
        stamp = environment.STAMP.read_text()
        put_python(another)
        environment.STAMP.write_text(stamp)
    assert not environment.is_made_from(environment.LOCK)
    environment.hold_environment([environment.LOCK])
    assert any("venv --clear" in command for command in project)


# -- two starts at once ------------------------------------------------------------------------


def test_no_one_makes_it_while_another_uses_it(project, capsys, monkeypatch):
    """The second start waits, and then finds it made: here the wait ends by the other's making."""
    take = fcntl.flock
    with open(environment.IN_USE, "a") as other:
        take(other, fcntl.LOCK_EX)

        def wait(stream, kind):
            if kind == fcntl.LOCK_SH:  # asked to wait, not only to try
                finish(environment.LOCK)
                other.close()
            take(stream, kind)

        monkeypatch.setattr(fcntl, "flock", wait)
        assert environment.hold_environment([environment.LOCK]) is False
    assert "waiting" in capsys.readouterr().out
    assert project == []


def test_in_use_it_cannot_be_locked_alone(project):
    finish(environment.LOCK)
    environment.hold_environment([environment.LOCK])
    with open(environment.IN_USE, "a") as other, pytest.raises(BlockingIOError):
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)


def test_a_step_that_outlives_its_start_keeps_the_lock(tmp_path, monkeypatch):
    with open(tmp_path / "lock", "a") as stream:
        monkeypatch.setattr(environment, "_in_use", stream)
        probe = f"import os; os.fstat({stream.fileno()})"
        environment.run([sys.executable, "-c", probe], "the lock was closed")


@pytest.mark.parametrize("why", [errno.EACCES, errno.EROFS])
def test_a_folder_of_somebody_else_is_used_but_not_made(project, monkeypatch, why):
    def refuse(*args, **kwargs):
        raise OSError(why, os.strerror(why))

    monkeypatch.setattr("builtins.open", refuse)
    with pytest.raises(SystemExit, match=r"Cannot write in .*; copy it to a folder of your own"):
        environment.hold_environment([environment.LOCK])
    monkeypatch.undo()
    assert project == []


def test_what_nothing_uses_is_taken_away(tmp_path):
    packages = tmp_path / "lib" / "python3.12" / "site-packages"
    kept = [
        packages / "numpy" / "core.py",
        packages / "numpy" / "testing" / "a.py",
        packages / "pytest_xdist" / "tests" / "a.py",
        packages / environment.SOLVERS / {"darwin": "osx"}.get(sys.platform, "linux") / "cbc",
    ]
    gone = [packages / "numpy" / "tests" / "a.py", packages / "scipy" / "fft" / "tests" / "a.py",
            packages / environment.SOLVERS / "win" / "cbc.exe"]  # fmt: skip
    for path in (*kept, *gone):
        path.parent.mkdir(parents=True)
        path.write_text("x")
    environment.slim(tmp_path)
    assert [path.exists() for path in (*kept, *gone)] == [True] * len(kept) + [False] * len(gone)


# What is imported under another name than it is installed by.
IMPORTED_AS = {"pyyaml": "yaml", "scikit-learn": "sklearn", "pillow": "PIL",
               "page-validation": "page",
               "praat-parselmouth": "parselmouth", "pyworld-prebuilt": "pyworld"}  # fmt: skip
# Programs that are started, plug-ins, stubs, and what the set-up itself needs.
STARTED = {*environment.TOOLS, "snakemake", "snakefmt", "snakemake-executor-plugin-slurm-jobstep",
           "mypy", "ruff", "uv", "pytest-xdist",
           "types-jsonschema", "types-pyyaml"}  # fmt: skip


def declared(path: Path) -> set[str]:
    lines = path.read_text(encoding="utf-8").splitlines()
    return {line.split()[0] for line in lines if line and line[0] not in "#-"}


def imported(*folders: str) -> set[str]:
    """Top names that the modules of the project import or look for, the library's own left out."""
    found = set()
    for path in (one for folder in folders for one in (ROOT / folder).rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        found |= set(re.findall(r'find_spec\("(\w+)"\)', text))
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.Import):
                found |= {one.name.split(".")[0] for one in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                found.add(node.module.split(".")[0])
    ours = {path.stem for path in (ROOT / "tests").glob("*.py")}
    ours |= {path.stem for path in (ROOT / "scripts").glob("*")}
    return found - ours - set(sys.stdlib_module_names)


def test_every_package_imported_is_declared_and_none_that_is_not_used():
    asked = (ROOT / "workflow").rglob("requirements.in")  # a way to run may ask for its own
    grading = set().union(*map(declared, asked))
    testing = declared(ROOT / "tests" / "requirements.in")
    everything = imported("scripts", "tests") | STARTED
    names = {one: IMPORTED_AS.get(one, one.replace("-", "_")) for one in grading | testing}
    assert {
        one for one, name in names.items() if name not in everything and one not in STARTED
    } == set()
    stood_in_for = {"pkg_resources"}  # by the laboratory, where a library asks for it
    assert everything - STARTED - stood_in_for - set(names.values()) == set()
    product = imported("scripts") - imported("scripts/lab")
    assert product - {names[one] for one in grading} - STARTED == set()


def test_what_one_way_to_run_needs_is_added_whole_and_once(project, monkeypatch):
    """Another lock has another folder; what fails half-way leaves none."""
    lock = environment.ROOT / "workflow" / "profiles" / "far" / "requirements.txt"
    lock.parent.mkdir(parents=True)
    commands = []

    def install(command, failed, *, show=False):
        commands.append(command)
        target = Path(command[command.index("--target") + 1])
        target.mkdir()
        (target / "package.py").touch()
        if "broken" in lock.read_text():
            raise SystemExit(failed)

    monkeypatch.setattr(environment, "run", install)
    environment.VENV.mkdir(exist_ok=True)
    folders = []
    for text in ("a==1", "a==1", "a==2"):
        lock.write_text(text)
        folders.append(environment.added(lock))
        assert [path.name for path in folders[-1].iterdir()] == ["package.py"]
    assert folders[0] == folders[1] != folders[2]
    assert len(commands) == 2
    assert all({"--require-hashes", "--no-deps"} <= set(command) for command in commands)
    lock.write_text("broken")
    with pytest.raises(SystemExit, match="installation failed"):
        environment.added(lock)
    assert len(list((environment.VENV / "added").iterdir())) == 2


# -- going on inside ---------------------------------------------------------------------------


def test_starts_the_script_again_inside(project, monkeypatch):
    started = []
    monkeypatch.setattr(os, "execv", lambda path, words: started.append((path, words)))
    monkeypatch.setattr(sys, "argv", ["scripts/grade.py", "my class"])
    finish(environment.LOCK)
    environment.enter()
    python = environment.PYTHON
    assert started == [(python, [str(python), "scripts/grade.py", "my class"])]
    monkeypatch.setattr(sys, "prefix", str(environment.VENV))
    environment.enter()
    assert len(started) == 1, "already inside"


def test_windows_is_told_of_wsl(project, monkeypatch):
    monkeypatch.setattr(os, "name", "nt")
    with pytest.raises(SystemExit, match="wsl --install"):
        environment.enter()


def test_another_python_of_the_system_is_found(monkeypatch):
    monkeypatch.setattr(sys, "version_info", (3, 9, 6))
    monkeypatch.setattr(environment.shutil, "which", lambda name: f"/usr/bin/{name}")
    works = {"python3.12": 0, "python3.13": 127}  # 127: a name on the path that starts nothing
    monkeypatch.setattr(
        environment,
        "run_quietly",
        lambda name, *args: subprocess.CompletedProcess(name, works[name], "", ""),
    )
    environment.base_python.cache_clear()
    try:
        assert environment.base_python() == "python3.12"
    finally:
        environment.base_python.cache_clear()


@pytest.mark.parametrize("version", [(3, 10, 12), (3, 14, 0)])
def test_a_python_too_old_or_too_new_is_named(monkeypatch, version):
    monkeypatch.setattr(sys, "version_info", version)
    monkeypatch.setattr(environment.shutil, "which", lambda name: None)
    environment.base_python.cache_clear()
    with pytest.raises(SystemExit, match=r"3\.11 to 3\.13 is needed.*Install python3\.13"):
        environment.base_python()


# -- the installation --------------------------------------------------------------------------


def test_installs_by_hash_only_and_the_tools_first(project, monkeypatch):
    put_python()
    seen = []

    def look(command, failed, *, show=False):
        if "--requirement" in command:
            seen.append((command, Path(command[-1]).read_text()))

    monkeypatch.setattr(environment, "run", look)
    environment.install(environment.LOCK)
    (tools, tools_text), (everything, text) = seen
    assert list(environment.entries(tools_text)) == ["pip", "setuptools"]
    assert tools_text.count("--hash=") == 3
    assert text == LOCK_TEXT
    for command in (tools, everything):
        assert {"--require-hashes", "--no-deps"} <= set(command)
        assert command[command.index("--only-binary") + 1] == ":all:"
    assert everything[everything.index("--no-binary") + 1] == environment.ONLY_SOURCE
    assert "--no-build-isolation" in everything, "or it is built with tools of no lock"


def test_without_ensurepip_the_systems_pip_fills_it(project, monkeypatch):
    has = {("ensurepip", None): False, ("pip", environment.PYTHON): False}
    monkeypatch.setattr(environment, "has_module", lambda name, python=None: has[name, python])
    environment.make_venv()
    environment.install(environment.LOCK)
    assert project[0].endswith("--without-pip")
    assert f" -m pip --python {environment.PYTHON} install " in project[1]
    assert project[2].startswith(f"{environment.PYTHON} -m pip install ")


def test_a_failed_step_says_what_it_said():
    loud = "import sys; print('out'); print('err', file=sys.stderr); sys.exit(3)"
    with pytest.raises(SystemExit, match=r"(?s)^It failed\.\nout\n+err"):
        environment.run([sys.executable, "-c", loud], "It failed")


# -- the locks themselves ----------------------------------------------------------------------


def read_lock(folder):
    return (environment.ROOT / folder / "requirements.txt").read_text()


def pinned(lock_text):
    """The versions of a lock with their hashes; for whom they are (after the ;) left aside."""
    found = re.findall(
        r"^(\S+==[^\s;]+)[^\n]*((?:\n    --hash=sha256:.*)+)", lock_text, re.MULTILINE
    )
    return {version: re.findall(r"sha256:(\w{64})", hashes) for version, hashes in found}


@pytest.mark.parametrize("folder", ["workflow", "tests"])
def test_every_requirement_is_pinned_and_hashed(folder):
    lines = [line for line in read_lock(folder).splitlines() if re.match(r"[a-z0-9]", line)]
    assert len(lines) > 90
    assert len(pinned(read_lock(folder))) == len(lines)
    assert all(pinned(read_lock(folder)).values())


@pytest.mark.parametrize("folder", ["workflow", "tests"])
def test_the_tools_are_pinned_for_all_alike(folder):
    """Otherwise the set-up, which reads them by name, would have to choose."""
    versions = [version.split("==")[0] for version in pinned(read_lock(folder))]
    for name in (*environment.TOOLS, environment.ONLY_SOURCE):
        assert versions.count(name) == 1


def test_the_tests_lock_holds_all_of_gradings():
    ours, tests = pinned(read_lock("workflow")), pinned(read_lock("tests"))
    assert {version: tests.get(version) for version in ours} == ours


@pytest.mark.parametrize("folder", ["workflow", "tests"])
def test_what_is_asked_for_is_in_the_lock(folder):
    asked = (environment.ROOT / folder / "requirements.in").read_text()
    names = re.findall(r"^([a-z][\w-]*)", asked, flags=re.MULTILINE)
    assert names
    assert set(names) <= set(environment.entries(read_lock(folder)))


# -- what the system must give -----------------------------------------------------------------


@pytest.fixture
def system(monkeypatch):
    """A Debian of which a test says what is there; what apt was asked for."""
    state = {"root": True, "venv": True, "pango": True, "missing": [], "apt": []}
    monkeypatch.setattr(environment, "can_use_apt", lambda: state["root"])
    monkeypatch.setattr(environment, "can_make_venv", lambda: state["venv"])
    monkeypatch.setattr(environment, "has_pango", lambda: state["pango"])
    monkeypatch.setattr(environment, "not_installed", lambda names: state["missing"])
    monkeypatch.setattr(environment, "system_name", lambda: "Debian, Ubuntu")

    def apt(*names):
        state["apt"] += names
        state.update(venv=True, pango=True)

    monkeypatch.setattr(environment, "apt", apt)
    return state


def test_apt_is_asked_once_for_all_that_is_missing(system):
    system.update(venv=False, pango=False, missing=["libpango-1.0-0", "fonts-noto-core"])
    environment.install_system_packages()
    assert system["apt"] == ["python3-venv", "libpango-1.0-0", "fonts-noto-core"]


def test_nothing_missing_nothing_asked(system):
    environment.install_system_packages()
    assert system["apt"] == []


@pytest.mark.parametrize(
    ("venv", "pango", "said"),
    [
        (False, True, "Python's venv module must be"),
        (True, False, "Pango, which draws the sheets, must be"),
        (False, False, "Python's venv module and Pango"),
    ],
)
def test_without_root_one_command_is_told(system, venv, pango, said):
    system.update(root=False, venv=venv, pango=pango)
    with pytest.raises(SystemExit) as stop:
        environment.install_system_packages()
    first, command = str(stop.value).splitlines()
    assert first.startswith(said)
    assert "sudo apt-get install python3-venv libpango-1.0-0" in command
    assert system["apt"] == []


def test_a_venv_module_that_apt_did_not_bring_is_told(system, monkeypatch):
    system.update(venv=False)
    monkeypatch.setattr(environment, "apt", lambda *names: None)
    with pytest.raises(SystemExit, match="venv module"):
        environment.install_system_packages()


@pytest.mark.parametrize(
    ("release", "expected"),
    [
        ({"ID": "debian"}, "Debian, Ubuntu"),
        ({"ID": "ubuntu", "ID_LIKE": "debian"}, "Debian, Ubuntu"),
        ({"ID": "linuxmint", "ID_LIKE": "ubuntu debian"}, "Debian, Ubuntu"),
        ({"ID": "fedora"}, "Fedora"),
        ({"ID": "rocky", "ID_LIKE": "rhel centos fedora"}, "Fedora"),
        ({"ID": "arch"}, None),
    ],
)
def test_knows_the_system_by_its_release_file(monkeypatch, release, expected):
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr("platform.freedesktop_os_release", lambda: release)
    assert environment.system_name() == expected


def test_on_an_unknown_system_every_command_is_told(monkeypatch):
    monkeypatch.setattr(environment, "system_name", lambda: None)
    text = environment.command_here()
    assert [line.split(":")[0].strip() for line in text.splitlines()] == [
        "Debian, Ubuntu",
        "Fedora",
        "macOS",
        "Windows",
    ]


def test_apt_only_as_root(monkeypatch):
    monkeypatch.setattr(environment.shutil, "which", lambda name: "/usr/bin/apt-get")
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    assert not environment.can_use_apt()
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    assert environment.can_use_apt()


def test_apt_brings_just_what_is_named(monkeypatch):
    commands = []
    monkeypatch.setattr(environment, "run", lambda command, failed: commands.append(command))
    environment.apt()
    assert commands == []
    environment.apt("poppler-utils")
    assert [command[-1] for command in commands] == ["update", "poppler-utils"]
    assert "--no-install-recommends" in commands[1]


def test_pango_is_found_by_loading_it(monkeypatch):
    """By loading: finding by name asks ldconfig or a compiler, which a small system may lack."""
    import ctypes

    monkeypatch.setattr("ctypes.util.find_library", lambda name: None)
    asked = []

    def load(name):
        asked.append(name)
        if name != "libpangoft2-1.0.dylib":
            raise OSError(name)

    monkeypatch.setattr(ctypes, "CDLL", load)
    assert environment.has_pango()
    assert asked == ["libpangoft2-1.0.so.0", "libpangoft2-1.0.dylib"]
    monkeypatch.setattr(ctypes, "CDLL", lambda name: load(""))
    assert not environment.has_pango()


# -- check.py ----------------------------------------------------------------------------------

LINTS = """\
Lints for snakefile /p/workflow/rules/common.smk:
    * Absolute path "/x" in line 93:
      Do not define absolute paths inside of the workflow.

Lints for rule decode (line 10, /p/workflow/rules/takes.smk):
    * Specify a conda environment or container for each rule.:
      This way, the used software is documented.
    * No log directive defined:
      Without a log directive, all output will be printed.
"""


def test_lints_are_read_with_their_place():
    assert check.lints(LINTS) == [
        'snakefile /p/workflow/rules/common.smk: Absolute path "/x" in line 93',
        "rule decode (line 10, /p/workflow/rules/takes.smk):"
        " Specify a conda environment or container for each rule.",
        "rule decode (line 10, /p/workflow/rules/takes.smk): No log directive defined",
    ]


@pytest.mark.parametrize(
    ("code", "text", "passed", "shown"),
    [
        (0, "", True, "0 waived"),
        (1, LINTS, False, "No log directive"),
        (1, "\n".join(LINTS.splitlines()[4:7]), True, "1 waived"),
        (1, "SyntaxError in line 3", False, "SyntaxError"),
    ],
)
def test_only_waived_lints_pass(monkeypatch, capsys, code, text, passed, shown):
    done = subprocess.CompletedProcess([], code, "", text)
    monkeypatch.setattr(check.subprocess, "run", lambda *args, **kwargs: done)
    assert check.lint_workflow() is passed
    assert shown in capsys.readouterr().out


@pytest.mark.parametrize("script", ["check.py", "grade.py"])
def test_help_before_there_is_an_environment(tmp_path, script):
    """A copy without .venv, by a Python without site-packages, from another directory."""
    scripts = tmp_path / "project" / "scripts"
    scripts.mkdir(parents=True)
    for name in (script, "environment.py"):
        (scripts / name).write_text((environment.ROOT / "scripts" / name).read_text())
    command = [sys.executable, "-S", str(scripts / script), "--help"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(f"usage: {script}")
    assert not (tmp_path / "project" / ".venv").exists()


@pytest.mark.parametrize("outcome", [True, False])
def test_one_failed_check_fails_the_whole(monkeypatch, capsys, outcome):
    monkeypatch.setattr(sys, "argv", ["check.py", "--fast"])
    monkeypatch.setattr(environment, "enter", lambda *, for_tests: None)
    monkeypatch.setattr(check, "install_for_tests", lambda: None)
    monkeypatch.setattr(check, "lint_workflow", lambda: True)
    monkeypatch.setattr(check, "tool", lambda name, *args: outcome or name != "mypy")
    assert check.main() == (0 if outcome else 1)
    summary = capsys.readouterr().out.split("Summary")[1]
    assert ("FAILED  mypy" in summary) is not outcome
    assert "passed  snakefmt" in summary
    assert "pytest" not in summary
