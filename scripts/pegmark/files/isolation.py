"""A process without network: decoders of files from outside have nobody to talk to.

Linux only: a network namespace of its own (unshare(2), CLONE_NEWNET), for an ordinary account
inside a user namespace of its own. Where the system offers neither, as on macOS or where user
namespaces are switched off, the process goes on with its limits of time and memory alone.
"""

from __future__ import annotations

import ctypes
import os
import sys

CLONE_NEWUSER, CLONE_NEWNET = 0x10000000, 0x40000000  # linux/sched.h


def leave_network() -> bool:
    """Cut this process off from every network; whether the system could do it."""
    if sys.platform != "linux":
        return False
    unshare = ctypes.CDLL(None, use_errno=True).unshare
    alone = CLONE_NEWNET if os.geteuid() == 0 else CLONE_NEWUSER | CLONE_NEWNET
    return bool(unshare(alone) == 0)
