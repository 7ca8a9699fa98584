"""Shapes of the pictures as SVG text: lines, dots, strokes, letters."""

from __future__ import annotations

import math

INK = "#1f2733"  # text and path; 15:1 on white
VARNISH = "#7d4a26"  # the home line and its strokes; 7:1 on white
STROKES = "#9a7558"  # the strokes of the in-tune band; 4:1 on white, lighter than the path
PALE = "#8c8279"  # rulers: 3.8:1 on white
FONT = "Noto Sans, DejaVu Sans, sans-serif"
TEXT = 10.8  # px of the smallest letters: 8 points where a sheet's picture is narrowest (A4)
STROKE_STEP = 4.8  # px between the strokes of the in-tune band
TOOTH = 10.0  # px of one tooth of a tear


def filled_part(x: float, y: float, r: float, share: float) -> str:
    """The part of a ring from its left edge that covers `share` of its width."""
    edge = -r + 2 * r * share
    half = math.sqrt(r * r - edge * edge)
    large = 1 if share > 0.5 else 0
    return (
        f'<path d="M{place(x + edge)} {place(y - half)}A{r} {r} 0 {large} 0 {place(x + edge)} '
        f'{place(y + half)}Z" fill="{INK}"/>'
    )


def beads(places: list[tuple[float, float]]) -> str:
    return "".join(
        f'<circle cx="{place(x)}" cy="{place(y)}" r="1.9" fill="{INK}"/>' for x, y in places
    )


def bows(places: list[tuple[float, float, float]]) -> str:
    d = "".join(f"M{place(x0)} {place(y)}H{place(x1)}" for x0, x1, y in places)
    return f'<path d="{d}" fill="none" stroke="{INK}" stroke-width="3.6"/>' if d else ""


def nothing(x: float, y: float, size: float) -> list[str]:
    """A string that was not heard: a question in place of its path."""
    blank = f'<circle cx="{place(x)}" cy="{place(y)}" r="{size * 0.64:.3g}" fill="#ffffff"/>'
    return [blank, text(x, y + size * 0.36, "?", size, "middle")]


def unsure(x: float, y: float) -> str:
    """In the place of the filled dot where the machine would not stake a grade on it."""
    ring = f'<circle cx="{place(x)}" cy="{place(y)}" r="7" fill="#ffffff" stroke="{INK}" '
    dashes = 'stroke-width="1.2" stroke-dasharray="1.6 2"/>'
    return ring + dashes + text(x, y + 3.8, "?", 11, "middle")


def start(x: float, y: float) -> str:
    return (
        f'<circle cx="{place(x)}" cy="{place(y)}" r="4.2" fill="#ffffff" stroke="{INK}" '
        'stroke-width="1.6"/>'
    )


def dot(x: float, y: float) -> str:
    return (
        f'<circle cx="{place(x)}" cy="{place(y)}" r="5.4" fill="{INK}" stroke="#ffffff" '
        'stroke-width="1.2"/>'
    )


def whisker(x: float, top: float, bottom: float) -> str:
    caps = "".join(f"M{place(x - 3)} {place(y)}h6" for y in (top, bottom))
    d = f"{caps}M{place(x)} {place(top)}V{place(bottom)}"
    return (
        f'<path d="{d}" fill="none" stroke="#ffffff" stroke-width="3.4"/>'
        f'<path d="{d}" fill="none" stroke="{INK}" stroke-width="1.3"/>'
    )


def strokes(x0: float, x1: float, top: float, bottom: float) -> str:
    count = int((x1 - x0) / STROKE_STEP)
    d = "".join(
        f"M{place(x0 + (i + 0.5) * STROKE_STEP)} {place(top)}V{place(bottom)}" for i in range(count)
    )
    return f'<path d="{d}" fill="none" stroke="{STROKES}" stroke-width="0.8"/>'


def dots(x0: float, x1: float, y: float) -> str:
    return (
        f'<path d="M{place(x0)} {place(y)}H{place(x1)}" fill="none" stroke="{VARNISH}" '
        'stroke-width="1.1" stroke-dasharray="1.1 4.4"/>'
    )


def dashes(x0: float, x1: float, y: float) -> str:
    """A thin line in long dashes: a second pitch that counts as right."""
    return (
        f'<path d="M{place(x0)} {place(y)}H{place(x1)}" fill="none" stroke="{VARNISH}" '
        'stroke-width="0.9" stroke-dasharray="9 3"/>'
    )


def tear(x0: float, x1: float, y: float, width: float) -> str:
    """A strip torn out of the picture about the height `y`: what lies beyond is not to scale."""
    count = int((x1 - x0) / TOOTH)
    over = "".join(f"l{TOOTH / 2:g} -2l{TOOTH / 2:g} 2" for _ in range(count))
    back = "".join(f"l-{TOOTH / 2:g} -2l-{TOOTH / 2:g} 2" for _ in range(count))
    top, low = y - width / 2, y + width / 2
    edge = x0 + count * TOOTH
    strip = f"M{place(x0)} {place(top)}{over}V{place(low)}{back}Z"
    edges = f"M{place(x0)} {place(top)}{over}M{place(edge)} {place(low)}{back}"
    return (
        f'<path d="{strip}" fill="#ffffff"/>'
        f'<path d="{edges}" fill="none" stroke="{PALE}" stroke-width="0.8"/>'
    )


def stroke(points: list[tuple[float, float]], sounding: bool | None) -> str:
    dash = {True: "", False: "4.5 3", None: "1.4 2.6"}[sounding]
    return polyline(points, INK, 2.1, dash)


def polyline(points: list[tuple[float, float]], colour: str, width: float, dash: str) -> str:
    d = "M" + "L".join(f"{place(x)} {place(y)}" for x, y in points)
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<path d="{d}" fill="none" stroke="{colour}" stroke-width="{width}" '
        f'stroke-linejoin="round"{dashes}/>'
    )


def line(x0: float, y0: float, x1: float, y1: float, colour: str, width: float) -> str:
    return (
        f'<path d="M{place(x0)} {place(y0)}L{place(x1)} {place(y1)}" fill="none" stroke="{colour}" '
        f'stroke-width="{width:g}"/>'
    )


def text(x: float, y: float, text: str, size: float, anchor: str = "start") -> str:
    return (
        f'<text x="{place(x)}" y="{place(y)}" font-family="{FONT}" font-size="{size:g}" '
        f'text-anchor="{anchor}" fill="{INK}">{text}</text>'
    )


def backed(x: float, y: float, width: float, words: str, size: float) -> str:
    """A text on a patch of white paper, so that no line runs through its letters."""
    box = f"M{place(x - 1)} {place(y + 1)}v{place(-size + 1)}h{place(width + 2)}V{place(y + 1)}Z"
    return f'<path d="{box}" fill="#ffffff"/>' + text(x, y, words, size)


def svg(width: float, height: float, parts: list[str]) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{height:g}" '
        f'viewBox="0 0 {width:g} {height:g}">{"".join(parts)}</svg>'
    )


def place(value: float) -> str:
    """A coordinate with two decimals at most."""
    return f"{value:.2f}".rstrip("0").rstrip(".")
