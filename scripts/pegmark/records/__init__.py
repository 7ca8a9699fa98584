"""Ground: what the stages hand on to each other.

problems (what is wrong, in words for the teacher), faults (our own, that end as a problem), note
(what a note's fields mean), columns (of the gradebook).
"""
