"""Stage measure: every note's pitch and how sure it is; how each string was tuned and left.

In: audio, its rate, the record of identify, the instrument. Out: the record measured/<take>.json.
"""

from pegmark.measure.take import measure_take

__all__ = ["measure_take"]
