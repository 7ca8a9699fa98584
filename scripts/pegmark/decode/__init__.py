"""Stage decode: the sound of any container that a phone, laptop or learning platform makes.

In: a recording's path. Out: its audio (float32, mono, 16 kHz) and the facts of its container.
"""

from pegmark.decode.recording import decode_recording

__all__ = ["decode_recording"]
