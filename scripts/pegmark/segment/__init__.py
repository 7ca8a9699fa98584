"""Stage segment: every note of a take, and where somebody speaks.

In: audio, its rate, the instrument. Out: the record notes/<take>.json: notes with start, end, kind
and coarse pitch, passages of speech, and what is to be said of the recording as such.
"""

from pegmark.segment.notes import find_notes

__all__ = ["find_notes"]
