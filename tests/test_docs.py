"""The pages of docs/: every citation resolves, every table made from records is current, every key is written down."""

from __future__ import annotations

import ast
import re
import shlex
import tomllib
from pathlib import Path

import docs_tables
import pytest

import docs
from canalwise.estimator.approach.plan_file import plan_of
from canalwise.estimator.estimate.estimate import estimate
from canalwise.estimator.estimate.estimate_json import estimate_as_json
from canalwise.estimator.estimate.intervals import no_intervals
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.intake.label_names import read_label_names
from canalwise.recon.version import VERSION
from canalwise.workbench.commands.main import build_parser
from canalwise.workbench.teaching.lesson import lesson_of
from tests.test_house import ROOMS
from tests.workbench import toy

ROOT = Path(__file__).resolve().parents[1]
PAGES = {path.name: path.read_text() for path in sorted((ROOT / "docs").glob("*.md"))}
CITING = ("recon", "estimator", "workbench", "phantoms", "canalwise", "scripts", "tests", "examples")
ENDINGS = ("py", "pyi", "ts", "cu", "toml", "csv", "md")

CITED = re.compile(r"(?<![\w/.-])((?:docs|tests/authorities)/[\w-]+\.(?:md|toml|csv))(#[\w-]+)?")
LOST = re.compile(r"references(?:\.md|\s+section|\s+\d)|\bdesign(?:\.md|\s+section|,\s+shared)")
"""Words by which pages were cited that are not part of the project."""


def _sources() -> dict[str, str]:
    folders = [ROOT / name for name in CITING]
    found = [
        path
        for folder in folders
        for ending in ENDINGS
        for path in sorted(folder.rglob(f"*.{ending}"))
        if not {"node_modules", "dist"} & set(path.parts) and path != Path(__file__).resolve()
    ]
    return {str(path.relative_to(ROOT)): path.read_text() for path in [*found, *ROOT.glob("*.md")]}


SOURCES = _sources()
CITATIONS = sorted(
    {(name, *found.groups()) for name, text in SOURCES.items() for found in CITED.finditer(text)}, key=str
)


def slug(heading: str) -> str:
    """The anchor of a heading, as the site and code hosts make it.

    >>> slug("How each was obtained"), slug("CT values")
    ('how-each-was-obtained', 'ct-values')
    """
    return re.sub(r"[^\w\- ]", "", heading.strip().lower()).replace(" ", "-")


def anchors(page: str) -> set[str]:
    """Anchors of a page's headings."""
    plain = re.sub(r"^```.*?^```", "", PAGES[page], flags=re.MULTILINE | re.DOTALL)
    return {slug(found[1]) for found in re.finditer(r"^#+ (.+)$", plain, flags=re.MULTILINE)}


def test_there_are_citations_to_check():
    assert len([1 for _, page, _ in CITATIONS if page == "docs/published-values.md"]) >= 15


@pytest.mark.parametrize(("source", "page", "anchor"), CITATIONS)
def test_every_citation_resolves(source, page, anchor):
    assert (ROOT / page).is_file(), f"{source} cites {page}"
    if anchor:
        assert anchor[1:] in anchors(Path(page).name), f"{source} cites {page}{anchor}"


def test_nothing_is_cited_that_is_not_here():
    assert [f"{name}: {found[0]}" for name, text in SOURCES.items() for found in LOST.finditer(text)] == []


@pytest.mark.parametrize("page", PAGES)
def test_links_between_pages_resolve(page):
    for target, anchor in re.findall(r"\]\(([\w./-]*)(#[\w-]+)?\)", PAGES[page]):
        assert not target or (ROOT / "docs" / target).is_file(), f"{page} links to {target}"
        if anchor:
            assert anchor[1:] in anchors(target or page), f"{page} links to {target}{anchor}"


@pytest.mark.parametrize("page", PAGES)
def test_tables_made_from_records_are_current(page):
    assert docs_tables.current(PAGES[page]) == PAGES[page], "run scripts/docs_tables.py"


def test_every_table_stands_on_a_page():
    named = {found[2] for text in PAGES.values() for found in docs_tables.BLOCK.finditer(text)}
    assert named == set(docs_tables.TABLES)


def test_a_stale_table_is_seen():
    stale = PAGES["limits.md"].replace("| 5 | mm |", "| 6 | mm |", 1)
    assert stale != PAGES["limits.md"]
    assert docs_tables.current(stale) == PAGES["limits.md"]


@pytest.mark.parametrize("page", ["index.md", "surgeon.md"])
def test_pages_that_lead_to_numbers_warn(page):
    assert "!!! warning" in PAGES[page]
    assert "original" in PAGES[page]


def test_the_first_page_carries_the_caution():
    assert CAUTION in re.sub(r"\s+", " ", PAGES["index.md"])


COMMANDS = [(page, line) for page in PAGES for line in re.findall(r"^canalwise (.+)$", PAGES[page], flags=re.M)]


@pytest.mark.parametrize(("page", "command"), COMMANDS)
def test_commands_are_understood(page, command):
    assert build_parser().parse_args(shlex.split(command)).verb == command.split()[0]


def _blocks(page: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", PAGES[page], flags=re.MULTILINE | re.DOTALL)


def test_the_files_shown_can_be_read(tmp_path):
    names, plan = _blocks("files.md", "toml")
    (tmp_path / "names.toml").write_text(names)
    assert len(read_label_names(tmp_path / "names.toml")) == 2
    assert [phase.name for phase in plan_of(plan).phases] == ["ipsilateral", "over the top"]
    (lesson,) = _blocks("teaching.md", "toml")
    assert lesson_of(lesson).steps[0].question is not None


@pytest.mark.parametrize("code", _blocks("researcher.md", "python"))
def test_python_shown_uses_what_there_is(code):
    import canalwise as cw

    for node in ast.walk(ast.parse(code)):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "cw":
            assert hasattr(cw, node.attr)
        if isinstance(node, ast.ImportFrom):
            exec(compile(ast.Module([node], []), "researcher.md", "exec"), {})


def _keys_shown(name: str) -> set[str]:
    block = re.search(rf"<!-- keys: {name} -->(.*?)<!-- end -->", PAGES["files.md"], flags=re.DOTALL)
    assert block is not None
    first = [line.split("|")[1] for line in block[1].splitlines() if line.startswith("|")]
    return {key for cell in first for key in re.findall(r"`(\w+)`", cell)}


def test_every_key_of_an_estimate_is_written_down():
    anatomy = toy.anatomy()
    found = estimate(anatomy, default_approach(anatomy, "L3-L4", "left"))
    document = estimate_as_json(found, no_intervals(found))
    assert _keys_shown("estimate") == set(document)
    shown = re.search(r"^## Geometry$(.*?)^## ", PAGES["files.md"], flags=re.MULTILINE | re.DOTALL)
    assert shown is not None
    assert all(f"`{key}`" in shown[1] for key in document["geometry"])


def test_what_a_page_would_fetch_from_outside_is_seen(tmp_path):
    (tmp_path / "bad.html").write_text('<a href="https://example.org">x</a><script src="https://example.org/a.js">')
    (tmp_path / "bad.css").write_text("@font-face { src: url(//example.org/f.woff) }")
    (tmp_path / "good.html").write_text('<link rel="stylesheet" href="a.css"><img src="pictures/page.jpg">')
    assert [line.partition(":")[0] for line in docs.fetched_from_outside(tmp_path)] == ["bad.html", "bad.css"]


def test_the_lock_of_the_site_pins_by_hash_and_names_no_host():
    lock = (ROOT / "requirements-docs.lock").read_text()
    requirements = re.split(r"\n(?=[a-z0-9])", lock.strip())
    assert not [r for r in requirements if not re.match(r"[\w.-]+==[\w.]+ ", r) or "--hash=sha256:" not in r]
    assert not re.search(r"://|--(extra-)?index-url|--find-links|--trusted-host| @ ", lock)
    wanted = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]["docs"]
    assert {r.partition("==")[0] for r in requirements} >= {name.partition("[")[0] for name in wanted}


def test_the_developers_table_of_rooms_is_that_of_the_house():
    rows = re.findall(
        r"^\| `([\w.]+)`[^|]*\|[^|]*\|([^|]*)\|$", (ROOT / "DEVELOPERS.md").read_text(), flags=re.MULTILINE
    )
    assert {floor: re.findall(r"`(\w+)`", rooms) for floor, rooms in rows} == {f: r.split() for f, r in ROOMS.items()}


PATH = re.compile(r"`((?:recon|estimator|workbench|phantoms|scripts|tests|examples|docs)/[\w./*-]+)`")


@pytest.mark.parametrize("page", ["DEVELOPERS.md", "README.md", *(f"docs/{name}" for name in PAGES)])
def test_paths_named_in_prose_exist(page):
    named = {found[1] for found in PATH.finditer((ROOT / page).read_text())}
    made = {"workbench/page/dist"}
    assert [path for path in sorted(named - made) if not any(ROOT.glob(path))] == []


LARGEST_BYTES = 300_000
"""Of a picture in the pages: a README that opens at once."""


def test_pictures_are_small_and_shown():
    shown = "".join([*PAGES.values(), (ROOT / "README.md").read_text()])
    pictures = list((ROOT / "docs" / "pictures").iterdir())
    assert pictures
    assert [path.name for path in pictures if path.stat().st_size > LARGEST_BYTES or path.name not in shown] == []


def test_code_and_citation_name_this_version():
    version = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
    assert version == VERSION
    assert f"\nversion: {version}\n" in (ROOT / "CITATION.cff").read_text()
    assert f"## {version}\n" in (ROOT / "CHANGELOG.md").read_text()
