"""Stage identify: which open string each note is.

In: the record of segment and the instrument. Out: the same record, every note with its string and
how probable that is.
"""

from pegmark.identify.strings import name_strings

__all__ = ["name_strings"]
