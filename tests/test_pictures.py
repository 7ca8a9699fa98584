"""The pictures of the strings' paths: valid, true to the record, readable without colour."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from conftest import cases
from lab import sheet_examples as examples
from pegmark.render import ink, pictures, string_path

BASELINES = Path(__file__).parent / "data" / "baselines"
SVG = "{http://www.w3.org/2000/svg}"
VIOLIN = examples.TABLE["violin"]
# A baseline may differ by this much, since fonts and rasterisers differ between machines: mean
# difference of a pixel, and the share of pixels that differ by more than a quarter of full scale.
MEAN_DIFFERENCE = 0.004
DIFFERENT_PIXELS = 0.005


def picture(
    record: dict[str, Any], name: str, rank: int = 0, **changes: Any
) -> ElementTree.Element:
    string = {**record["strings"][name], **changes}
    notes = [note for note in record["notes"] if note["string"] == name]
    home = string_path.home_of(record, name, VIOLIN)
    frame = string_path.frame_of(record)
    return ElementTree.fromstring(pictures.string_svg(string, notes, frame, home, rank))


def circles(svg: ElementTree.Element, radius: float) -> list[tuple[float, float]]:
    return [
        (float(c.get("cx", "nan")), float(c.get("cy", "nan")))
        for c in svg.iter(f"{SVG}circle")
        if float(c.get("r", "nan")) == radius
    ]


START, LEFT, UNSURE, BEAD = 4.2, 5.4, 7.0, 1.9  # radii of the marks


def test_a_picture_is_plain_self_contained_svg() -> None:
    svg = picture(examples.record(), "G3")
    assert {element.tag for element in svg.iter()} <= {
        f"{SVG}{tag}" for tag in ("svg", "path", "circle", "text")
    }
    attributes = {key for element in svg.iter() for key in element.attrib}
    assert not attributes & {"id", "style", "class", "href", "onload"}
    assert svg.get("viewBox") == f"0 0 {string_path.PATH_WIDTH:g} {string_path.HIGH:g}"


def test_nothing_untrusted_reaches_the_svg() -> None:
    record = examples.record()
    evil = '"/><script>alert(1)</script>'
    for note in record["notes"]:
        note["role"] = evil
    record["strings"]["G3"]["kind"] = evil
    assert "script" not in ElementTree.tostring(picture(record, "G3"), encoding="unicode")


def test_home_is_the_middle_and_high_is_up() -> None:
    frame = string_path.Frame(0, 10, 120)
    assert frame.y(0) == frame.height / 2
    heights = [frame.y(c) for c in (-120, -50, -8, -3, -1, 0, 1, 3, 8, 50, 120)]
    assert heights == sorted(heights, reverse=True)
    assert frame.y(500) == frame.y(120) > 0
    assert frame.y(7) - frame.y(0) == pytest.approx(frame.y(0) - frame.y(-7))


def test_what_decides_is_drawn_to_scale_and_wide() -> None:
    """Linear to 20 cents, over seven tenths of the height at least, also beside a start at -95."""
    for height in (72.0, 54.0):
        frame = string_path.frame_of(examples.record(), height)
        pixels = [frame.y(-cents) - frame.y(0) for cents in range(21)]
        assert np.diff(pixels) == pytest.approx(pixels[1], abs=1e-9)
        assert 2 * pixels[20] > 0.6 * height
        assert frame.y(-20.1) - frame.y(-20) >= string_path.PATH_BREAK  # the break
    near = string_path.Frame(0, 10, 20)
    assert near.y(-20) == near.height - string_path.PATH_EDGE  # nothing beyond: the whole height


def test_what_lies_beyond_is_torn_off_and_has_its_number() -> None:
    record = examples.record()  # A from -62, D from +24, G from -95; none left beyond
    for name, number in (("A4", "\u221262"), ("D4", "+24"), ("G3", "\u221295")):
        svg = picture(record, name)
        assert number in [text.text for text in svg.iter(f"{SVG}text")]
        assert "beyond" in kinds_drawn(svg)
    far = picture(record, "A4", deviation_cents=-40.0, verdict="out")
    assert "\u221240" in [text.text for text in far.iter(f"{SVG}text")]
    record["notes"] = []
    assert "beyond" not in kinds_drawn(picture(record, "A4", start_cents=-15.0, moves=[]))


def test_a_pure_interval_has_a_line_of_its_own() -> None:
    """G of a violin in pure fifths from A: -3.910 cents (calculated)."""
    record = examples.record()
    frame = string_path.frame_of(record)
    lines = [p.get("d", "") for p in picture(record, "G3").iter(f"{SVG}path")
             if p.get("stroke-dasharray") == "9 3"]  # fmt: skip
    assert len(lines) == 1
    height = float(lines[0].split()[1].split("H")[0])
    assert height == pytest.approx(frame.y(-3.910), abs=0.01)
    assert "pure" not in kinds_drawn(picture(record, "A4"))


def test_time_runs_from_left_to_right() -> None:
    frame = string_path.Frame(5, 50, 60)
    assert frame.x(5) < frame.x(20) < frame.x(50) < string_path.PATH_WIDTH - string_path.REST / 2


def test_the_path_starts_turns_and_ends_where_the_record_says() -> None:
    record = examples.record()
    frame, string = string_path.frame_of(record), record["strings"]["G3"]
    corners = string_path.path_points(string, frame, 32.6)
    assert [(round(t, 1), c) for t, c, _ in corners] == [
        (32.6, -95), (34.0, -95), (34.6, 12), (38.4, 12), (39.0, -9.4),
    ]  # fmt: skip
    assert [how for *_, how in corners[1:]] == [True, False, True, True]
    svg = picture(record, "G3")
    assert circles(svg, START) == [
        (pytest.approx(frame.x(32.6), abs=0.01), pytest.approx(frame.y(-95), abs=0.01))
    ]
    assert circles(svg, LEFT)[0][1] == pytest.approx(frame.y(-9.4), abs=0.01)


def test_every_pluck_has_its_bead_at_its_own_pitch() -> None:
    record = examples.record()
    frame = string_path.frame_of(record)
    plucks = [n for n in record["notes"] if n["string"] == "D4" and n["kind"] == "plucked"]
    beads = circles(picture(record, "D4"), BEAD)
    assert len(plucks) > 5
    assert beads == [
        (
            pytest.approx(frame.x(n["start_s"]), abs=0.01),
            pytest.approx(frame.y(n["deviation_cents"]), abs=0.01),
        )
        for n in plucks
    ]


def dashes(svg: ElementTree.Element) -> set[str]:
    """The dash patterns of the path itself."""
    return {
        p.get("stroke-dasharray", "through")
        for p in svg.iter(f"{SVG}path")
        if p.get("stroke") == ink.INK and p.get("stroke-width") == "2.1"
    }


def kinds_drawn(svg: ElementTree.Element) -> set[str]:
    """What a picture really holds, read from its shapes."""
    paths = list(svg.iter(f"{SVG}path"))
    widths = {p.get("stroke-width") for p in paths if p.get("stroke") == ink.INK}
    texts = [text.text or "" for text in svg.iter(f"{SVG}text")]
    return {
        kind
        for kind, there in {
            "start": circles(svg, START),
            "pluck": circles(svg, BEAD),
            "bow": "3.6" in widths,
            "silent": "4.5 3" in dashes(svg),
            "unheard": "1.4 2.6" in dashes(svg),
            "size": any(re.fullmatch(r"\+(4[5-9]|[5-9]\d|\d{3})", t) for t in texts),
            "sure_number": any(t.startswith("±") for t in texts),
            "beyond": any("l5 -2" in p.get("d", "") for p in paths),
            "pure": any(p.get("stroke-dasharray") == "9 3" for p in paths),
            "left": circles(svg, LEFT),
            "sure": "1.3" in widths,
            "unsure": circles(svg, UNSURE),
            "nothing": "?" in texts and not circles(svg, UNSURE),
            "in_tune": any(p.get("stroke") == ink.STROKES for p in paths),
            "close": any(p.get("stroke-dasharray") == "1.1 4.4" for p in paths),
        }.items()
        if there
    }  # fmt: skip


def test_every_kind_in_the_pictures_stands_in_the_key() -> None:
    """And nothing else; "sounding" is drawn like a level, so it is told from the record."""
    unheard = examples.record()
    unheard["strings"]["A4"] |= {"deviation_cents": -40.0, "verdict": "out"}
    bowed = examples.record()
    bowed["notes"] = [note for note in bowed["notes"] if note["kind"] == "bowed"]
    calm = examples.record(notes=[])
    for string in calm["strings"].values():
        string |= {"moves": [], "start_cents": 0.2, "deviation_cents": 0.2}
    for record in (examples.record(), examples.bass(), unheard, bowed, calm):
        drawn = {"sounding"} if any(m["sounding"] for s in record["strings"].values()
                                    for m in s["moves"]) else set()  # fmt: skip
        for name in record["strings"]:
            drawn |= kinds_drawn(picture(record, name))
        shown = pictures.kinds_shown(record, VIOLIN)
        assert set(shown) == drawn
        assert shown == [kind for kind in pictures.PICTURE_KINDS if kind in drawn]


def test_the_key_draws_each_kind_as_the_pictures_do() -> None:
    for kind in pictures.PICTURE_KINDS:
        drawn = kinds_drawn(ElementTree.fromstring(pictures.key_svg(kind)))
        assert kind in drawn | {"sounding"}


@pytest.mark.parametrize("rise", [45, 120, 280, 460])
@pytest.mark.parametrize("height", [54.0, 68.0, 72.0])
def test_labels_stay_inside_and_clear_of_what_is_drawn(rise: float, height: float) -> None:
    """Digits reach a letter's capital height over their base line: 0.72 of the font's size."""
    record = examples.record()
    record["strings"]["A4"] |= examples.string([-480, -480 + rise, 0], [7, 12], 440)
    frame = string_path.frame_of(record, height)
    home = string_path.home_of(record, "A4", VIOLIN)
    notes = [note for note in record["notes"] if note["string"] == "A4"]
    string = record["strings"]["A4"]
    svg = ElementTree.fromstring(pictures.string_svg(string, notes, frame, home, rank=1))
    largest = max(m["to_cents"] - m["from_cents"] for m in string["moves"])
    texts = {t.text: t for t in svg.iter(f"{SVG}text")}
    beads = [*circles(svg, BEAD), *circles(svg, START), *circles(svg, LEFT)]
    boxes = []
    for label in (f"+{largest:.0f}", "\u2212480"):
        base, x = float(texts[label].get("y", "nan")), float(texts[label].get("x", "nan"))
        top, right = base - 0.72 * pictures.TEXT, x + 0.6 * pictures.TEXT * len(label)
        assert 0 <= top < base <= height
        assert string_path.PATH_LEFT <= x < right <= string_path.PATH_WIDTH - string_path.REST + 1
        assert not [at for at in beads if x < at[0] < right and top < at[1] < base]
        boxes.append((x, top, right, base))
    (a, b, c, d), (e, f, g, h) = boxes
    assert c <= e or g <= a or d <= f or h <= b  # nor do they lie on each other


def test_silent_turns_are_broken_and_unknown_ones_dotted() -> None:
    record = examples.record()
    assert dashes(picture(record, "A4")) == {"through"}
    assert dashes(picture(record, "G3")) == {"through", "4.5 3"}
    slipped = {**record["strings"]["A4"], "deviation_cents": -40.0}
    assert "1.4 2.6" in dashes(picture(record, "A4", **slipped))


@pytest.mark.parametrize(("half", "height"), [(0.8, 72.0), (2.5, 72.0), (6.0, 72.0), (6.0, 54.0)])
def test_the_doubt_can_always_be_read(half: float, height: float) -> None:
    """A bar as long as the doubt, if that is 2 mm (7.56 CSS pixels) or more; else its number."""
    record = examples.record()
    frame = string_path.frame_of(record, height)
    string = {**record["strings"]["A4"], "uncertainty_cents": half}
    home = string_path.home_of(record, "A4", VIOLIN)
    svg = pictures.string_svg(string, [], frame, home, 1)
    top, bottom = frame.y(0.4 + half), frame.y(0.4 - half)
    bar = f"{ink.place(top)}V{ink.place(bottom)}"
    assert (bar in svg) is (bottom - top >= 7.6)
    assert (f">±{half}<" in svg) is (bottom - top < 7.6)


def test_unknown_is_never_drawn_as_in_tune() -> None:
    record = examples.record()
    nothing = {"deviation_cents": None, "uncertainty_cents": None, "start_cents": None, "moves": []}
    svg = picture(record, "E5", **nothing, verdict="not_heard")
    assert not circles(svg, LEFT)
    assert not circles(svg, START)
    assert "?" in [text.text for text in svg.iter(f"{SVG}text")]
    unsure = picture(record, "E5", verdict="unsure")
    assert not circles(unsure, LEFT)
    assert circles(unsure, UNSURE)


def test_the_band_reaches_from_equal_to_pure() -> None:
    """Pure targets from A: E5 +1.955, D4 -1.955, G3 -3.910 cents (calculated: just fifths)."""
    record = examples.record()
    bands = {name: string_path.home_of(record, name, VIOLIN).in_tune for name in VIOLIN.strings}
    assert bands["A4"] == (-3, 3)
    assert bands["E5"] == (-3, pytest.approx(4.955, abs=1e-3))
    assert bands["D4"] == (pytest.approx(-4.955, abs=1e-3), 3)
    assert bands["G3"] == (pytest.approx(-6.910, abs=1e-3), 3)
    record["reference"]["temperament"] = "pure"
    assert string_path.home_of(record, "G3", VIOLIN).in_tune == (-3, pytest.approx(6.910, abs=1e-3))
    record["tolerances"]["A4"] = {"in_tune_cents": 5, "close_cents": 12}
    assert string_path.home_of(record, "A4", VIOLIN) == string_path.Home(
        0, (-5, 5), (-12, 12), (0, 0)
    )


def test_where_the_score_says_where_home_is_the_picture_follows() -> None:
    """Tuned by ear to an A of 442 Hz (+7.851 cents, calculated), a string at +7.9 is at home."""
    record = examples.record()
    a_string = record["strings"]["A4"]
    a_string |= {"home_cents": [7.851, 7.851], "deviation_cents": 7.9}
    home = string_path.home_of(record, "A4", VIOLIN)
    assert home == string_path.Home(7.851, (-3, 3), (-8, 8))
    assert string_path.from_home(a_string, home)["deviation_cents"] == pytest.approx(0.049)
    frame = string_path.frame_of(record)
    assert circles(picture(record, "A4"), LEFT)[0][1] == pytest.approx(frame.y(0.049), abs=0.01)


def test_thicker_strings_have_thicker_lines() -> None:
    record = examples.record()

    def thickness(rank: int) -> float:
        svg = picture(record, "A4", rank)
        return max(
            float(p.get("stroke-width", "0"))
            for p in svg.iter(f"{SVG}path")
            if p.get("stroke") == ink.VARNISH
        )

    assert thickness(0) < thickness(1) < thickness(2) < thickness(3)


def contrast(colour: str) -> float:
    """Contrast against white by WCAG 2.2, "relative luminance" and "contrast ratio"."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return 1.05 / (luminance + 0.05)


def test_contrasts() -> None:
    """WCAG 2.2: text 4.5:1 (1.4.3), graphics 3:1 (1.4.11)."""
    assert contrast("#767676") == pytest.approx(4.54, abs=0.01)  # the usual example of 4.5:1
    assert contrast(ink.INK) >= 4.5
    for colour in (ink.VARNISH, ink.STROKES, ink.PALE):
        assert contrast(colour) >= 3


def test_points_are_rings_filled_by_their_share() -> None:
    def fills(points: float | None, of: float) -> list[str | None]:
        svg = ElementTree.fromstring(pictures.points_svg(points, of))
        return [c.get("fill") for c in svg.iter(f"{SVG}circle")]

    white = "#ffffff"
    assert fills(3, 4) == [ink.INK] * 3 + [white]
    assert fills(0, 1) == [white]
    assert fills(None, 2) == ["none", "none"]
    two_sure = ElementTree.fromstring(pictures.points_svg(2, 4, 1))
    assert fills(2, 4) == [ink.INK] * 2 + [white] * 2
    assert [c.get("fill") for c in two_sure.iter(f"{SVG}circle")] == [
        ink.INK, ink.INK, white, "none",
    ]  # fmt: skip
    half_sure = ElementTree.fromstring(pictures.points_svg(2.5, 4, 1.5))
    assert [c.get("fill") for c in half_sure.iter(f"{SVG}circle")] == [
        ink.INK, ink.INK, white, "none",
    ]  # fmt: skip
    assert "path" in pictures.points_svg(0.5, 1)
    assert len(fills(20, 40)) == pictures.MOST_RINGS


cents = st.one_of(st.none(), st.floats(-5000, 5000))


@st.composite
def any_strings(draw: Any) -> dict[str, Any]:
    move = st.fixed_dictionaries(
        {
            "start_s": st.floats(0, 1200),
            "end_s": st.floats(0, 1200),
            "from_cents": st.floats(-3000, 3000),
            "to_cents": st.floats(-3000, 3000),
            "sounding": st.sampled_from([True, False, None]),
        }
    )
    return draw(
        st.fixed_dictionaries(
            {
                "start_cents": cents,
                "deviation_cents": cents,
                "uncertainty_cents": st.one_of(st.none(), st.floats(0, 300)),
                "at_s": st.one_of(st.none(), st.floats(0, 1200)),
                "moves": st.lists(move, max_size=5),
                "verdict": st.sampled_from(["in_tune", "close", "out", "not_heard", "unsure"]),
            }
        )
    )


@cases(60)
@given(any_strings(), st.floats(0, 1200))
def test_any_record_gives_a_picture_inside_its_frame(string: dict[str, Any], at_s: float) -> None:
    note = {
        "start_s": at_s,
        "end_s": at_s + 1,
        "kind": "plucked",
        "string": "A4",
        "deviation_cents": string["deviation_cents"],
    }
    record = {**examples.record(), "strings": {"A4": string}, "notes": [note]}
    frame = string_path.frame_of(record)
    home = string_path.home_of(record, "A4", VIOLIN)
    svg = ElementTree.fromstring(pictures.string_svg(string, [note], frame, home, 1))
    for circle in svg.iter(f"{SVG}circle"):
        assert 0 <= float(circle.get("cx", "nan")) <= string_path.PATH_WIDTH
        assert 0 <= float(circle.get("cy", "nan")) <= frame.height
    for path in svg.iter(f"{SVG}path"):
        assert not re.search("nan|inf", str(path.get("d")))
    assert ElementTree.fromstring(pictures.axis_svg(frame)).tag == f"{SVG}svg"


def test_the_time_line_has_few_and_round_marks() -> None:
    for start, end in ((0, 12), (4, 57), (0, 240), (10, 1200)):
        svg = ElementTree.fromstring(pictures.axis_svg(string_path.Frame(start, end, 60)))
        labels = [text.text for text in svg.iter(f"{SVG}text")]
        assert 3 <= len(labels) <= 9
        assert len(set(labels)) == len(labels)


def raster(html: str, tmp_path: Path, dpi: int) -> Image.Image:
    """The first page of `html` as a grey image."""
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm is missing: apt-get install poppler-utils")
    from weasyprint import HTML

    pdf = tmp_path / "page.pdf"
    HTML(string=html).write_pdf(pdf)
    return raster_pdf(pdf, tmp_path, dpi)


def raster_pdf(pdf: Path, tmp_path: Path, dpi: int) -> Image.Image:
    target = tmp_path / "page"
    command = ["pdftoppm", "-gray", "-png", "-r", str(dpi), "-singlefile", pdf, target]
    subprocess.run(command, check=True)
    return Image.open(tmp_path / "page.png").convert("L")


def difference(image: Image.Image, baseline: Image.Image) -> tuple[float, float]:
    """(mean difference of a pixel, share of pixels that differ by more than a quarter)."""
    assert image.size == baseline.size
    apart = np.abs(np.asarray(image, float) - np.asarray(baseline, float)) / 255
    return float(apart.mean()), float((apart > 0.25).mean())


def strip(record: dict[str, Any]) -> str:
    """All pictures of a record on one page."""
    frame = string_path.frame_of(record)
    svgs = []
    for rank, (name, string) in enumerate(record["strings"].items()):
        notes = [note for note in record["notes"] if note["string"] == name]
        home = string_path.home_of(record, name, VIOLIN)
        svgs.append(pictures.string_svg(string, notes, frame, home, rank))
    svgs += [pictures.axis_svg(frame), pictures.points_svg(3.5, 4), pictures.points_svg(None, 2)]
    body = "".join(f"<div>{svg}</div>" for svg in svgs)
    size = "@page { size: 480px 380px; margin: 8px } svg { display: block }"
    return f"<style>{size}</style>{body}"


def test_the_pictures_look_as_they_did(tmp_path: Path) -> None:
    """Compared with tests/data/baselines/paths.png; tests/make_baselines.py makes it anew."""
    baseline = Image.open(BASELINES / "paths.png")
    mean, share = difference(raster(strip(examples.record()), tmp_path, 96), baseline)
    assert mean < MEAN_DIFFERENCE
    assert share < DIFFERENT_PIXELS


def test_the_tolerance_sees_one_string_left_elsewhere(tmp_path: Path) -> None:
    record = examples.record()
    record["strings"]["E5"]["moves"] = []
    record["strings"]["E5"]["start_cents"] = -20.0
    record["strings"]["E5"]["deviation_cents"] = -20.0
    baseline = Image.open(BASELINES / "paths.png")
    mean, share = difference(raster(strip(record), tmp_path, 96), baseline)
    assert mean > MEAN_DIFFERENCE or share > DIFFERENT_PIXELS
