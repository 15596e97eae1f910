"""The picture to count vertebrae on, and how names that are not confirmed are shown."""

from dataclasses import replace

import numpy as np
import pytest

from canalwise.recon.anatomy import NamesCandidate, Naming
from canalwise.recon.case.corrected_anatomy import bones_of_anatomy
from canalwise.recon.case.renaming import renamed
from canalwise.recon.errors import WrongUse
from canalwise.recon.labels import vertebrae_in
from canalwise.workbench.console.json_results import built_json, measured_json
from canalwise.workbench.console.tables import built_lines
from canalwise.workbench.images.names_picture import names_figure, write_names_picture
from tests.workbench import toy

UNSURE = Naming(
    "unknown",
    0.5,
    "no sacrum is in view",
    False,
    False,
    {"L3-L4": 0.5},
    (NamesCandidate(("L3", "L4"), 0.5), NamesCandidate(("L4", "L5"), 0.4)),
    ((0.0, 0.0, 10.0), (0.0, 0.0, -20.0)),
    "Which vertebra is the lowest one?",
)


def unsure_anatomy():
    return replace(toy.anatomy(), naming=UNSURE)


def test_every_candidate_is_written_at_its_vertebra(tmp_path) -> None:
    figure = names_figure(toy.scan(), UNSURE)
    written = [text.get_text() for axes in figure.axes for text in axes.texts]
    assert written == ["L3 0.50, L4 0.40", "L4 0.50, L5 0.40"]
    path = write_names_picture(tmp_path, toy.scan(), UNSURE)
    assert path.read_bytes()[:4] == b"\x89PNG"


def test_names_that_are_not_confirmed_say_so_everywhere() -> None:
    document = built_json(toy.scan(), unsure_anatomy())
    (level,) = document["levels"]
    assert level["name_probability"] == 0.5
    assert level["name_confirmed"] is False
    assert level["confidence"]["name right"] == 0.5
    assert any("NOT CONFIRMED" in str(line) for line in built_lines(document))
    assert measured_json(unsure_anatomy())["levels"][0]["name_confirmed"] is False


def test_a_case_is_named_anew() -> None:
    bones = bones_of_anatomy(unsure_anatomy())
    anew = renamed(bones, ["L4", "L5"])
    assert vertebrae_in(anew.labels) == ("L4", "L5")
    assert (anew.labels > 0).sum() == (bones.labels > 0).sum()
    assert np.unique(anew.labels % 100).tolist() == np.unique(bones.labels % 100).tolist()
    assert anew.naming is not None
    assert anew.naming.evidence == "given"
    assert anew.naming.confirmed
    with pytest.raises(WrongUse, match="must name the 2 vertebrae"):
        renamed(bones, ["L4"])
