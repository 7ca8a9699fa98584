"""What is fitted, a module a stage; scripts/lab/calibrate.py runs them all.

A fit's module is named like its stage and has

CODE : names of the pegmark modules whose answers the numbers are fitted to; their digest, with
    everything of ours behind them, stands in the file, and a test fails when it has changed.
SEED, TAKES, HELD : takes 0 .. TAKES - 1 are learned from, TAKES .. TAKES + HELD - 1 are held back
    for the figures. No seed of a test, a benchmark or the demo is among SEED + number.
make(number) -> (audio, truth) : one take (or note) and all that is known of it, as JSON.
hear(audio, truth) -> Any : inputs and answers of all that is to be fitted, as dataclasses, dicts,
    lists, arrays and plain values. It must not use the numbers that are to be fitted.
fit(heard) -> dict : {subject: {name with its unit: value}}, from a list of what `hear` gave.
figures(numbers, heard) -> dict : how well the numbers do, {what: value}, on takes held back.

The code reads its numbers by `pegmark.settings.fitted.numbers(stage)`.
"""
