"""What bench, endoscope's view and slices show: structures by picking, grey values by resampling, marks by dragging."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import pytest

from canalwise.recon.case.folder import read_case
from canalwise.workbench.images.planes import PlaneCut, cut_of
from tests.browser.conftest import LEVEL, NO_GL

pytestmark = pytest.mark.xdist_group("browser")

RING = (0.45, 0.55, 0.65, 0.75, 0.85)
"""Radii about the middle of the endoscope's view at which structures are picked."""

SPREAD_HOURS = (-0.5, 0.0, 0.5)

BEFORE_WINDOW_MM, IN_CANAL_MM = -15.0, 2.0
"""The lens when it looks on the docked window, and once over the top: past the docking depth."""

SAMPLES = 256


def seen_at(page: Any, hour: float) -> Counter[str]:
    """Structures picked round a clock position, with how often."""
    script = "([hour, ring, spread]) => ring.flatMap(r => spread.map(d => rehearsal.scope.pick(hour + d, r)))"
    found: list[str | None] = page.page.evaluate(script, [hour, RING, SPREAD_HOURS])
    return Counter(name for name in found if name)


def mostly(page: Any, hour: float) -> str:
    """The structure picked most often round a clock position."""
    return seen_at(page, hour).most_common(1)[0][0]


def settle(page: Any) -> None:
    """Waits until neither picture is drawn anew any more."""
    script = """async () => {
      const {bench, scope, slices} = window.rehearsal, drawn = () => bench.drawn + scope.drawn + slices.drawn;
      for (let last = -1; last !== drawn() || bench.mode !== "full";) {
        last = drawn();
        await new Promise(done => setTimeout(done, 700));
      }
    }"""
    page.page.evaluate(script)


def pixels_of(page: Any, selector: str) -> bytes:
    """What an element shows."""
    shown: bytes = page.page.locator(selector).first.screenshot()
    return shown


def letters_on(page: Any, selector: str) -> list[str]:
    """The letters at the upper, lower, left and right edge of a picture."""
    edges = ("top", "bottom", "left", "right")
    return [str(page.page.locator(f"{selector} .letter-{edge}").first.text_content()) for edge in edges]


def choose_side(page: Any, side: str) -> None:
    """Lays a plan out from that side."""
    if page.state("plan.side") != side:
        page.page.locator("#controls").get_by_role("radio", name=side.capitalize()).check(force=True)
        page.until("store.state.plan.side === argument", side).confirm_if_requested()
    page.rest()


def look_straight(page: Any, phase: int, past_mm: float) -> None:
    """Puts a lens that looks straight ahead along a phase, so far past the docking depth."""
    page.do("const p = store.state.plan; store.choose({...p, channel: {...p.channel, lens_angle_deg: 0}});")
    page.do(f"store.look({{phase: {phase}}}); store.look({{scope_past_mm: {past_mm}}});")
    page.rest()


@pytest.mark.parametrize("side", ["right", "left"])
def test_docked_view_shows_what_is_known_at_each_hour(rehearsal, side):
    """Upper lamina, facet joint, lower lamina: 3, 6, 9 from the right, 9, 6, 3 from the left (common practice).

    The lens leans 17 deg to the midline, so beside the upper lamina its articular process is seen too.
    """
    choose_side(rehearsal, side)
    look_straight(rehearsal, 0, BEFORE_WINDOW_MM)
    upper, lower = (3, 9) if side == "right" else (9, 3)
    assert set(seen_at(rehearsal, upper)) == {f"L3 lamina {side}", f"L3 inferior articular {side}"}
    assert seen_at(rehearsal, upper)[f"L3 lamina {side}"] >= 5
    assert mostly(rehearsal, lower) == f"L4 lamina {side}"
    assert mostly(rehearsal, 6) in {f"L3 inferior articular {side}", f"L4 superior articular {side}"}


@pytest.mark.parametrize("side", ["right", "left"])
def test_over_the_top_the_sac_lies_at_six_and_the_roof_at_twelve(rehearsal, side):
    """Common practice; the roof is the laminae, the spinous base and the joint's process over the canal's far half."""
    choose_side(rehearsal, side)
    look_straight(rehearsal, 1, IN_CANAL_MM)
    far = "left" if side == "right" else "right"
    of_far_side = {f"L3 lamina {far}", f"L4 lamina {far}", f"L3 inferior articular {far}"}
    roof = {*of_far_side, f"L4 superior articular {far}", "L3 spinous base", "L4 spinous base", "flavum"}
    assert mostly(rehearsal, 6) == "sac"
    assert set(seen_at(rehearsal, 12)) <= roof


def test_picture_shows_what_is_picked(rehearsal):
    """In plain colours the sac is blue and bone that stands pale or, where cut, brown: at the very pixels picked."""
    rehearsal.do("store.look({shown: {...store.state.looks.shown, plain: true}});")
    look_straight(rehearsal, 1, IN_CANAL_MM)
    settle(rehearsal)
    script = """() => {
      const {scope} = window.rehearsal, {canvas} = scope, out = [];
      const pixels = canvas.getContext("2d");
      for (let hour = 1; hour <= 12; hour++) {
        const turn = hour * Math.PI / 6, reach = 0.42 * 0.6 * canvas.width, half = canvas.width / 2;
        const [x, y] = [half + reach * Math.sin(turn), half - reach * Math.cos(turn)];
        const [red, , blue] = pixels.getImageData(x, y, 1, 1).data;
        out.push([scope.pick(hour, 0.6), blue - red]);
      }
      return out;
    }"""
    seen = rehearsal.page.evaluate(script)
    sac = [blueness for name, blueness in seen if name == "sac"]
    bone = [blueness for name, blueness in seen if name and name[:2] in ("L3", "L4")]
    assert len(sac) >= 2
    assert min(sac) > 20
    assert len(bone) >= 2
    assert max(bone) < 0


def test_clock_is_told_by_key(rehearsal):
    view = rehearsal.page.locator(".scope-canvas")
    view.focus()
    for _ in range(6):
        view.press("ArrowRight")
    words = rehearsal.page.locator(".scope-words")
    reported = words.text_content()
    assert reported.startswith("At 3 o'clock: ")
    assert "mm from the lens" in reported


CUTS = {
    "axial": lambda p: PlaneCut("axial", (0.0, 12.0, p[2])),
    "sagittal": lambda p: PlaneCut("sagittal", (p[0], 12.0, 0.0)),
    "coronal": lambda p: PlaneCut("coronal", (0.0, p[1], 0.0)),
}


@pytest.mark.parametrize("kind", CUTS)
def test_slices_are_the_scan_resampled(rehearsal, made_case, kind):
    """Grey values of a cut against the same cut by the report's own resampling, first row at the top here."""
    point = [3.3, 8.7, -4.1]
    rehearsal.do(f"slices.point = {point}; store.look({{scope_turn_deg: 1}});")
    settle(rehearsal)
    cut = rehearsal.do(f"const c = slices.values('{kind}'); return {{rows: c.rows, grey: [...c.grey]}};")
    case = read_case(made_case)
    level = case.anatomy.level(LEVEL)
    wanted = CUTS[kind](point)
    wanted = PlaneCut(wanted.kind, wanted.centre_level_mm, pixel_mm=90.0 / (SAMPLES - 1))
    expected = cut_of(case.scan.voxels, case.scan.grid, wanted, level.frame, -1000.0)[::-1]
    assert cut["rows"] == SAMPLES
    shown = np.array(cut["grey"]).reshape(SAMPLES, SAMPLES)
    inside = expected > -1000.0
    # the page keeps a part of the scan and whole numbers: beyond that part it draws air
    inside &= shown > -1000.0
    assert inside.mean() > 0.6
    assert np.abs(shown - expected)[inside].max() < 2.0


LETTERS = {
    ("theatre", "dorsal", "left"): ["R", "L", "H", "F"],
    ("theatre", "dorsal", "right"): ["L", "R", "F", "H"],
    ("theatre", "caudal", "left"): ["P", "A", "L", "R"],
    ("reading", "dorsal", "left"): ["H", "F", "L", "R"],
    ("reading", "caudal", "left"): ["A", "P", "R", "L"],
}
"""Turned, view and side of the entry -> letters above, below, left, right. In theatre the far side is up from dorsal,
and dorsal is up from the feet; as radiologists read, ventral is up from the feet and the right on the left."""


@pytest.mark.parametrize(("turned", "view", "side"), LETTERS)
def test_bench_says_which_way_the_patient_lies(rehearsal, turned, view, side):
    choose_side(rehearsal, side)
    rehearsal.do(f"store.look({{turned: '{turned}'}});")
    rehearsal.page.locator(f"[data-view='{view}']").click()
    settle(rehearsal)
    assert letters_on(rehearsal, "#bench") == LETTERS[turned, view, side]


def test_slices_say_which_way_the_patient_lies(rehearsal):
    for turned, axial in (("theatre", ["P", "A", "L", "R"]), ("reading", ["A", "P", "R", "L"])):
        rehearsal.do(f"store.look({{turned: '{turned}'}});")
        settle(rehearsal)
        assert letters_on(rehearsal, ".slice:nth-of-type(1)") == axial


def test_light_mesh_while_moving_and_the_full_one_at_rest(rehearsal):
    settle(rehearsal)
    modes = rehearsal.page.evaluate("""async () => {
      const {bench, store} = window.rehearsal, modes = [bench.mode], {plan} = store.state, drawn = bench.drawn;
      store.move({...plan, pivot_distance_mm: plan.pivot_distance_mm + 0.5});
      while (bench.drawn === drawn) await new Promise(requestAnimationFrame);
      modes.push(bench.mode);
      store.settle();
      return modes;
    }""")
    assert modes == ["full", "proxy"]
    settle(rehearsal)
    assert rehearsal.do("return bench.mode") == "full"


def test_bench_turns_by_key_and_shows_the_bone_left_afterwards(rehearsal):
    settle(rehearsal)
    pictures = [pixels_of(rehearsal, "#bench .picture")]
    rehearsal.page.locator("#bench canvas").press("ArrowLeft")
    settle(rehearsal)
    pictures.append(pixels_of(rehearsal, "#bench .picture"))
    rehearsal.page.get_by_role("button", name="Afterwards").click()
    settle(rehearsal)
    pictures.append(pixels_of(rehearsal, "#bench .picture"))
    assert len(set(pictures)) == 3


def look_from_dorsal(page: Any) -> None:
    """As the surgeon on the left stands: the patient's head to the left. A new tab takes over how another looked."""
    choose_side(page, "left")
    page.do("store.look({turned: 'theatre'});")
    page.page.locator("[data-view='dorsal']").click()
    page.until(
        "document.querySelector('#bench .letter-top').textContent === argument", LETTERS["theatre", "dorsal", "left"][0]
    )


def drag(page: Any, mark: str, by: tuple[float, float]) -> None:
    """Drags a mark of the bench by so many pixels."""
    settle(page)
    box = page.page.locator("#bench canvas").bounding_box()
    x, y = page.do(f"return bench.seen('{mark}')")
    mouse = page.page.mouse
    mouse.move(box["x"] + x, box["y"] + y)
    mouse.down()
    for step in (0.25, 0.5, 0.75, 1.0):
        mouse.move(box["x"] + x + step * by[0], box["y"] + y + step * by[1])
    mouse.up()


def height_of_bench(page: Any) -> int:
    return int(page.do("return bench.canvas.clientHeight"))


def test_docking_point_is_dragged_over_bone(rehearsal):
    look_from_dorsal(rehearsal)
    before, room = rehearsal.state("plan"), height_of_bench(rehearsal)
    rehearsal.do("store.subscribe(() => { window.heights = [...(window.heights ?? []), bench.canvas.clientHeight]; });")
    drag(rehearsal, "dock", (-12.0, 8.0))
    rehearsal.page.wait_for_function("() => !window.rehearsal.store.state.moving")
    rehearsal.rest()
    after = rehearsal.state("plan")
    # a picture that grew under the pointer would drag the mark off by as much
    assert set(rehearsal.page.evaluate("window.heights")) == {room}
    moved = np.subtract(after["docking_point_mm"], before["docking_point_mm"])
    assert rehearsal.state("problem") == ""
    assert moved[2] > 0.5
    assert np.linalg.norm(moved) < 12.0
    rehearsal.page.get_by_role("button", name="Undo").click()
    assert rehearsal.state("plan") == before


def test_skin_entry_is_dragged_over_skin(rehearsal):
    look_from_dorsal(rehearsal)
    before = rehearsal.state("answer.estimate.skin_entry")
    drag(rehearsal, "entry", (-14.0, 0.0))
    rehearsal.page.wait_for_function("() => !window.rehearsal.store.state.moving")
    rehearsal.rest()
    after = rehearsal.state("answer.estimate.skin_entry")
    assert rehearsal.state("problem") == ""
    assert after["cranial_mm"] - before["cranial_mm"] > 1.0
    assert after["lateral_mm"] == pytest.approx(before["lateral_mm"], abs=1.5)


def test_without_webgl_a_served_picture_and_the_slices_go_on(server, opened):
    page = opened(server.url, flags=NO_GL).confirm(LEVEL).rest()
    page.page.locator(".served-picture[src^='data:image/png']").wait_for()
    assert "no WebGL 2" in page.page.locator("#bench").text_content()
    assert "needs WebGL 2" in page.page.locator("#scope").text_content()
    assert page.do("return slices.drawn") > 0
    assert page.page.locator("#table-headline").count() == 1
