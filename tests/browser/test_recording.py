"""What is saved of the pictures can be shown elsewhere: a still, and a video of the steps."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.browser.rehearsal import LONG_WAIT_MS, Rehearsal

pytestmark = pytest.mark.xdist_group("browser")

SIZE = (1280, 620)
"""Pixels of both."""

LEAST_FRAMES, LEAST_S = 30, 2.0
"""Of a video of some sixty pictures, of which a busy machine may film some twice or not at all."""


def saved_by(page: Rehearsal, name: str, path: Path) -> Path:
    """What a button of the time line saves."""
    with page.page.expect_download(timeout=LONG_WAIT_MS) as download:
        page.page.get_by_role("group", name="Steps of the operation").get_by_role("button", name=name).click()
    download.value.save_as(path)
    return path


def test_a_still_holds_scene_lens_and_words(at_start: Rehearsal, tmp_path: Path) -> None:
    with Image.open(saved_by(at_start.drawn(), "Still", tmp_path / "still.png")) as picture:
        assert picture.size == SIZE
        pixels = np.asarray(picture.convert("L"), dtype=float)
    scene, lens, words = pixels[:524, :700], pixels[:524, 780:], pixels[530:]
    for part in (scene, lens, words):
        assert part.std() > 10.0


def test_a_video_of_the_steps_plays_elsewhere(at_start: Rehearsal, tmp_path: Path) -> None:
    path = saved_by(at_start.drawn(), "Video", tmp_path / "steps.webm")
    assert path.read_bytes()[:4] == bytes.fromhex("1A45DFA3"), "every WebM begins so"
    probe = shutil.which("ffprobe")
    if probe is None:
        pytest.skip("no ffprobe on this machine; install the package 'ffmpeg' to see whether others can play it")
    asked = ["-v", "error", "-count_frames", "-show_entries", "stream=codec_name,width,height,nb_read_frames"]
    done = subprocess.run([probe, *asked, "-show_entries", "format=duration", "-of", "json", path],
                          capture_output=True, text=True, check=True)  # fmt: skip
    assert done.stderr == ""
    found = json.loads(done.stdout)
    (stream,) = found["streams"]
    assert stream["codec_name"] in ("vp8", "vp9")
    assert (stream["width"], stream["height"]) == SIZE
    assert int(stream["nb_read_frames"]) >= LEAST_FRAMES
    assert float(found["format"]["duration"]) >= LEAST_S, "a player that is not told how long it is cannot be scrubbed"
