"""Stage deliver: what was made aside takes the place of the results of the run before.

in:  everything of the class below results/work/
out: records/, scores/, sheets/, clips/, outbox/ and the class pages below results/; the seal of a
     run that ended well (results/seal.json)

Ends with an error, everything delivered and no seal, when our own program failed on the way.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from pegmark.deliver import deliver
from pegmark.deliver.manifest import make_seal
from pegmark.files.store import write_json
from pegmark.records.faults import faults_of_class
from pegmark.words.terminal import tell


def main() -> None:
    """Deliver, then seal."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--work", type=Path, required=True, help="what was made")
    parser.add_argument("--results", type=Path, required=True, help="where the teacher looks")
    parser.add_argument("--seal", type=Path, required=True, help="the seal to write")
    arguments = parser.parse_args()
    tell(*deliver(arguments.work, arguments.results))
    faults = faults_of_class(arguments.work)
    for owner, told in faults.items():
        tell(f"{owner}: {told['message']} {told['action']}")
    if faults:
        sys.exit(1)
    write_json(arguments.seal, make_seal(arguments.results))


if __name__ == "__main__":
    main()
