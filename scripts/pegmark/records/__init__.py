"""Ground: what the stages hand on to each other.

Every record has one source, its type: take (of one take), student (of one student), tickets (what
receive tells the later stages), recheck (of the class); values (what their numbers and texts are).
The JSON Schemas of workflow/schemas are made from them (scripts/lab/make_schemas.py). They are for
the type checker: modules import them under TYPE_CHECKING, so that they cost nothing at start-up.

problems (what is wrong, in words for the teacher), faults (our own, that end as a problem), note
(when a note's name is sure), columns (of the gradebook), states (how a take stands).
"""
