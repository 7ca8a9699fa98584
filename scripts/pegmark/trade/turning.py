"""When a string was turned, and whether it sounded meanwhile."""

from __future__ import annotations

TURN_CENTS = 5.0  # the smallest change that is called a turn or a slip (design, section 3)
SOUNDING_GAP_S = 0.5  # a silence up to this long between two plucks: turned while it rang
SILENT_GAP_S = 1.2  # from this on: turned in silence; between the two, unknown
