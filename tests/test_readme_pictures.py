"""The README's pictures show the pages as they are."""

from __future__ import annotations

import json
import re

from PIL import Image

from conftest import ROOT
from lab.make_pictures import PICTURES, digest


def test_the_pictures_are_not_stale():
    made_from = json.loads((PICTURES / "made_from.json").read_text(encoding="utf-8"))
    assert made_from["looks"] == digest(), "run scripts/lab/make_pictures.py on the graded demo"


def test_every_picture_of_the_readme_is_there_and_can_be_read():
    shown = re.findall(r"\((demo_inputs/pictures/[^)]+)\)", (ROOT / "README.md").read_text("utf-8"))
    assert shown
    for path in shown:
        with Image.open(ROOT / path) as picture:
            assert min(picture.size) > 300
