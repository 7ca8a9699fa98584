"""Stage render: the sheet that a student takes home, and short copies for listening.

In: a student's record and ticket, the audio. Out: PDF bytes; MP3 bytes by file name.
"""

from pegmark.render.clips import cut_clips
from pegmark.render.sheet import render_sheet

__all__ = ["cut_clips", "render_sheet"]
