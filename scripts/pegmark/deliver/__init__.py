"""Stage deliver: what was made aside takes the place of the results of the run before.

In: the folder of everything made. Out: the same files where the teacher opens them, and the
manifest.
"""

from pegmark.deliver.results import deliver

__all__ = ["deliver"]
