"""Forget a student, or the sound: python3 scripts/forget.py CLASS_DIR STUDENT_ID

Removes recordings, measurements, clips, stills, sheets, drafts, marks, logs and the roster's row
of that student and grades the rest of the class again. With --audio instead: the recordings, clips
and stills of everybody; with --before DATE: of what was recorded before that day; points and sheets
stay. Prints what was removed and what it cannot reach.
"""

import argparse
import sys
from datetime import UTC, date, datetime, time
from pathlib import Path

import environment


def main() -> int:
    """Forget what the command line names; 0 when it is gone."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("class_dir", type=Path, help="the class folder")
    parser.add_argument("student_id", nargs="?", help="whom to forget")
    parser.add_argument("--audio", action="store_true", help="all recordings, clips and stills")
    parser.add_argument("--before", type=date.fromisoformat, help="those of before 2026-07-31")
    arguments = parser.parse_args()
    chosen = [arguments.student_id, arguments.audio or None, arguments.before]
    if sum(one is not None for one in chosen) != 1:
        parser.error("give one of STUDENT_ID, --audio and --before DATE")
    environment.enter()
    return forget(arguments)


def forget(arguments: argparse.Namespace) -> int:
    """Remove, report, and grade again what a student's leaving changes."""
    import classfolder
    import running
    from pegmark.receive.forgetting import clear_logs, forget_sound, forget_student
    from pegmark.records.problems import TeacherError
    from pegmark.words.terminal import tell

    class_dir = arguments.class_dir.resolve()
    try:
        handle = classfolder.hold(class_dir, tell)
        try:
            if arguments.student_id:
                config = environment.ROOT / "config"
                found = forget_student(class_dir, config, arguments.student_id)
            else:
                day = arguments.before
                found = forget_sound(class_dir, datetime.combine(day, time(), UTC) if day else None)
        finally:
            classfolder.let_go(handle)
    except TeacherError as error:
        tell(*(f"{one['message']} {one['action']}" for one in error.problems))
        return running.EXIT_REFUSED
    except OSError as error:
        tell(f"Not everything was removed: {classfolder.machine_says(error)}")
        return running.EXIT_UNFINISHED
    tell(*found.sentences())
    if not arguments.student_id:
        return 0
    if not found.again:
        return running.EXIT_UNFINISHED
    # Pruned: whose a recording was that has vanished, nobody can say any more.
    how = running.How(go_on=True, prune=True, quiet=True)
    code = running.grade_class(class_dir, environment.ROOT, how)
    clear_logs(class_dir)  # the engine says there what it had before
    if code not in (0, running.EXIT_FAULT):
        tell("The pages of the class still name the student until it has been graded again.")
    return code


if __name__ == "__main__":
    sys.exit(main())
