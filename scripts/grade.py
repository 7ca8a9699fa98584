"""Grade a class: python3 scripts/grade.py CLASS_DIR (without a folder: the demo class).

Prepares its own environment at first use, takes in the folder, runs the workflow over it, and
ends with a short summary. Everything it makes stands in CLASS_DIR/results.
"""

import argparse
import sys
from pathlib import Path

import environment


def main() -> int:
    """Grade the class; 0 when every take went through, whatever its grade."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "class_dir",
        type=Path,
        nargs="?",
        default=environment.ROOT / "demo_inputs",
        help="folder with roster.csv and submissions/ (default: the demo class)",
    )
    parser.add_argument("--cores", default="all", help="how many cores to use (default: all)")
    parser.add_argument(
        "--marks-template",
        action="store_true",
        help="write a marks file with every open cell into the class folder, and stop",
    )
    args = parser.parse_args()
    environment.enter()

    import running

    if args.marks_template:
        return running.write_marks_template(args.class_dir)
    return running.grade_class(args.class_dir, environment.ROOT, args.cores)


if __name__ == "__main__":
    sys.exit(main())
