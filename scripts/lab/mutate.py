"""Do the tests hold what they say? Single faults in the modules that decide grades.

    python3 scripts/lab/mutate.py [--faults 80] [--seed 14] [--minutes 15] [--jobs 2] [--room score]

Faults are made in the syntax tree, one at a time: a comparison turned or moved by its boundary, a
constant or a sign changed, `and` for `or`, `min` for `max`, a `not` or a branch dropped. Which ones
is drawn by the seed. Each is made in a copy of the project. First is asked whether any result
changes at all: simulated takes of all instruments, named, read, and graded by all methods, and
short sounds measured. A fault that changes no byte of these is told apart: it may be equivalent (a
comparison of floats that never meet its boundary), or these takes never come to it. One that does
goes through the tests that reach the module without a detour, then through all others that need
neither a browser nor the workflow.

Printed are those that survive and the score: of the faults that change a result, those that fail a
test.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
os.environ["OPENBLAS_NUM_THREADS"] = "1"

import ast
import copy
import random
import shutil
import subprocess
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from queue import SimpleQueue

from lab import bench
from lab.provenance import ROOT

GRADING_ROOMS = ("identify", "measure", "score", "statistics", "trade")
COPIED = ("scripts", "tests", "config", "workflow")
LINKED = (".venv", "demo_inputs", "Snakefile", "README.md", "DEVELOPERS.md", ".pytest.ini")
# Through a browser, the workflow or an environment of their own: too slow to be asked each time.
ELSEWHERE = (
    "test_whole_chain", "test_workflow", "test_rerun", "test_environment", "test_dashboard_browser",
    "test_marking_flow", "test_house", "test_fitted", "test_benchmarks", "test_fuzz", "test_lab",
    "test_check", "test_code_digest",
)  # fmt: skip
NEAR_TESTS = 4  # tests asked before the results are compared
IGNORED = shutil.ignore_patterns("__pycache__")
HUNG = 4.0  # a run that takes so many times what it took without a fault hangs, and so fails
SPARE_S = 30.0
COMPARED = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt), ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,), ast.In: (ast.NotIn,), ast.NotIn: (ast.In,),
}  # fmt: skip
SIGNS = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult}
SWAPPED = {"min": "max", "max": "min", "any": "all", "all": "any"}


@dataclass(frozen=True)
class Fault:
    """One change of a module: the number of the place in its tree, and which change there."""

    path: Path  # from the project's root
    place: int
    change: int
    line: int
    what: str

    def __str__(self) -> str:
        return f"{self.path.relative_to('scripts/pegmark')}:{self.line}: {self.what}"


def changes(node: ast.AST) -> list[ast.AST]:
    """Every faulty version of a node."""
    made: list[ast.AST] = []
    if isinstance(node, ast.Compare):
        for other in COMPARED.get(type(node.ops[0]), ()):
            made.append(_with(node, ops=[other(), *node.ops[1:]]))
    elif isinstance(node, ast.BoolOp):
        made.append(_with(node, op=ast.Or() if isinstance(node.op, ast.And) else ast.And()))
    elif isinstance(node, ast.BinOp) and type(node.op) in SIGNS:
        made.append(_with(node, op=SIGNS[type(node.op)]()))
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.Not, ast.USub)):
        made.append(node.operand)
    elif isinstance(node, ast.Constant) and isinstance(node.value, (int, float)):
        if not isinstance(node.value, bool):
            small = node.value in (0, 1)
            made.append(_with(node, value=node.value + 1 if small else node.value * 1.5))
    elif isinstance(node, ast.Call) and getattr(node.func, "id", "") in SWAPPED:
        name = SWAPPED[node.func.id]  # type: ignore[attr-defined]
        made.append(_with(node, func=ast.Name(name, ast.Load())))
    elif isinstance(node, ast.If):
        made.append(_with(node, test=ast.Constant(False)))
    return made


def _with(node: ast.AST, **fields: object) -> ast.AST:
    other = copy.copy(node)
    for name, value in fields.items():
        setattr(other, name, value)
    return other


def places(tree: ast.Module) -> list[ast.AST]:
    """The nodes of a module that run: no annotations, no imports for the type checker."""
    skipped: set[int] = set()
    for node in ast.walk(tree):
        parts = [getattr(node, name, None) for name in ("annotation", "returns")]
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING":
            parts.append(node)
        for part in parts:
            skipped |= {id(one) for one in ast.walk(part)} if isinstance(part, ast.AST) else set()
    return [node for node in ast.walk(tree) if id(node) not in skipped]


def faults_of(path: Path) -> Iterator[Fault]:
    """Every single fault of a module."""
    for place, node in enumerate(places(ast.parse((ROOT / path).read_text(encoding="utf-8")))):
        for change, other in enumerate(changes(node)):
            if isinstance(node, ast.If):
                what = f"never: if {ast.unparse(node.test)}"
            else:
                what = f"{ast.unparse(node)} -> {ast.unparse(ast.fix_missing_locations(other))}"
            yield Fault(path, place, change, getattr(node, "lineno", 0), what)


def faulty(fault: Fault) -> str:
    """The module's source with the fault."""
    tree = ast.parse((ROOT / fault.path).read_text(encoding="utf-8"))
    node = places(tree)[fault.place]
    other = changes(node)[fault.change]
    for parent in ast.walk(tree):
        for name, value in ast.iter_fields(parent):
            if value is node:
                setattr(parent, name, other)
            elif isinstance(value, list):
                setattr(parent, name, [other if one is node else one for one in value])
    return ast.unparse(ast.fix_missing_locations(tree))


def imported(path: Path) -> set[str]:
    """The dotted names that a file imports, and what they may be parts of."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_bytes())):
        if isinstance(node, ast.Import):
            names |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module, *(f"{node.module}.{name.name}" for name in node.names)}
    return names


class Tests:
    """Which tests reach a module, and how long they take."""

    def __init__(self) -> None:
        helpers = [path for path in (ROOT / "tests").glob("*.py") if path.stem[:5] != "test_"]
        behind = {path.stem: imported(path) for path in helpers}
        self.needs: dict[str, set[str]] = {}
        for path in sorted((ROOT / "tests").glob("test_*.py")):
            if path.stem not in ELSEWHERE:
                names = imported(path)
                self.needs[path.stem] = names.union(*(behind.get(name, set()) for name in names))
        modules = (ROOT / "scripts" / "pegmark").rglob("*.py")
        self.modules = {_dotted(path.relative_to(ROOT)): imported(path) for path in modules}

    def near(self, path: Path) -> list[str]:
        """The NEAR_TESTS tests closest to a module: that import it, or what imports it.

        Within a layer those first that are named like it, then those that import little else.
        """
        found: list[str] = []
        layer, seen = {_dotted(path)}, set[str]()
        while layer and len(found) < NEAR_TESTS:
            reach = [t for t, names in self.needs.items() if names & layer and t not in found]
            found += sorted(reach, key=lambda t: (path.stem not in t, len(self.needs[t])))
            seen |= layer
            layer = {m for m, names in self.modules.items() if names & layer} - seen
        return found[:NEAR_TESTS]

    def others(self, near: list[str]) -> list[str]:
        """All tests but these."""
        return [name for name in self.needs if name not in near]


def _dotted(path: Path) -> str:
    parts = path.with_suffix("").parts[1:]
    return ".".join(part for part in parts if part != "__init__")


class Bench:
    """A copy of the project in which one fault at a time is made."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in COPIED:
            shutil.copytree(
                ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__")
            )
        for name in LINKED:
            (folder / name).symlink_to(ROOT / name)

    def write(self, fault: Fault, text: str | None) -> None:
        """Make the fault, or take it back."""
        text = (ROOT / fault.path).read_text(encoding="utf-8") if text is None else text
        (self.folder / fault.path).write_text(text, encoding="utf-8")

    def run(self, *command: str, most_s: float) -> subprocess.CompletedProcess[str] | None:
        """Run Python in the copy; None: it took too long."""
        environ = os.environ | {"PYTHONDONTWRITEBYTECODE": "1"}
        try:
            return subprocess.run(
                [sys.executable, *command], cwd=self.folder, env=environ, timeout=most_s,
                capture_output=True, text=True,
            )  # fmt: skip
        except subprocess.TimeoutExpired:
            return None

    def passes(self, tests: list[str], most_s: float) -> bool:
        """Whether tests pass."""
        files = [f"tests/{name}.py" for name in tests]
        options = ("-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", "-m", "not browser")
        done = self.run(*options, *files, most_s=most_s)
        return done is not None and done.returncode in (0, 5)

    def results(self, room: str, most_s: float) -> str:
        """The digest of what a room takes part in, of the results of `lab.mutation_results`."""
        sounds = [] if room == "score" else ["--sounds"]
        done = self.run("scripts/lab/mutation_results.py", *sounds, most_s=most_s)
        return "hung" if done is None else done.stdout or "failed"


@dataclass
class Trial:
    """What is the same for all faults: the tests, their time without a fault, the results."""

    tests: Tests
    results: dict[str, str]  # of every room
    most_s: dict[str, float]  # of the tests that were asked, how long each may take

    def most_of(self, bench: Bench, fault: Fault, name: str) -> float:
        """How long a test may take: HUNG times what it takes without a fault, and SPARE_S."""
        if name not in self.most_s:
            bench.write(fault, None)
            begin = time.monotonic()
            if not bench.passes([name], 900.0):
                raise SystemExit(f"tests/{name}.py fails without a fault: mend it first")
            self.most_s[name] = HUNG * (time.monotonic() - begin) + SPARE_S
            bench.write(fault, faulty(fault))
        return self.most_s[name]

    def outcome(self, bench: Bench, fault: Fault) -> str:
        """What becomes of a fault: "caught", "no result changed" or "survived"."""
        near = self.tests.near(fault.path)
        bench.write(fault, faulty(fault))
        try:
            room = fault.path.parent.name
            if bench.results(room, 600.0) == self.results[room]:
                return "no result changed"
            for name in near:  # the closest first: most are caught by it
                if not bench.passes([name], self.most_of(bench, fault, name)):
                    return "caught"
            return "survived" if bench.passes(self.tests.others(near), 3600.0) else "caught"
        finally:
            bench.write(fault, None)


def main() -> None:
    """Try the faults and print what became of them."""
    parser = bench.options_of(__doc__, faults=80, seed=14, minutes=15.0, jobs=2)
    parser.add_argument("--room", choices=GRADING_ROOMS, action="append", help="only this one")
    options = parser.parse_args()
    bench.begin(options, "pytest", "hypothesis")
    rooms = options.room or GRADING_ROOMS
    paths = [p for room in rooms for p in sorted((ROOT / "scripts/pegmark" / room).glob("*.py"))]
    every = [fault for path in paths for fault in faults_of(path.relative_to(ROOT))]
    drawn = random.Random(options.seed).sample(every, min(options.faults, len(every)))
    tests = Tests()
    begin = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        benches: SimpleQueue[Bench] = SimpleQueue()
        for number in range(options.jobs):
            benches.put(Bench(Path(folder) / str(number)))
        first = benches.get()
        trial = Trial(tests, {room: first.results(room, 600.0) for room in rooms}, {})
        benches.put(first)
        last_s = begin + 60 * options.minutes

        def attempt(fault: Fault) -> str:
            if time.monotonic() > last_s:
                return "not tried"
            one = benches.get()
            try:
                outcome = trial.outcome(one, fault)
            finally:
                benches.put(one)
            print(f"{outcome:18s} {fault}", flush=True)
            return outcome

        with ThreadPoolExecutor(options.jobs) as pool:
            outcomes = list(pool.map(attempt, drawn))
    report(every, drawn, outcomes, time.monotonic() - begin)


def report(every: list[Fault], drawn: list[Fault], outcomes: list[str], seconds: float) -> None:
    """Print the score, and what survived."""
    counts = Counter(outcomes)
    for kind in ("no result changed", "survived"):
        found = [f for f, outcome in zip(drawn, outcomes, strict=True) if outcome == kind]
        print(f"\n{kind}:" if found else "", *found, sep="\n  ")
    telling = counts["caught"] + counts["survived"]
    print(
        f"\n{telling + counts['no result changed']} of {len(every)} faults in {seconds:.0f} s: "
        f"{counts['caught']} caught, {counts['survived']} survived, {counts['no result changed']} "
        f"changed no result, {counts['not tried']} not tried for want of time; "
        f"score {100 * counts['caught'] / max(telling, 1):.1f} %"
    )


if __name__ == "__main__":
    main()
