"""Make the baseline images of the pictures and the sheet anew, after a change that was meant.

    .venv/bin/python tests/make_baselines.py

Look at them before you commit them.
"""

import sys
import tempfile
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "scripts")]

import test_pictures  # noqa: E402
import test_sheet  # noqa: E402
from lab import sheet_examples as examples  # noqa: E402


def main() -> None:
    """Write every file of tests/data/baselines."""
    test_pictures.BASELINES.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        strip = test_pictures.raster(test_pictures.strip(examples.record()), place, 96)
        strip.save(test_pictures.BASELINES / "paths.png", optimize=True)
        page = test_sheet.page_image(place)
        page.save(test_pictures.BASELINES / "sheet.png", optimize=True)


if __name__ == "__main__":
    main()
