"""Which way up a spine lies is seen from its sacrum, where one is in view."""

from __future__ import annotations

from typing import cast

import numpy as np
import pytest

from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Grid
from canalwise.recon.segmentation.instances import NetworkSpine
from canalwise.recon.segmentation.spine_seen import check_head_up
from canalwise.recon.segmentation.tissue_classes import TissueClass, TissueClassMap

NOT_LOOKED_AT = cast(NetworkSpine, None)
"""A sacrum in view speaks alone."""


def seen(upright: bool) -> TissueClassMap:
    kind = np.zeros((30, 30, 80), dtype=np.uint8)
    kind[5:25, 5:25, 45:70] = TissueClass.BODY
    kind[5:25, 5:25, 5:25] = TissueClass.SACRUM
    kind = kind if upright else np.ascontiguousarray(kind[:, :, ::-1])
    return TissueClassMap(Grid(kind.shape, np.eye(4)), kind, np.zeros(kind.shape, np.float32))


def test_a_sacrum_below_the_bodies_is_upright_and_one_above_is_refused() -> None:
    check_head_up(NOT_LOOKED_AT, seen(True))
    with pytest.raises(AnatomyNotFound, match="must show the sacrum below the vertebral bodies"):
        check_head_up(NOT_LOOKED_AT, seen(False))
