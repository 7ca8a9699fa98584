"""Stage score: points with their evidence, and the teacher's marks on top.

In: a student's ticket, the measured takes, the facts of their recordings. Out: the student's
record.
"""

from pegmark.score.student import score_student

__all__ = ["score_student"]
