"""Binary frames read back as they were written, and every array where the page looks for it."""

from __future__ import annotations

import json
import struct
import threading

import numpy as np
import pytest

from canalwise.recon.errors import BadFile
from canalwise.workbench.rehearsal.session.lru_cache import LruCache
from canalwise.workbench.surfaces.binary_frames import DTYPES, frame_bytes, frame_of

ARRAYS = {name: np.arange(1, 8).astype(name) for name in DTYPES} | {
    "points": np.linspace(0, 1, 12, dtype=np.float32).reshape(4, 3),
    "none": np.zeros((0, 3), np.uint32),
}


def test_frame_reads_back_as_it_was_written():
    header, arrays = frame_of(frame_bytes({"level": "L3-L4", "words": "größer"}, ARRAYS))
    assert (header["level"], header["words"]) == ("L3-L4", "größer")
    assert list(arrays) == list(ARRAYS)
    for name, array in ARRAYS.items():
        assert arrays[name].dtype == array.dtype
        assert np.array_equal(arrays[name], array)


@pytest.mark.parametrize("word", ["", "a", "ab", "abc"])
def test_every_array_starts_at_a_multiple_of_four_bytes(word):
    """As binary_frame.ts reads it: length, header, then offsets from the header's end."""
    frame = frame_bytes({"word": word}, ARRAYS)
    (length,) = struct.unpack("<I", frame[:4])
    places = json.loads(frame[4 : 4 + length])["arrays"]
    assert length % 4 == 0
    for name, place in places.items():
        assert place["offset"] % 4 == 0
        start = 4 + length + place["offset"]
        assert frame[start : start + ARRAYS[name].nbytes] == ARRAYS[name].tobytes()


def test_frame_cut_short_is_reported():
    with pytest.raises(BadFile, match="must hold 7 numbers"):
        frame_of(frame_bytes({}, {"part": ARRAYS["uint32"]})[:-4])


def test_numbers_a_page_cannot_read_are_refused():
    with pytest.raises(TypeError, match="float64"):
        frame_bytes({}, {"points": np.zeros(3)})


def test_not_a_number_is_no_header():
    with pytest.raises(ValueError, match="JSON"):
        frame_bytes({"outside": float("nan")}, {})


def test_two_threads_that_ask_at_once_get_one_answer():
    lately, made, answers = LruCache(2), [], []

    def find():
        made.append(0)
        return object()

    threads = [threading.Thread(target=lambda: answers.append(lately.found("a", find))) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(made) == 1
    assert len(set(map(id, answers))) == 1


def test_oldest_answer_is_let_go_first():
    lately = LruCache(2)
    for key in ("a", "b", "a", "c"):
        lately.found(key, str(key).lower)
    assert [lately.found(key, lambda: "anew") for key in ("a", "c", "b")] == ["a", "c", "anew"]
