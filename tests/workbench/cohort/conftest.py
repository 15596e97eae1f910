"""A list of made-up cases on disk."""

from __future__ import annotations

import pytest

from canalwise.workbench.cohort.case_list import lines_of


@pytest.fixture
def listed(tmp_path):
    """Makes the lines of cases, name -> what the scan's file says is to happen."""

    def made(**acts: str):
        folder = tmp_path / "sources of Doe, John"
        folder.mkdir(exist_ok=True)
        for name, act in acts.items():
            (folder / f"{name}.txt").write_text(act)
        rows = [f"{name},{name}.txt,L3-L4 L4-L5,left,{n},{1 + n % 2},{n}" for n, name in enumerate(acts)]
        return lines_of(["case,scan,level,side,patient,surgeon,order", *rows], folder)

    return made
