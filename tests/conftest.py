"""What every test needs: the package's folder on the path, one thread for linear algebra.

Property tests draw the same examples at every run, so that a run says the same twice; others are
drawn with HYPOTHESIS_PROFILE=search.
"""

import os
import sys
from pathlib import Path

from hypothesis import settings

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "scripts"))

settings.register_profile("same", derandomize=True)
settings.register_profile("search", derandomize=False)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "same"))
