"""The memory a build needs is estimated, and held against what is there."""

import numpy as np
import pytest

from canalwise.recon.errors import UnusableInput
from canalwise.recon.memory_budget import available_mb, check_memory, needed_mb


def test_more_voxels_and_wider_numbers_need_more() -> None:
    small, large = needed_mb((200, 200, 400), np.int16), needed_mb((200, 400, 400), np.int16)
    assert needed_mb((20, 20, 40), np.int16) < small < large < needed_mb((200, 400, 400), np.float32)
    assert needed_mb((200, 400, 400), np.float32) - large == pytest.approx(2 * 32e6 / 1e6)


def test_the_sentence_tells_voxels_and_memory() -> None:
    said = check_memory((180, 220, 400), np.int16, 16_000.0)
    assert said == "working on 180 x 220 x 400 voxels in about 1.6 GB of memory"


def test_too_little_memory_is_refused_with_what_to_do() -> None:
    with pytest.raises(UnusableInput, match=r"needs about \d+ MB .*500 MB available.*crop"):
        check_memory((512, 512, 400), np.int16, 500.0)


def test_this_machine_has_some() -> None:
    there = available_mb()
    assert there is None or there > 50.0
