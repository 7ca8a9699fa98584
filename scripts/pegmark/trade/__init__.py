"""Ground: the facts of the trade.

pitch (cents, hertz, note names, equal and pure targets), instruments, targets (where a string may
stand), tolerances (how far from it a level goes).
"""
