"""The label-names file: what it may say, and every mistake reported at once."""

from pathlib import Path

import pytest

from canalwise.recon.errors import BadFile, WrongUse
from canalwise.recon.intake.label_names import VoxelMeaning, meaning, own_meanings, read_label_names
from canalwise.recon.labels import Part, Tissue, label_names

HEAD = 'schema = "canalwise.label-names/1"\n'


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("L3", VoxelMeaning(22)),
        ("S1", VoxelMeaning(26)),
        ("lamina left", VoxelMeaning(part=Part.LAMINA_LEFT)),
        ("L3 lamina left", VoxelMeaning(22, Part.LAMINA_LEFT)),
        ("arch", VoxelMeaning(part=Part.UNDIVIDED)),
        ("L4 superior articular right", VoxelMeaning(23, Part.SUPERIOR_ARTICULAR_RIGHT)),
        ("disc", VoxelMeaning(part=Part.DISC)),
        ("L3-L4 disc", VoxelMeaning(22, Part.DISC)),
        ("L3 disc", VoxelMeaning(22, Part.DISC)),
        ("sac", VoxelMeaning(tissue=Tissue.SAC)),
        ("flavum", VoxelMeaning(tissue=Tissue.FLAVUM)),
        ("ignore", VoxelMeaning(ignored=True)),
    ],
)
def test_names(name, said):
    assert meaning(name) == said


@pytest.mark.parametrize("name", ["", "L9", "l3", "lamina", "L3 nose", "L3-L5 disc", "L3-L4 lamina left", "L3 canal"])
def test_names_that_mean_nothing(name):
    with pytest.raises(WrongUse):
        meaning(name)


def test_our_own_names_are_understood():
    for value, name in label_names().items():
        if value:
            assert meaning(name) == own_meanings()[value]


def test_example_file_reads():
    tables = read_label_names(Path(__file__).with_name("label_names_example.toml"))
    assert tables[0][22] == VoxelMeaning(22)
    assert tables[1][49] == tables[1][50] == VoxelMeaning(part=Part.BODY)


def test_every_wrong_entry_is_reported_at_once(tmp_path):
    (tmp_path / "n.toml").write_text(HEAD + '[[file]]\n1 = "L9"\nx = "L3"\n2 = 5\n3 = "L4"\n4 = "nose"\n70000 = "L3"')
    with pytest.raises(WrongUse) as refusal:
        read_label_names(tmp_path / "n.toml")
    reported = refusal.value.got
    assert [line.split(" =")[0] for line in reported] == ["1", "x", "2", "4", "70000"]
    assert sum("superior articular left" in line for line in reported) == 1  # the list of names stands once


@pytest.mark.parametrize(
    ("text", "reported"),
    [
        ("[[file]]\n1 = 'L3'", "schema"),
        ('schema = "canalwise.label-names/2"', "schema"),
        (HEAD, r"one \[\[file\]\] table"),
        (HEAD + "[file]\n1 = 'L3'", r"one \[\[file\]\] table"),
        (HEAD + "extra = 1\n[[file]]", "extra"),
        ("= nonsense", "a TOML file"),
    ],
)
def test_other_files_are_refused(tmp_path, text, reported):
    (tmp_path / "n.toml").write_text(text)
    with pytest.raises(BadFile, match=reported):
        read_label_names(tmp_path / "n.toml")


def test_missing_file_is_refused(tmp_path):
    with pytest.raises(BadFile, match="a readable file"):
        read_label_names(tmp_path / "none.toml")
