"""The picture for pages that cannot draw solids: a PNG of the plan, with what goes painted or gone."""

from __future__ import annotations

import base64
import io
import json
from dataclasses import asdict

import numpy as np
import pytest
from PIL import Image

from canalwise.estimator.level.target_names import NAMES
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.errors import WrongUse
from canalwise.workbench.rehearsal.handlers import picture as ask_picture
from canalwise.workbench.rehearsal.session.messages import read_as
from canalwise.workbench.rehearsal.session.request import RequestJob
from canalwise.workbench.style.palette import REMOVED, rgb_frac
from tests.workbench import toy
from tests.workbench.rehearsal import balls


@pytest.fixture(autouse=True)
def _coarse(monkeypatch):
    monkeypatch.setattr(ask_picture, "PIXEL_MM", 0.4)


def drawn(view, side="left", task=NAMES):
    """The pixels a page is answered with."""
    plan = asdict(default_approach(toy.anatomy(), "L3-L4", side))
    fields = json.loads(json.dumps({"plan": plan, "task": list(task), "view": view}))
    ask = ask_picture.ASKS["picture"]
    reported = ask.answer(balls.session_of(toy.anatomy(), toy.scan()), read_as(ask.message, fields), RequestJob())[
        "png"
    ]
    kind, _, content = reported.partition(",")
    assert kind == "data:image/png;base64"
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(content))))


def painted(pixels):
    """How many pixels have the hue of bone that goes."""
    unit = pixels / np.maximum(np.linalg.norm(pixels.astype(float), axis=-1, keepdims=True), 1.0)
    want = np.array(rgb_frac(REMOVED))
    return int((unit @ (want / np.linalg.norm(want)) > 0.985).sum())


def test_bone_that_goes_is_painted_before_and_gone_afterwards():
    before, after = drawn("planned"), drawn("afterwards")
    assert before.shape == after.shape == (240, 240, 3)
    assert painted(before) > 20
    assert painted(after) == 0
    assert (before != after).any()


def test_what_is_painted_is_the_task_that_was_requested():
    """The near wall is reached through the open window, the near recess only through bone."""
    wall, recess = (drawn("planned", task=(name,)) for name in ("ipsilateral canal wall", "ipsilateral recess"))
    assert painted(wall) < 5 < painted(recess)


def test_picture_is_taken_from_the_side_of_the_entry():
    left, right = drawn("afterwards", "left"), drawn("afterwards", "right")
    shapes = [(picture != 255).any(axis=-1) for picture in (left, right[:, ::-1])]
    assert (shapes[0] != shapes[1]).mean() < 0.05
    assert ((left != 255).any(axis=-1) != (right != 255).any(axis=-1)).mean() > 0.05


def test_other_views_are_refused():
    with pytest.raises(WrongUse):
        drawn("from within")
