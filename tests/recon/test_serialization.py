"""Records round-trip to the last bit, and files are written whole or not at all."""

import json
import os
from dataclasses import dataclass
from typing import Optional

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canalwise.recon.anatomy import Frame, Joint, Level, Measurement, Targets, Window
from canalwise.recon.case.folder_writing import write_folder_atomic
from canalwise.recon.errors import BadCase, BadFile, WrongUse
from canalwise.recon.serialization import (
    from_data,
    json_text,
    read_json,
    to_data,
    with_schema,
    without_schema,
    write_json_atomic,
)


@dataclass(frozen=True)
class Mixed:
    """One field of every sort."""

    number: float
    count: int
    flag: bool
    text: str
    pair: tuple[float, float]
    maybe: Optional[float] = None  # noqa: UP045
    either: str | None = None


@dataclass(frozen=True, eq=False)
class Arrays:
    """One array of every sort."""

    double: npt.NDArray[np.float64]
    single: npt.NDArray[np.float32]
    small: npt.NDArray[np.uint16]


def _level() -> Level:
    rng = np.random.default_rng(5)
    joint = Joint("left", rng.random((3, 3)), rng.random((3, 3)), rng.random(3), 1 / 3, 2.0)
    window = Window("right", rng.random(3), np.array([0.0, 0.6, 0.8]), 12.0, 9.0, 88.0)
    targets = Targets("left", {"canal wall": rng.random((4, 3)), "disc border": np.zeros((0, 3))})
    return Level(
        "L3-L4",
        "L3",
        "L4",
        Frame(rng.random(3), np.eye(3)),
        {"left": joint},
        {"right": window},
        {"left": targets},
        {"disc_centre": rng.random(3)},
        (Measurement("canal area", 1 / 3, "mm2", "canal", "disc"),),
        ("a warning",),
    )


def _through_text(kind, record):
    return from_data(kind, json.loads(json_text(to_data(record))), who="the record")


NUMBERS = st.floats(allow_nan=False)
MIXED = st.builds(
    Mixed,
    NUMBERS,
    st.integers(),
    st.booleans(),
    st.text(),
    st.tuples(NUMBERS, NUMBERS),
    st.none() | NUMBERS,
    st.none() | st.text(),
)


@given(MIXED)
def test_any_record_comes_back_the_same(record):
    assert _through_text(Mixed, record) == record


@given(st.lists(st.floats(width=32), max_size=6), st.integers(0, 3))
def test_any_array_comes_back_the_same_with_kind_and_shape(values, rows):
    record = Arrays(
        np.array(values),
        np.zeros((rows, len(values)), np.float32) + np.array(values, np.float32),
        np.arange(rows, dtype=np.uint16),
    )
    back = _through_text(Arrays, record)
    for name in ("double", "single", "small"):
        was, now = getattr(record, name), getattr(back, name)
        assert now.dtype == was.dtype
        np.testing.assert_array_equal(now, was)


def test_a_level_comes_back_the_same():
    text = json_text(to_data(_level()))
    back = from_data(Level, json.loads(text), who="the level")
    assert json_text(to_data(back)) == text
    assert back.targets["left"].points_ras_mm["disc border"].shape == (0, 3)
    assert back.measurements == _level().measurements


def test_every_wrong_field_is_reported_at_once_with_its_path():
    data = to_data(_level())
    data["joints"]["left"]["angle_deg"] = "steep"
    data["measurements"][0]["name"] = 4
    data["frame"]["axes_ras"] = "hello"
    data["colour"] = "red"
    del data["upper"]
    with pytest.raises(BadCase) as refusal:
        from_data(Level, data, who="the level", error=BadCase)
    assert refusal.value.got == [
        "colour is unknown",
        "frame.axes_ras must be an array of numbers",
        "joints['left'].angle_deg must be a number",
        "measurements[0].name must be text",
        "upper is missing",
    ]


@pytest.mark.parametrize("data", [None, [], 3, "text"])
def test_what_is_no_table_is_refused(data):
    with pytest.raises(BadFile, match="table of fields"):
        from_data(Level, data, who="the level")


BENT = [("number", True), ("number", "1"), ("count", 1.0), ("count", True), ("flag", 1), ("text", 5), ("pair", [1.0])]


@pytest.mark.parametrize(("field", "value"), BENT)
def test_nothing_is_bent_into_shape(field, value):
    data = to_data(Mixed(1.0, 2, True, "x", (1.0, 2.0))) | {field: value}
    with pytest.raises(BadFile):
        from_data(Mixed, data, who="the record")


def test_a_rule_of_the_record_itself_is_reported():
    data = to_data(_level())
    data["frame"]["axes_ras"] = [[1.0, 0, 0], [0, 1.0, 0], [0, 0, -1.0]]
    with pytest.raises(BadFile, match="right-handed orthonormal triad"):
        from_data(Level, data, who="the level")


def test_schema_stands_first_and_another_version_is_refused():
    data = with_schema("canalwise.thing/1", {"a": 1})
    assert next(iter(data)) == "schema"
    assert without_schema("canalwise.thing/1", data, who="it") == {"a": 1}
    with pytest.raises(BadFile, match=r"canalwise\.thing/2.*canalwise\.thing/1"):
        without_schema("canalwise.thing/2", data, who="it")


def test_text_is_the_librarys_own_but_for_lists_of_numbers():
    data = {
        "a": [{"b": None, "ü": True}, [], {}, ["], [", 1.5], [[1, 2.5], [3, 4]], [[True, 2]]],
        2: (1, "nan"),
        "": 1e-7,
    }
    own = json_text(data)
    assert json.loads(own) == json.loads(json.dumps(data))
    spread = json.dumps(data, indent=1, ensure_ascii=False)
    assert (
        own
        == spread.replace("[\n    1,\n    2.5\n   ]", "[1, 2.5]")
        .replace("[\n    3,\n    4\n   ]", "[3, 4]")
        .replace('[\n  1,\n  "nan"\n ]', '[1, "nan"]')
        + "\n"
    )


def test_text_keeps_strings_with_brackets_and_spaces():
    data = {
        "warnings": ["slices [ 3,  4 ]", "two [\n 3,\n 4 ]"],
        "numbers": [1, -2.5e-30, "inf"],
        "none": [],
        "deep": [[1], [2]],
    }
    assert json.loads(json_text(data)) == data
    assert '[1, -2.5e-30, "inf"]' in json_text(data)


def test_json_file_is_whole_or_absent(tmp_path):
    path = tmp_path / "a.json"
    write_json_atomic(path, {"a": 1})
    with pytest.raises(TypeError):
        write_json_atomic(path, {"a": object()})
    assert read_json(path, who="it") == {"a": 1}
    assert os.listdir(tmp_path) == ["a.json"]


@pytest.mark.parametrize("content", [b"", b"{", b"\xff\xfe", b"[" * 100_000])
def test_broken_json_is_refused(tmp_path, content):
    (tmp_path / "a.json").write_bytes(content)
    with pytest.raises(BadFile, match="readable JSON"):
        read_json(tmp_path / "a.json", who="it")


@pytest.mark.parametrize("failure", [RuntimeError, KeyboardInterrupt])
def test_a_folder_given_up_half_done_leaves_nothing(tmp_path, failure):
    def half_done():
        with write_folder_atomic(tmp_path / "out", False, marker="m") as filling:
            (filling / "half").write_text("x")
            raise failure

    with pytest.raises(failure):
        half_done()
    assert os.listdir(tmp_path) == []


def test_a_failed_replacement_keeps_the_old_folder(tmp_path):
    with write_folder_atomic(tmp_path / "out", False, marker="m") as filling:
        (filling / "m").write_text("old")
    with pytest.raises(RuntimeError), write_folder_atomic(tmp_path / "out", True, marker="m"):
        raise RuntimeError
    assert (tmp_path / "out" / "m").read_text() == "old"
    with write_folder_atomic(tmp_path / "out", True, marker="m") as filling:
        (filling / "m").write_text("new")
    assert (tmp_path / "out" / "m").read_text() == "new"
    assert os.listdir(tmp_path) == ["out"]


def test_a_folder_that_is_no_case_is_never_replaced(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "thesis.txt").write_text("years of work")
    for force, reported in ((False, "must not exist"), (True, "hold a m")):
        with pytest.raises(WrongUse, match=reported), write_folder_atomic(tmp_path / "out", force, marker="m"):
            pass
    assert (tmp_path / "out" / "thesis.txt").exists()
