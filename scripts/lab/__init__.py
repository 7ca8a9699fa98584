"""The sound laboratory: recordings whose truth is known, for tests, benchmarks and the demo class.

Nothing here is used when a class is graded.

strings    notes of a string, from a physical model
rooms      what a room, a phone and a microphone add, and what they spoil
containers sound written to and read from the files that phones and laptops make
samples    real instruments, from a sound font
speech     spoken sentences
paths      takes as lists of notes, without sound
events     what a student does in a take, with what, and where
playing    takes from their description to sound; timbre, others: what is heard in them
takes      whole recordings of a student who tunes, invented at random; wide: unusual ones
drills     short takes of one thing that is hard to hear
fits       what is fitted, a module a stage (calibrate.py)
"""
