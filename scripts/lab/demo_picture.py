"""The still picture of a demo video: an instrument laid against a wall, with its bridge in view.

Drawn, not photographed: nobody and nothing real is in it. The colours are drawn from the seed, so
that no two recordings look alike.
"""

from __future__ import annotations

import numpy as np

DRAWN_MIDDLE = 0.5  # of the width: where the strings run
DRAWN_BRIDGE = 0.62  # of the height
DRAWN_STRINGS = (-0.028, -0.01, 0.01, 0.028)  # of the width, from the middle


def demo_picture(width: int, height: int, seed: int) -> np.ndarray:
    """A picture of `height` rows and `width` columns, uint8 RGB."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width]
    across, down = x / width - DRAWN_MIDDLE, y / height
    picture = np.empty((height, width, 3), np.uint8)
    picture[:] = rng.integers(150, 225, 3)
    picture[down > 0.9] = rng.integers(90, 140, 3)  # the floor
    _paint(
        picture, _body(across, down, width / height), rng.integers((130, 70, 30), (175, 100, 55))
    )
    _paint(picture, (np.abs(across) < 0.05) & (down < 0.48), (40, 32, 30))  # the fingerboard
    tail = (np.abs(across) < 0.045) & (down > 0.78) & (down < 0.92)
    _paint(picture, tail, (40, 32, 30))
    leg = 0.075 + 0.15 * (down - DRAWN_BRIDGE)
    bridge = (np.abs(across) < leg) & (np.abs(down - DRAWN_BRIDGE) < 0.035)
    _paint(picture, bridge, (226, 198, 150))
    for place in DRAWN_STRINGS:
        line = (np.abs(across - place) < 0.6 / width) & (down < 0.8)
        _paint(picture, line, (235, 235, 230))
    return picture


def _body(across: np.ndarray, down: np.ndarray, shape: float) -> np.ndarray:
    """Two bouts of a body whose waist the bridge stands in."""
    upper = (across * shape / 0.30) ** 2 + ((down - 0.40) / 0.22) ** 2 < 1
    lower = (across * shape / 0.38) ** 2 + ((down - 0.76) / 0.25) ** 2 < 1
    return upper | lower


def _paint(picture: np.ndarray, where: np.ndarray, colour: object) -> None:
    picture[where] = colour
