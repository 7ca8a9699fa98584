"""Turns and slips: how many are told, with what sizes, and how many that nobody made.

    python scripts/lab/benchmark_turns.py [--quick] [--takes 24] [--seed 2500000] [--list]

Short takes of lab.turning_cases, each about one way of turning, of the model's players and of
sampled ones, go through all stages. None of the seeds were used to tune anything. Per case, of all
strings that are said to be heard: the turns that can be heard, by size, each with a move of its
own; moves that nobody made; the 95th percentile of the errors of moves' sizes, and how often the
truth lies inside a move's interval; slips told, and strings told to have slipped that did not.
`--list` names what was missed or invented.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
os.environ["OPENBLAS_NUM_THREADS"] = "1"

from collections.abc import Iterator, Mapping
from typing import Any

from lab import bench, samples
from lab.bench import INSTRUMENTS, TABLE
from lab.chain import hear
from lab.truths import TURN_COLUMNS, Turning, heard_turns
from lab.turning_cases import CASES, turning_take

FIVE_STRINGS = ("five-string bass", "five-string bass in c")


def run(
    case: str, keys: tuple[str, ...], takes: int, seed: int, wrong: list[str], *, real: bool
) -> Turning:
    """`takes` takes of one case, the instruments in turn; what was wrong is added to `wrong`."""
    turning = Turning()
    for number in range(takes):
        instrument = TABLE[keys[number % len(keys)]]
        audio, truth = turning_take(seed + number, instrument, case, real=real)
        for name, told in hear(audio, instrument).measured["strings"].items():
            if told["heard"] != "heard":
                continue
            before = turning.score()
            turning.add(told, truth, name)
            if turning.score() != before:
                made = [_words(turn) for turn in heard_turns(truth, name)]
                moves = [_words(move) for move in told["moves"]]
                wrong.append(
                    f"{case}, seed {seed + number}, {instrument.key} {name}: made {made}, told "
                    f"{moves}, slipped {told['slipped_cents']}"
                )
    return turning


def _words(move: Mapping[str, Any]) -> str:
    times = f"{move['start_s']:.1f}-{move['end_s']:.1f} s"
    return f"{times} {move['from_cents']:+.0f} to {move['to_cents']:+.0f}"


def groups_of(takes: int, seed: int, wrong: list[str]) -> Iterator[tuple[str, Turning]]:
    """Every case and kind of player with its name."""
    players = (False, True) if samples.SOUND_FONT.is_file() else (False,)
    for place, case in enumerate(CASES):
        for real in players:
            first = seed + 10_000 * place + 1000 * real
            name = f"{case}{', sampled' if real else ''}"
            yield name, run(case, INSTRUMENTS, takes, first, wrong, real=real)
        few = max(2, takes // 4)
        first = seed + 10_000 * place + 2000
        yield f"{case}, five strings", run(case, FIVE_STRINGS, few, first, wrong, real=False)


def main() -> None:
    """Print the table."""
    parser = bench.options_of(__doc__, takes=24, seed=2_500_000)
    parser.add_argument("--quick", action="store_true", help="few takes: some minutes")
    parser.add_argument("--list", action="store_true", help="name what was missed or invented")
    options = parser.parse_args()
    bench.begin(options)
    takes = len(INSTRUMENTS) if options.quick else options.takes
    wrong: list[str] = []
    whole = Turning()

    def rows() -> Iterator[tuple[object, ...]]:
        for name, turning in groups_of(takes, options.seed, wrong):
            whole.join(turning)
            yield turning.row(name)
        yield whole.row("all")

    bench.print_table(TURN_COLUMNS, rows())
    if options.list:
        print("\n" + "\n".join(wrong))


if __name__ == "__main__":
    main()
