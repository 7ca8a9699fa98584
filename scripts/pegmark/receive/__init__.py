"""Stage receive: who handed in what.

In: the class folder (roster, submissions, the teacher's own files) and config/. Out: tickets for
the later stages, small and by content, and what is to be told to the teacher.
"""

from pegmark.receive.intake import take_in

__all__ = ["take_in"]
