"""Figures for the class page: bytes, CPU seconds to build, and how fast a browser opens it.

    python scripts/lab/benchmark_dashboard.py [--students 30 150] [--openings 5]

One line per class size; medians of the openings. Needs chromium and the packages of the tests.
Goals for 150 students: under 12 MB, open in under 2 s.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import argparse
import statistics
import tempfile
import time

from lab import bench
from lab.example_class import make_class
from pegmark.publish.dashboard import build_dashboard

DASHBOARD_COLUMNS = ("students", "MB", "build CPU s", "opened s (median)", "ready s (median)")


def main() -> None:
    parser = bench.options_of(__doc__, openings=5, chromium="/usr/bin/chromium")
    parser.add_argument("--students", type=int, nargs="+", default=[30, 150])
    arguments = parser.parse_args()
    bench.begin(arguments, "playwright")
    build_dashboard(*make_class(1))  # imports and templates are paid once, before the clock
    bench.print_table(DASHBOARD_COLUMNS, (row(size, arguments) for size in arguments.students))


def row(size: int, arguments: argparse.Namespace) -> tuple[object, ...]:
    """What a page of so many students costs."""
    records, ticket = make_class(size)
    start = time.process_time()
    page = build_dashboard(records, ticket)
    built_s = time.process_time() - start
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "dashboard.html"
        path.write_text(page, encoding="utf-8")
        opened_s, ready_s = open_page(path, arguments.chromium, arguments.openings)
    return size, len(page.encode()) / 1e6, built_s, opened_s, ready_s


def open_page(path: Path, chromium: str, openings: int) -> tuple[float, float]:
    """Median seconds until the browser has painted the page, and until its table works."""
    from playwright.sync_api import sync_playwright

    painted, ready = [], []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium, args=["--no-sandbox", "--disable-gpu"]
        )
        for _ in range(openings):
            page = browser.new_page()
            start = time.monotonic()
            page.goto(path.as_uri())
            page.wait_for_selector("html[data-ready]", state="attached")
            ready.append(time.monotonic() - start)
            paint_ms = page.evaluate(
                "performance.getEntriesByName('first-contentful-paint')[0]?.startTime"
            )
            painted.append(paint_ms / 1000 if paint_ms else ready[-1])
            page.close()
        browser.close()
    return statistics.median(painted), statistics.median(ready)


if __name__ == "__main__":
    main()
