"""Make the README's pictures from the demo class: demo_inputs/pictures/.

    .venv/bin/python scripts/lab/make_pictures.py

The class is graded for the first time, in a copy, and what the command said is a picture too.
Needs Debian's chromium and poppler-utils. made_from.json holds the digest of what gives the pages
their looks; tests/test_readme_pictures.py says when it is another one, and the pictures are stale.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import hashlib
import html
import re
import shutil
import subprocess
import tempfile

from environment import ROOT
from pegmark.files.store import write_json

PICTURES = ROOT / "demo_inputs" / "pictures"
SHEET_OF = "sk-102"  # complete, with a comment of the teacher's
DPI = 100  # of the sheet's picture
WINDOW_WIDTH, WINDOW_HEIGHT = 1280, 860  # of a laptop's window
PROGRESS = r"(?m)^Grading: .*\n(?=Grading: )"  # all its lines but the last
TERMINAL = """body { margin: 0; } pre { display: inline-block; margin: 0; padding: 1rem 1.4rem;
background: #1f2733; color: #fffdf9; font: 15px/1.5 "DejaVu Sans Mono", monospace; }"""
LOOKS = ("publish/dashboard*.j2", "publish/dashboard.css", "publish/dashboard.flow.js",
         "publish/todo.py", "render/sheet.*.j2", "render/sheet.css", "render/pictures.py",
         "render/ink.py", "render/string_path.py")  # fmt: skip


def digest() -> str:
    """The SHA-256 of the files that give the pages their looks."""
    package = ROOT / "scripts" / "pegmark"
    files = sorted({path for pattern in LOOKS for path in package.glob(pattern)})
    return hashlib.sha256(b"\0".join(path.read_bytes() for path in files)).hexdigest()


def main() -> None:
    """Write the pictures and what they were made from."""
    with tempfile.TemporaryDirectory() as folder:
        class_dir = Path(folder) / "demo_inputs"
        shutil.copytree(
            ROOT / "demo_inputs", class_dir, ignore=shutil.ignore_patterns("results", ".*")
        )
        said = first_run(class_dir)
        results = class_dir / "results"
        sheet = results / "sheets" / f"{SHEET_OF}.pdf"
        subprocess.run(
            ["pdftoppm", "-png", "-r", str(DPI), "-singlefile", sheet, PICTURES / "sheet"],
            check=True,
        )
        picture_pages(results / "dashboard.html", said)
    write_json(PICTURES / "made_from.json", {"looks": digest()})


def first_run(class_dir: Path) -> str:
    """What the command says; of the progress its end, since on a screen it stays on one line."""
    command = [sys.executable, str(ROOT / "scripts" / "grade.py"), str(class_dir)]
    run = subprocess.run(command, check=True, capture_output=True, text=True)
    said = run.stdout.replace(str(class_dir), class_dir.name)
    return f"$ python3 scripts/grade.py\n{re.sub(PROGRESS, '', said)}"


def picture_pages(dashboard: Path, said: str) -> None:
    """The terminal, the first screen of the class page, and the marking."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": WINDOW_WIDTH, "height": WINDOW_HEIGHT})
        terminal = browser.new_page(device_scale_factor=2)  # letters stay sharp
        terminal.set_content(f"<style>{TERMINAL}</style><pre>{html.escape(said)}</pre>")
        terminal.locator("pre").screenshot(path=PICTURES / "terminal.png")
        page.goto(dashboard.as_uri())
        page.wait_for_selector("html[data-ready]", state="attached")
        page.screenshot(path=PICTURES / "dashboard.png")
        page.click('[data-step="mark"] summary')
        page.click('.by-criterion[data-criterion="bridge"]')
        page.wait_for_timeout(1000)  # till the pictures and the recording show
        page.screenshot(path=PICTURES / "marking.png")
        browser.close()


if __name__ == "__main__":
    main()
