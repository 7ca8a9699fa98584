"""Grade a class: python3 scripts/grade.py CLASS_DIR (without a folder: the demo class).

Many classes at once: python3 scripts/grade.py --classes LIST, a text file with a folder a line.

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
        help="folder with roster.csv and submissions/ (default: the demo class)",
    )
    parser.add_argument(
        "--classes", type=Path, metavar="LIST", help="file that names a class folder in each line"
    )
    parser.add_argument(
        "--cores",
        type=cores,
        help="how many cores to use (default: all; on a cluster: of each job, as the profile says)",
    )
    parser.add_argument(
        "--profile",
        choices=environment.profiles(),
        default="default",
        help="where to run: on this machine (default) or, with slurm, on a cluster",
    )
    parser.add_argument(
        "-n",
        "--dry-run",
        action="store_true",
        help="say what is in the folder and what would be asked; write nothing",
    )
    parser.add_argument(
        "--go-on",
        action="store_true",
        help="grade although no recording is there, or many students' recordings are gone",
    )
    parser.add_argument(
        "--prune",
        action="store_true",
        help="take away what was measured of recordings that are no longer there",
    )
    parser.add_argument("--quiet", action="store_true", help="say only what went wrong")
    parser.add_argument(
        "--marks-template",
        action="store_true",
        help="write a marks file with every open cell into the class folder, and stop",
    )
    args = parser.parse_args()
    if args.classes and (args.class_dir or args.marks_template or args.dry_run):
        parser.error("--classes grades whole classes: without a folder, -n or --marks-template")
    environment.enter()

    import running

    class_dir = args.class_dir or environment.ROOT / "demo_inputs"
    how = running.How(args.profile, args.cores, args.go_on, args.prune, args.quiet)
    if args.classes:
        import district

        return district.grade_classes(args.classes, environment.ROOT, how)
    if args.marks_template:
        return running.write_marks_template(class_dir)
    if args.dry_run:
        return running.look_at(class_dir, environment.ROOT)
    return running.grade_class(class_dir, environment.ROOT, how)


def cores(text: str) -> str:
    """A number of cores: all, or 1, 2, ..."""
    if text != "all" and not (text.isascii() and text.isdigit() and int(text) > 0):
        raise argparse.ArgumentTypeError(f"{text!r} is no number of cores: give all, or 1, 2, ...")
    return text


if __name__ == "__main__":
    sys.exit(main())
