"""What people install: a wheel that holds the made page and everything else the package reads, and needs no Node."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

import pytest

from tests.shared import shared

ROOT = Path(__file__).resolve().parents[1]

READ_AT_RUN_TIME = (
    "workbench/page/dist/page.html",
    "workbench/page/dist/page.js",
    "workbench/page/dist/page.css",
    "workbench/page/dist/viewer.js",
    "recon/segmentation/network.onnx",
    "recon/segmentation/network_mr.onnx",
    "estimator/batch/batch.cu",
    "estimator/batch/coarse.cu",
    "workbench/report/report.css",
    "workbench/sheet/theatre_sheet.css",
)


@shared
def _packed() -> dict[str, bytes]:
    """Built once for all workers: two builds at a time would meet in one folder."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "pip", "wheel", "--no-deps", "--no-build-isolation", "-w", folder, str(ROOT)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        (wheel,) = Path(folder).glob("*.whl")
        with zipfile.ZipFile(wheel) as archive:
            return {name: archive.read(name) for name in archive.namelist()}


@pytest.fixture(scope="module")
def packed() -> dict[str, bytes]:
    return _packed()


def test_the_wheel_holds_what_is_read_at_run_time(packed):
    assert [name for name in READ_AT_RUN_TIME if not packed.get(f"canalwise/{name}")] == []
    lessons = {path.name for path in (ROOT / "workbench" / "teaching" / "lessons").glob("*.toml")}
    assert lessons == {Path(name).name for name in packed if name.startswith("canalwise/workbench/teaching/lessons/")}


def test_the_wheel_holds_every_module_and_no_sources_of_the_page(packed):
    modules = {
        f"canalwise/{p.relative_to(ROOT).as_posix()}"
        for f in ("recon", "estimator", "workbench", "phantoms")
        for p in (ROOT / f).rglob("*.py")
        if "node_modules" not in p.parts
    }
    assert modules <= packed.keys()
    assert not [name for name in packed if name.endswith(".ts") or "node_modules" in name]


def test_the_page_asks_for_nothing_from_elsewhere(packed):
    markup = packed["canalwise/workbench/page/dist/page.html"].decode()
    assert "://" not in markup.replace("http://www.w3.org", "")
    style = packed["canalwise/workbench/page/dist/page.css"].decode()
    assert "url(http" not in style
    assert "@import" not in style
