"""Stage render: the sheet that a student takes home, and short copies for listening.

In: a student's record and ticket, the audio. Out: PDF bytes; MP3 bytes by file name.
"""

from pegmark.render.clips import cut_clips
from pegmark.render.sheet import load_page_parts, render_sheet

__all__ = ["cut_clips", "load_page_parts", "render_sheet"]
