"""The same takes on other processors: figures that agree far below what anybody reads.

OpenBLAS and NumPy choose their inner loops by the processor, and these add in different orders.
They are forced here to what older processors would get (OpenBLAS's own OPENBLAS_CORETYPE, NumPy's
own NPY_DISABLE_CPU_FEATURES). The bound, 0.001 cents, is this project's own promise (common
practice, no source); a stated uncertainty also agrees where it does to a ten-thousandth of itself:
that of a note nobody can read runs into hundreds of cents. FFmpeg's decoders cannot be forced so:
the takes begin as samples.
"""

from __future__ import annotations

import json
import math
import os
import platform
import subprocess
import sys
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from conftest import ROOT
from lab import bench
from lab.takes import random_take

CENTS = 0.001
OF_ITSELF = 1e-4  # of an uncertainty
TAKES = {"violin": 8_100_001, "double bass": 8_100_002}  # instrument -> seed
EVERY_DISPATCH = "X86_V3 X86_V4 AVX512_ICL AVX512_SPR"
PROCESSORS = {  # name -> its environment, and the kernels that OpenBLAS then says it takes
    "first 64 bits": ({"OPENBLAS_CORETYPE": "Prescott"}, "Katmai"),
    "without AVX": ({"OPENBLAS_CORETYPE": "Nehalem"}, "Nehalem"),
    "AVX2": ({"OPENBLAS_CORETYPE": "Haswell"}, "Haswell"),
    "NumPy without AVX": ({"NPY_DISABLE_CPU_FEATURES": EVERY_DISPATCH}, ""),
    "all without AVX": (
        {"OPENBLAS_CORETYPE": "Nehalem", "NPY_DISABLE_CPU_FEATURES": EVERY_DISPATCH},
        "Nehalem",
    ),
}
HEAR = """
import json, sys
sys.path.insert(0, sys.argv.pop(1))
import numpy as np
from lab import bench
from lab.benchmark_grade import score_take
from lab.chain import hear
from pegmark.files.store import rounded
found = {}
for name, path in zip(sys.argv[1::2], sys.argv[2::2]):
    heard = hear(np.load(path), bench.TABLE[name])
    record = score_take(rounded({**heard.measured, "take": "lab"}), bench.TABLE[name])
    found[name] = {"named": heard.named, "measured": heard.measured, "record": record}
print(json.dumps(found))
"""

pytestmark = pytest.mark.skipif(platform.machine() != "x86_64", reason="these are x86 kernels")


@pytest.fixture(scope="module")
def sounds(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Instrument and file of each take, in turn."""
    words = []
    for name, seed in TAKES.items():
        path = tmp_path_factory.mktemp("takes") / "take.npy"
        np.save(path, random_take(seed, bench.TABLE[name], "usual")[0])
        words += [name, str(path)]
    return words


def heard(sounds: list[str], **environment: str) -> tuple[dict[str, Any], str]:
    """What is made of the takes there, and what OpenBLAS says of its kernels."""
    told = {"OPENBLAS_NUM_THREADS": "1", "OPENBLAS_VERBOSE": "2", **environment}
    command = [sys.executable, "-c", HEAR, str(ROOT / "scripts"), *sounds]
    done = subprocess.run(
        command, capture_output=True, text=True, check=True, env={**os.environ, **told}
    )
    return json.loads(done.stdout), done.stdout + done.stderr


@pytest.fixture(scope="module")
def here(sounds: list[str]) -> dict[str, Any]:
    return heard(sounds)[0]


@pytest.fixture(scope="module", params=PROCESSORS)
def processor(request: pytest.FixtureRequest, sounds: list[str]) -> tuple[dict[str, Any], str, str]:
    """What is made of the takes on another processor, and its kernels as asked for and as told."""
    environment, kernels = PROCESSORS[request.param]
    return (*heard(sounds, **environment), kernels)


def apart(one: Any, other: Any, path: str = "") -> Iterator[tuple[str, Any, Any]]:
    """Where two results differ: path and both values."""
    if isinstance(one, dict) and isinstance(other, dict) and one.keys() == other.keys():
        for key in one:
            yield from apart(one[key], other[key], f"{path}/{key}")
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for number, (left, right) in enumerate(zip(one, other, strict=True)):
            yield from apart(left, right, f"{path}/{number}")
    elif one != other:
        yield path, one, other


def small(path: str, one: Any, other: Any) -> bool:
    """Whether a difference is below the bound: of a pitch in Hz as cents, else as it stands."""
    if not (isinstance(one, float) and isinstance(other, float)):
        return False
    if path.endswith("_hz") and one > 0 and other > 0:
        return abs(1200 * math.log2(one / other)) < CENTS
    bound = OF_ITSELF * one if path.endswith("/uncertainty_cents") else 0.0
    return abs(one - other) < max(CENTS, bound)


def test_another_processor_hears_the_same_to_a_thousandth_of_a_cent(here, processor):
    there, said, kernels = processor
    assert f"Core: {kernels}" in said
    for name in TAKES:
        for part in ("named", "measured"):
            large = [d for d in apart(here[name][part], there[name][part]) if not small(*d)]
            assert large == []


def test_no_level_point_or_sentence_is_another_one_there(here, processor):
    there, _, _ = processor
    for name in TAKES:
        mine, theirs = here[name]["record"], there[name]["record"]
        assert len(mine["score"]["criteria"]) > 3
        large = [d for d in apart(mine, theirs) if not small(*d)]
        assert large == []
        for part in ("score", "problems", "observations", "next_step", "status", "order"):
            assert mine[part] == theirs[part]


def test_the_kernels_do_differ(here, processor):
    """Else the tests above would say nothing."""
    assert [*apart(here, processor[0])] != []
