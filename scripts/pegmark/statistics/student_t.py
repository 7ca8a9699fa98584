"""Student's t and the normal distribution: the factors behind 95 % intervals."""

from __future__ import annotations

NORMAL_95 = 1.959964  # half-width of a 95 % interval in standard deviations


def student_95(freedom: float) -> float:
    """The two-sided 95 % point of Student's t with `freedom` degrees of freedom (1 or more).

    Exact for 1 and 2; else the expansion about the normal point (Abramowitz & Stegun 26.7.5),
    within 0.2 % from 3 on.
    """
    if freedom < 1:
        raise ValueError(f"Student's t needs 1 degree of freedom or more, got {freedom}")
    if freedom == 1:
        return 12.7062
    if freedom == 2:
        return 4.30265
    x = NORMAL_95
    g1 = (x**3 + x) / 4
    g2 = (5 * x**5 + 16 * x**3 + 3 * x) / 96
    g3 = (3 * x**7 + 19 * x**5 + 17 * x**3 - 15 * x) / 384
    g4 = (79 * x**9 + 776 * x**7 + 1482 * x**5 - 1920 * x**3 - 945 * x) / 92160
    return x + g1 / freedom + g2 / freedom**2 + g3 / freedom**3 + g4 / freedom**4
