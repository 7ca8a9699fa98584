"""What stands behind a stage: the modules, data and libraries that its digest covers."""

from __future__ import annotations

import sys

import pytest

import classfolder
import code_digest as code


def test_what_says_nothing_is_left_out(tmp_path):
    plain = "def f(x):\n    return x[1:]\n"
    same = (
        '"""Doc."""\n# remark\nfrom typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    import a\n'
        'def f(x):\n    """Doc."""\n\n    return (x[1:])  # remark\n'
    )
    other = plain.replace("1:", ":1")
    digests = []
    for text in ("from typing import TYPE_CHECKING\n" + plain, same, other, plain):
        path = tmp_path / f"{len(digests)}.py"
        path.write_text(text, encoding="utf-8")
        digests.append(code.module_of(path).digest)
    assert digests[0] == digests[1]
    assert len(set(digests[1:])) == 3


def test_a_stage_reaches_its_modules_data_and_numbers():
    measured = code.reached([code.SCRIPTS / "measure.py"])
    names = {path.relative_to(code.SCRIPTS).as_posix() for path in measured}
    assert {"measure.py", "pegmark/measure/take.py", "pegmark/signals/frames.py"} <= names
    assert not any("/publish/" in name or "/records/take" in name for name in names)
    segment = code.SCRIPTS / "pegmark" / "segment" / "notes.py"
    assert [path.name for path in code.data_of(segment)] == ["fitted.json"]
    sheet = code.SCRIPTS / "pegmark" / "render" / "sheet.py"
    assert {"sheet.css", "sheet.html.j2"} <= {path.name for path in code.data_of(sheet)}


@pytest.mark.parametrize("stage", classfolder.STAGES)
def test_every_library_that_a_stage_imports_is_locked(stage):
    modules = code.reached([code.SCRIPTS / f"{stage}.py"])
    names = {name.split(".")[0] for path in modules for name in code.module_of(path).imports}
    for name in names - {code.OUR_PACKAGE, *sys.stdlib_module_names}:
        assert code.locked([name]), f"{name} is not in {code.LOCK.name}"


def test_the_lock_says_what_a_library_needs():
    """WeasyPrint needs pydyf, and pydyf no other: from their own metadata."""
    from importlib.metadata import requires

    heads = [line.split("==")[0] for line in code.locked(["weasyprint"])]
    for line in requires("weasyprint"):
        if "extra ==" not in line:
            assert line.split("[")[0].split(">")[0].strip().lower() in heads
    assert "numpy" in [line.split("==")[0] for line in code.locked(["librosa"])]
    assert code.locked(["numpy"]) != []
    assert all(line.startswith("numpy==") for line in code.locked(["numpy"]))


def test_every_data_file_of_a_stage_is_in_its_digest():
    data = {
        path
        for script in (*classfolder.STAGES, "district")  # the page over many classes is no stage's
        for module in code.reached([code.SCRIPTS / f"{script}.py"])
        for path in code.data_of(module)
    }
    here = {
        path
        for path in (code.SCRIPTS / "pegmark").rglob("*.*")
        if path.suffix not in code.CODE_SUFFIXES and path.parent.name != "__pycache__"
    }
    assert here == data
