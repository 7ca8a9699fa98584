"""Student's t and the normal distribution: the factors behind 95 % intervals."""

from __future__ import annotations

import math

NORMAL_95 = 1.959964  # half-width of a 95 % interval in standard deviations


def student_95(freedom: float) -> float:
    """The two-sided 95 % point of Student's t with `freedom` degrees of freedom (1 or more).

    Hill's closed form (1970, CACM algorithm 396: from memory) for any number of degrees of
    freedom, whole or not. Exact for 1 and 2, within 0.005 % from 2 on, between 1 and 2 up to 5 %
    too wide.

    Raises ValueError for less than 1.
    """
    if freedom < 1:
        raise ValueError(f"Student's t needs 1 degree of freedom or more, got {freedom}")
    if freedom == 1:
        return 1 / math.tan(math.pi * 0.05 / 2)
    if freedom == 2:
        return math.sqrt(2 / (0.05 * 1.95) - 2)
    a = 1 / (freedom - 0.5)
    b = 48 / a**2
    c = ((20700 * a / b - 98) * a - 16) * a + 96.36
    d = ((94.5 / (b + c) - 3) / b + 1) * math.sqrt(a * math.pi / 2) * freedom
    y = (d * 0.05) ** (2 / freedom)
    if y > 0.05 + a:  # about the normal point
        x = -NORMAL_95
        y = x * x
        c += 0.3 * (freedom - 4.5) * (x + 0.6) if freedom < 5 else 0.0
        c += (((0.05 * d * x - 5) * x - 7) * x - 2) * x + b
        y = (((((0.4 * y + 6.3) * y + 36) * y + 94.5) / c - y - 3) / b + 1) * x
        y = math.expm1(a * y * y)
    else:  # about the tail
        tail = 1 / (((freedom + 6) / (freedom * y) - 0.089 * d - 0.822) * (freedom + 2) * 3)
        y = ((tail + 0.5 / (freedom + 4)) * y - 1) * (freedom + 1) / (freedom + 2) + 1 / y
    return math.sqrt(freedom * y)
