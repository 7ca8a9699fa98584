"""Stage recheck: what only shows with all takes of a class at hand.

In: all measured takes and a way to load their audio. Out: a second opinion on the deciding pitches
(librosa), and pairs of takes that are one recording.
"""

from pegmark.recheck.same_recording import same_recordings
from pegmark.recheck.second_opinion import second_opinion

__all__ = ["same_recordings", "second_opinion"]
