"""Make the README's pictures from a graded demo class: demo_inputs/pictures/.

    python3 scripts/grade.py demo_inputs
    .venv/bin/python scripts/lab/make_pictures.py [--results demo_inputs/results]

Needs Debian's chromium and poppler-utils. made_from.json holds the digest of what gives the pages
their looks; tests/test_readme_pictures.py says when it is another one, and the pictures are stale.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import argparse
import hashlib
import subprocess

from environment import ROOT
from pegmark.files.store import write_json

PICTURES = ROOT / "demo_inputs" / "pictures"
SHEET_OF = "sk-102"  # complete, with a comment of the teacher's
DPI = 100  # of the sheet's picture
WINDOW_WIDTH, WINDOW_HEIGHT = 1280, 860  # of a laptop's window
LOOKS = ("publish/dashboard*.j2", "publish/dashboard.css", "render/sheet.*.j2", "render/sheet.css",
         "render/pictures.py", "render/ink.py", "render/string_path.py")  # fmt: skip


def digest() -> str:
    """The SHA-256 of the files that give the pages their looks."""
    package = ROOT / "scripts" / "pegmark"
    files = sorted({path for pattern in LOOKS for path in package.glob(pattern)})
    return hashlib.sha256(b"\0".join(path.read_bytes() for path in files)).hexdigest()


def main() -> None:
    """Write the pictures and what they were made from."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--results", type=Path, default=ROOT / "demo_inputs" / "results")
    results = parser.parse_args().results.resolve()
    sheet = results / "sheets" / f"{SHEET_OF}.pdf"
    subprocess.run(
        ["pdftoppm", "-png", "-r", str(DPI), "-singlefile", sheet, PICTURES / "sheet"], check=True
    )
    picture_page(results / "dashboard.html")
    write_json(PICTURES / "made_from.json", {"looks": digest()})


def picture_page(dashboard: Path) -> None:
    """The first screen of the class page, and the marking."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": WINDOW_WIDTH, "height": WINDOW_HEIGHT})
        page.goto(dashboard.as_uri())
        page.wait_for_selector("html[data-ready]", state="attached")
        page.screenshot(path=PICTURES / "dashboard.png")
        page.click('[data-start="mark"]')
        page.wait_for_timeout(1000)  # till the recording shows
        page.screenshot(path=PICTURES / "marking.png")
        browser.close()


if __name__ == "__main__":
    main()
