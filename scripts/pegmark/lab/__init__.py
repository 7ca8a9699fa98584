"""The sound laboratory: strings, rooms, speech and recordings made to order, with known truth.

Used by the tests, the benchmarks and the demo class; never by the grading itself.
"""
