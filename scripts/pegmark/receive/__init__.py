"""Stage receive: who handed in what.

In: the class folder (roster, submissions, the teacher's own files) and config/. Out: tickets for
the later stages, small and by content, and what is to be told to the teacher.
"""

from pegmark.receive.intake import take_in
from pegmark.receive.presence import check_folder

__all__ = ["check_folder", "take_in"]
