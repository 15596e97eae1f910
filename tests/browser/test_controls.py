"""Every control by keyboard and by pointer: listed from the page itself, so that one without a test is noticed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest

from tests.browser.conftest import LEVEL
from tests.browser.rehearsal import LONG_WAIT_MS, Rehearsal

pytestmark = pytest.mark.xdist_group("browser")

OPEN_FOLDS = "() => document.querySelectorAll('#main details').forEach((fold) => (fold.open = true))"

LISTED = """region => {
  const named = (one) => one.getAttribute('aria-label') || [...(one.labels ?? [])].map((label) => label.textContent)[0]
    || one.textContent;
  const kinds = 'a[href], button, input, select, textarea, summary, [tabindex]';
  return [...document.querySelectorAll(`${region} :is(${kinds})`)]
    .filter((one) => one.tabIndex >= 0 || one.getAttribute('role') === 'tab')
    .map((one) => `${one.type || one.getAttribute('role') || one.tagName.toLowerCase()}: ${named(one).trim()}`);
}"""
"""What can take the focus within a region: its kind and its name."""


@dataclass(frozen=True)
class Dial:
    """A slider with its number field; `reads` is the state it sets, `step` what an arrow key moves."""

    fold: str
    label: str
    reads: str
    step: float = 0.5


FAR = Dial("", "Over the top: medial tilt", "plan.phases[1].medial_tilt_deg")
PHASE = (
    Dial("ipsilateral", "Medial tilt", "plan.phases[0].medial_tilt_deg"),
    Dial("ipsilateral", "Cranial tilt", "plan.phases[0].cranial_tilt_deg"),
    Dial("ipsilateral", "Sweep, to each side", "plan.phases[0].sweep_half_angle_deg"),
    Dial("ipsilateral", "Sleeve past the lamina", "plan.phases[0].sleeve_past_lamina_mm"),
    Dial("ipsilateral", "Tip past the lamina", "plan.phases[0].tip_past_lamina_mm"),
)
FAR_PHASE = (
    Dial("over the top", "Cranial tilt", "plan.phases[1].cranial_tilt_deg"),
    Dial("over the top", "Sweep, to each side", "plan.phases[1].sweep_half_angle_deg"),
    Dial("over the top", "Sleeve past the lamina", "plan.phases[1].sleeve_past_lamina_mm"),
    Dial("over the top", "Tip past the lamina", "plan.phases[1].tip_past_lamina_mm"),
    Dial("over the top", "Pivot moved lateral", "plan.phases[1].pivot_shift_mm[0]"),
)
DOCKING = (
    Dial("Docking point and pivot", "Docking lateral", "plan.docking_point_mm[0]"),
    Dial("Docking point and pivot", "Docking dorsal", "plan.docking_point_mm[1]"),
    Dial("Docking point and pivot", "Docking cranial", "plan.docking_point_mm[2]"),
    Dial("Docking point and pivot", "Pivot to docking point", "plan.pivot_distance_mm"),
)
SIZES = (
    Dial("Instrument sizes", "Sleeve, outer diameter", "plan.channel.sleeve_diameter_mm"),
    Dial("Instrument sizes", "Scope, outer diameter", "plan.channel.scope_diameter_mm"),
    Dial("Instrument sizes", "Tool diameter", "plan.channel.tool_diameter_mm"),
    Dial("Instrument sizes", "Lens angle", "plan.channel.lens_angle_deg", 1),
    Dial("Instrument sizes", "Working length from the pivot", "plan.channel.working_length_mm", 1),
    Dial("Instrument sizes", "Scope's tip short of the target", "plan.channel.working_distance_mm"),
)
LENS = (
    Dial("Endoscope's view", "Tip past the docking point", "looks.scope_past_mm"),
    Dial("Endoscope's view", "Field of view", "looks.scope_view_deg", 1),
    Dial("Endoscope's view", "Turned about itself", "looks.scope_turn_deg", 5),
)
CUT = (
    Dial("Cut open, see through, measure", "Place of the cut", "looks.clip_mm"),
    Dial("Cut open, see through, measure", "Bone, opacity", "looks.bone_opacity"),
)
ENTRY = (
    Dial("Skin entry", "Entry lateral", "answer.estimate.skin_entry.lateral_mm"),
    Dial("Skin entry", "Entry cranial", "answer.estimate.skin_entry.cranial_mm"),
)
THUMB_PX = 8
"""Half a slider's thumb: at an end the thumb's middle is this far within."""

NO_SLIDER = {"Docking dorsal", "Docking cranial"}
STRUCTURES = {
    "Bone": "bone", "Dural sac": "sac", "Canal": "canal", "Ligamentum flavum": "flavum", "Disc": "disc",
    "Facet joints": "joint_left", "Skin": "skin",
    "Upper vertebra": "upper", "Lower vertebra": "lower",
}  # fmt: skip
BLIND = "Blind: plan first, numbers afterwards"
FOLDS = (
    "Each phase", "Skin entry", "Docking point and pivot", "Instrument sizes", "What is to be touched",
    "Endoscope's view", "Shown in 3D", "Cut open, see through, measure",
)  # fmt: skip
NUMBER_FOLDS = (
    "Every limit", "Step by step", "What is touched", "Task and whole sweep", "Warnings", "Where it comes from",
    "What the numbers mean",
)  # fmt: skip
VIEWS = {
    "Oblique": None,
    "From dorsal": {"top": "R", "bottom": "L", "left": "H", "right": "F"},
    "From the entry side": {"top": "P", "bottom": "A", "left": "H", "right": "F"},
    "Axial, from the feet": {"top": "P", "bottom": "A", "left": "L", "right": "R"},
    "Through the level": None,
}
BACKGROUND = "getComputedStyle(document.getElementById('controls')).backgroundColor"
TABS = ("Slices", "Charts", "Search", "Compare", "Lesson", "Sheet", "Levels")
KINDS = ("Axial", "Sagittal", "Coronal", "Along the channel")


def dial(page: Rehearsal, reported: Dial) -> tuple[Any, Any]:
    """The slider and the number field of a dial as it stands on the page."""
    root = page.page.locator("#controls")
    if reported.fold in ("ipsilateral", "over the top"):
        root = root.get_by_role("group", name=reported.fold, exact=True).and_(root.locator("div[role=group]"))
    return root.get_by_role("slider", name=reported.label, exact=True), root.get_by_label(f"{reported.label}, in ")


def press(page: Rehearsal, locator: Any, key: str) -> None:
    locator.focus()
    page.page.keyboard.press(key)


def check_typed(page: Rehearsal, reported: Dial, field: Any, value: float) -> None:
    field.fill(f"{value:.2f}")
    field.press("Enter")
    assert page.state(reported.reads) == pytest.approx(value), reported


def check_keys(page: Rehearsal, reported: Dial, control: Any, most: float) -> None:
    """One key goes onto the next whole step, the key for a page ten steps on or to the end."""
    for key, steps in (("ArrowRight" if control.get_attribute("type") == "range" else "ArrowUp", 1), ("PageUp", 10)):
        before = page.state(reported.reads)
        press(page, control, key)
        onto = (math.floor(before / reported.step + 1e-6) + steps) * reported.step
        assert page.state(reported.reads) == pytest.approx(min(onto, most)), (reported, key)
    page.until("!store.state.moving")


def check_drag(page: Rehearsal, reported: Dial, slider: Any, plan: bool) -> None:
    """A drag changes the value, and is one step of undo where it is the plan that changes."""
    slider.scroll_into_view_if_needed()
    box, before, steps, mouse = slider.bounding_box(), page.state(reported.reads), page.steps_back, page.page.mouse
    low, high = (float(slider.get_attribute(end)) for end in ("min", "max"))
    middle = box["y"] + box["height"] / 2
    mouse.move(box["x"] + THUMB_PX + (box["width"] - 2 * THUMB_PX) * (before - low) / (high - low), middle)
    mouse.down()
    mouse.move(box["x"] + box["width"] * 0.25, middle, steps=4)
    moving = page.state("moving")
    mouse.up()
    assert moving == plan, reported
    after = page.state(reported.reads)
    assert after != before, reported
    assert after == pytest.approx(low + 0.25 * (high - low), abs=0.1 * (high - low)), reported
    assert not page.state("moving")
    assert page.steps_back == steps + plan
    if plan:
        page.do("store.undo()")
        assert page.state(reported.reads) == before


def middle_of(reported: Dial, control: Any) -> float:
    """A value within the control's range and beside its steps."""
    low, high = (float(control.get_attribute(end)) for end in ("min", "max"))
    return math.floor((0.6 * low + 0.4 * high) / reported.step) * reported.step + 0.2


def check_dial(page: Rehearsal, reported: Dial, plan: bool = True) -> None:
    """A dial by what is typed, by keys and by pointer."""
    slider, field = dial(page, reported)
    control = field if reported.label in NO_SLIDER else slider
    value = 4.2 if reported.label in NO_SLIDER else middle_of(reported, slider)
    steps = page.steps_back
    check_typed(page, reported, field, value)
    assert page.steps_back == steps + plan
    # a field takes a decimal comma, so it is text and says its ends to those who listen
    check_keys(page, reported, control, float(control.get_attribute("aria-valuemax" if control is field else "max")))
    assert (page.steps_back > steps + plan) == plan
    if control is slider:
        check_drag(page, reported, slider, plan)


@pytest.fixture
def unfolded(at_start: Rehearsal) -> Rehearsal:
    """The page with every part of its columns unfolded."""
    at_start.page.evaluate(OPEN_FOLDS)
    return at_start


def test_every_control_of_the_plan_is_tried(unfolded: Rehearsal) -> None:
    dials = (FAR, *PHASE, *FAR_PHASE, *ENTRY, *DOCKING, *SIZES, *LENS, *CUT)
    listed = unfolded.page.evaluate(LISTED, "#controls")
    sliders = [reported.label for reported in dials if reported.label not in NO_SLIDER]
    assert sorted(name for name in listed if name.startswith("range: ")) == sorted(f"range: {name}" for name in sliders)
    fields = [name.removeprefix("text: ").partition(", in ")[0] for name in listed if name.startswith("text: ")]
    assert sorted(fields) == sorted(reported.label for reported in dials)
    others = {name for name in listed if not name.startswith(("range: ", "text: "))}
    ticks = {*unfolded.state("facts.tasks"), *STRUCTURES, BLIND, "Plain colours, as in the other views"}
    assert others == {
        *(f"checkbox: {name}" for name in ticks), *(f"summary: {name}" for name in FOLDS),
        *(f"radio: {name}" for name in ("Left", "Right", "ipsilateral", "over the top")),
        "select-one: Level", "select-one: Sleeve / scope / tool, mm", "button: Start over",
        "select-one: Cut open", "select-one: Measure",
    }  # fmt: skip


def test_every_control_about_the_plan_is_tried(unfolded: Rehearsal) -> None:
    listed = {region: set(unfolded.page.evaluate(LISTED, region)) for region in ("#top", "#tabs", "#numbers")}
    badge = {name for name in listed["#top"] if name.startswith(f"button: {LEVEL}")}
    assert len(badge) == 1
    assert listed["#top"] - badge == {
        "button: Plan: no name yet", "button: Save", "button: Undo", "button: Redo", "radio: As in theatre",
        "radio: As read", "button: Light", "button: Keys",
    }  # fmt: skip
    assert listed["#tabs"] == {*(f"button: {name}" for name in TABS), "button: Taller"}
    assert listed["#numbers"] == {
        *(f"summary: {name}" for name in NUMBER_FOLDS), "button: Confirm level and side", "button: Show the numbers",
        "button: Show where",
    }  # fmt: skip


def test_every_control_of_the_pictures_is_tried(at_start: Rehearsal) -> None:
    level_bone, scope, slices = (at_start.page.evaluate(LISTED, one) for one in ("#bench", "#scope", "#panel-slices"))
    buttons, others = ([name for name in level_bone if name.startswith("button") == which] for which in (True, False))
    shown = ("Close: what stops the reach", *VIEWS, "Afterwards", "Play", "Still", "Video")
    assert buttons == [f"button: {name}" for name in shown]
    assert [name.partition(".")[0] for name in others] == [
        "application: The level in 3D", "summary: Legend", "range: Steps done", "select-one: Speed",
    ]  # fmt: skip
    assert [name.partition(": ")[0] for name in scope] == ["application", "button"]
    pictures = [name for name in slices if name.startswith("application: ")]
    assert [name.partition(" slice.")[0] for name in pictures] == [f"application: {kind}" for kind in KINDS]
    assert set(slices) - set(pictures) == {
        "number: Black (HU)", "number: White (HU)", "button: As opened", "button: Bone", "button: Soft tissue",
        "button: To the docking point", "slider: Place along the canal",
        *(f"button: Enlarge the {kind} slice" for kind in KINDS),
    }  # fmt: skip


def test_the_tilt_over_the_top_by_typing_keys_and_pointer(at_start: Rehearsal) -> None:
    check_dial(at_start, FAR)
    # the endoscope's view follows what is moved
    assert at_start.state("looks.phase") == 1


@pytest.mark.parametrize(("phase", "dials"), [("ipsilateral", PHASE), ("over the top", FAR_PHASE)])
def test_the_dials_of_a_phase(unfolded: Rehearsal, phase: str, dials: tuple[Dial, ...]) -> None:
    unfolded.page.locator("#controls").get_by_role("radio", name=phase, exact=True).click()
    assert unfolded.state("looks.phase") == int(phase == "over the top")
    for reported in dials:
        check_dial(unfolded, reported)


@pytest.mark.parametrize("dials", [DOCKING, SIZES], ids=["docking", "sizes"])
def test_the_dials_of_docking_point_and_instrument(unfolded: Rehearsal, dials: tuple[Dial, ...]) -> None:
    for reported in dials:
        check_dial(unfolded, reported)


def test_the_dials_of_the_endoscopes_view_change_no_plan(unfolded: Rehearsal) -> None:
    before = unfolded.state("plan")
    for reported in LENS:
        check_dial(unfolded, reported, plan=False)
    assert unfolded.state("plan") == before


def test_the_bone_is_seen_through_and_cut_open(unfolded: Rehearsal) -> None:
    before = unfolded.state("plan")
    _, opacity = dial(unfolded, CUT[1])
    redrawn(unfolded, lambda: enter(opacity, 40.0))
    assert unfolded.state("looks.bone_opacity") == pytest.approx(0.4)
    redrawn(unfolded, lambda: unfolded.page.locator("#clip").select_option("axial"))
    check_dial(unfolded, CUT[0], plan=False)
    assert unfolded.state("plan") == before


@pytest.mark.parametrize("reported", ENTRY, ids=["lateral", "cranial"])
def test_the_entry_is_placed_where_it_is_set(unfolded: Rehearsal, reported: Dial) -> None:
    slider, field = dial(unfolded, reported)
    # beside the steps, so that an arrow key leads onto the next one
    typed, plan = math.floor(unfolded.state(reported.reads)) + 2.2, unfolded.state("plan")
    for act, wanted in (
        (lambda: enter(field, typed), typed),
        (lambda: press(unfolded, slider, "ArrowRight"), typed + 0.3),
    ):
        steps = unfolded.steps_back
        act()
        unfolded.until("store.kept().past.length > argument", steps).rest()
        assert unfolded.state(reported.reads) == pytest.approx(wanted, abs=0.06)
        assert unfolded.steps_back == steps + 1
    unfolded.do("store.undo(); store.undo();")
    assert unfolded.state("plan") == plan


def enter(field: Any, value: float) -> None:
    field.fill(f"{value:.1f}")
    field.press("Enter")


def test_the_entry_follows_the_pointer_in_one_step(unfolded: Rehearsal) -> None:
    slider, _ = dial(unfolded, ENTRY[0])
    slider.scroll_into_view_if_needed()
    box, before, steps, mouse = slider.bounding_box(), unfolded.state("plan"), unfolded.steps_back, unfolded.page.mouse
    mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    mouse.down()
    mouse.move(box["x"] + box["width"] * 0.6, box["y"] + box["height"] / 2, steps=3)
    mouse.up()
    unfolded.until("store.kept().past.length > argument", steps).rest()
    assert unfolded.state("plan") != before
    assert unfolded.steps_back == steps + 1


def test_a_number_that_is_out_of_range_is_refused_in_words(at_start: Rehearsal) -> None:
    slider, field = dial(at_start, FAR)
    before = at_start.state("plan")
    field.fill("99")
    field.press("Enter")
    assert field.get_attribute("aria-invalid") == "true"
    assert "must be" in at_start.page.locator("#far-tilt").text_content()
    assert at_start.state("plan") == before
    press(at_start, slider, "End")
    assert at_start.far_tilt == float(slider.get_attribute("max"))
    press(at_start, slider, "Home")
    assert at_start.far_tilt == float(slider.get_attribute("min"))
    at_start.until("!store.state.moving")


def test_every_tick_box_by_pointer_and_by_space(unfolded: Rehearsal) -> None:
    reads = {
        **{name: f"task.includes('{name}')" for name in unfolded.state("facts.tasks")},
        **{name: f"looks.shown.{mesh}" for name, mesh in STRUCTURES.items()}, BLIND: "blind",
    }  # fmt: skip
    for name, path in reads.items():
        box = unfolded.page.locator("#controls").get_by_label(name, exact=True)
        # what was never chosen may be shown or not
        before = box.is_checked()
        box.locator("xpath=..").click()
        assert bool(unfolded.state(path)) != before, name
        press(unfolded, box, "Space")
        assert bool(unfolded.state(path)) == before, name
        assert box.is_checked() == before


def test_the_last_target_stays_ticked(unfolded: Rehearsal) -> None:
    first, *rest = unfolded.state("facts.tasks")
    for name in rest:
        unfolded.page.locator("#controls").get_by_label(name, exact=True).uncheck()
    unfolded.page.locator("#controls").get_by_label(first, exact=True).click()
    assert unfolded.state("task") == [first]
    assert unfolded.page.locator("#controls").get_by_label(first, exact=True).is_checked()


def test_every_fold_by_pointer_and_by_enter(at_start: Rehearsal) -> None:
    for region, names in (("#controls", FOLDS), ("#numbers", NUMBER_FOLDS)):
        for name in names:
            summary = at_start.page.locator(f"{region} summary").filter(has_text=name)
            fold = summary.locator("xpath=..")
            before = fold.get_attribute("open")
            summary.click()
            assert fold.get_attribute("open") != before, name
            press(at_start, summary, "Enter")
            assert fold.get_attribute("open") == before, name


def test_side_level_and_class_lay_the_plan_out(at_start: Rehearsal) -> None:
    page, before = at_start.page, at_start.state("plan")
    page.locator("#controls").get_by_role("radio", name="Right", exact=True).click()
    at_start.until("store.state.plan.side === 'right'").confirm_if_requested()
    assert at_start.state("plan.docking_point_mm[0]") < 0 < before["docking_point_mm"][0]
    page.get_by_role("radio", name="Right", exact=True).focus()
    page.keyboard.press("ArrowLeft")
    at_start.until("store.state.plan.side === 'left'").confirm_if_requested()
    assert at_start.state("plan") == before
    page.get_by_label("Sleeve / scope / tool, mm").focus()
    page.keyboard.press("ArrowDown")
    second = at_start.state("facts.instruments[1]")
    assert at_start.state("plan.channel") == second["channel"]
    page.get_by_label("Sleeve / scope / tool, mm").select_option(index=0)
    assert at_start.state("plan") == before
    page.locator("#level").focus()
    page.keyboard.press("ArrowDown")
    page.locator("dialog#confirm[open]").wait_for()
    assert at_start.state("plan.level") != LEVEL
    page.keyboard.press("Escape")
    assert page.locator("#numbers .figures").is_hidden()


@pytest.mark.parametrize("how", ["pointer", "Enter"])
def test_start_over_forgets_what_was_set(at_start: Rehearsal, how: str) -> None:
    before = at_start.state("plan")
    at_start.do("store.choose({...store.state.plan, pivot_distance_mm: 51})")
    use(at_start, at_start.page.locator("#start-over"), how)
    at_start.until("store.state.plan.pivot_distance_mm !== 51")
    assert at_start.state("plan") == before


def use(page: Rehearsal, button: Any, how: str) -> None:
    """Presses a button by pointer, or by a key."""
    if how == "pointer":
        button.click()
    else:
        press(page, button, how)


@pytest.mark.parametrize("how", ["pointer", "Enter"])
def test_the_buttons_at_the_top(at_start: Rehearsal, how: str) -> None:
    page = at_start.page
    for name, box in (("#level-badge", "#confirm"), ("#plan-name", "#plans"), ("#save", "#plans"), ("#keys", "#help")):
        use(at_start, page.locator(name), how)
        assert page.locator(box).is_visible(), name
        page.keyboard.press("Escape")
        assert page.locator(box).is_hidden(), name
        assert page.evaluate("'#' + document.activeElement.id") == name
    use(at_start, page.locator("#theme"), how)
    assert page.locator("html").get_attribute("data-theme") == at_start.state("looks.theme") == "light"
    background = page.evaluate(BACKGROUND)
    use(at_start, page.locator("#theme"), how)
    assert page.evaluate(BACKGROUND) != background


def test_how_views_are_turned_by_pointer_keys_and_letter(at_start: Rehearsal) -> None:
    page = at_start.page
    page.locator("#turned").get_by_role("radio", name="As read").click()
    assert at_start.state("looks.turned") == "reading"
    page.keyboard.press("ArrowLeft")
    assert at_start.state("looks.turned") == "theatre"
    page.keyboard.press("t")
    assert at_start.state("looks.turned") == "reading"


def test_single_letters_work_until_they_are_turned_off(at_start: Rehearsal) -> None:
    page, before = at_start.page, at_start.far_tilt
    page.locator("#undo").evaluate("one => document.activeElement.blur()")
    page.keyboard.press("]")
    assert 0 < at_start.far_tilt - before <= 0.5
    page.keyboard.press("[")
    page.keyboard.press("[")
    assert at_start.far_tilt < before + 0.5
    for key, phase in (("2", 1), ("1", 0)):
        page.keyboard.press(key)
        assert at_start.state("looks.phase") == phase
    page.keyboard.press("?")
    singles = page.locator("#help").get_by_role("checkbox")
    singles.uncheck()
    page.keyboard.press("Escape")
    page.keyboard.press("2")
    assert at_start.state("looks.phase") == 0
    page.locator("#keys").click()
    singles.check()
    page.keyboard.press("Escape")


def test_tabs_by_pointer_and_by_arrow_keys(at_start: Rehearsal) -> None:
    page = at_start.page
    for name in TABS:
        page.get_by_role("tab", name=name).click()
        open_panels = [panel.get_attribute("id") for panel in page.locator("[role=tabpanel]:visible").all()]
        assert open_panels == [f"panel-{name.lower()}"]
    page.keyboard.press("ArrowRight")
    assert at_start.state("looks.panel") == "slices"
    page.keyboard.press("End")
    assert at_start.state("looks.panel") == TABS[-1].lower()
    page.keyboard.press("Home")
    assert page.locator("#tab-slices").get_attribute("aria-selected") == "true"


@pytest.mark.parametrize("how", ["pointer", "Enter"])
def test_taller_gives_the_panels_more_room(at_start: Rehearsal, how: str) -> None:
    height = at_start.page.locator("#strip").bounding_box()["height"]
    use(at_start, at_start.page.locator("#taller"), how)
    assert at_start.page.locator("#strip").bounding_box()["height"] > 1.2 * height
    use(at_start, at_start.page.locator("#taller"), how)
    assert at_start.page.locator("#strip").bounding_box()["height"] == height


def test_the_skips_lead_past_the_controls(at_start: Rehearsal) -> None:
    for words, region in (("Skip to the scene", "bench"), ("Skip to the numbers", "numbers")):
        press(at_start, at_start.page.get_by_role("link", name=words), "Enter")
        assert at_start.page.evaluate("location.hash") == f"#{region}"
        at_start.page.keyboard.press("Tab")
        assert at_start.page.evaluate(f"Boolean(document.activeElement.closest('#{region}'))")


def letters(page: Rehearsal) -> dict[str, str]:
    script = "found => Object.fromEntries(found.map((one) => [one.className.split('letter-')[1], one.textContent]))"
    reported: dict[str, str] = page.page.eval_on_selector_all("#bench .letters .letter", script)
    return reported


def redrawn(page: Rehearsal, act: Callable[[], None]) -> None:
    """Does something after which the scene is drawn anew; what was being drawn before comes to its end first."""
    page.until("bench.mode === 'full'")
    drawn = page.do("return bench.drawn")
    act()
    page.until("bench.drawn > argument", drawn)


def placed(page: Rehearsal) -> list[float]:
    """Where the docking mark is seen: another place for another camera."""
    at: list[float] = page.do("return bench.seen('dock')")
    return [round(each, 1) for each in at]


@pytest.mark.parametrize("how", ["pointer", "Enter"])
def test_the_views_show_what_they_are_called(at_start: Rehearsal, how: str) -> None:
    places = []
    for name, wanted in VIEWS.items():
        button = at_start.page.get_by_role("button", name=name, exact=True)
        redrawn(at_start, lambda button=button: use(at_start, button, how))
        assert wanted is None or letters(at_start) == wanted, name
        # through the level one looks as from the feet, with what lies caudal cut away
        places.append((*placed(at_start), at_start.state("looks.clip")))
    assert len(set(places)) == len(VIEWS)


def test_the_scene_is_turned_moved_and_neared_by_hand_and_keys(at_start: Rehearsal) -> None:
    canvas, mouse = at_start.page.locator("#bench canvas"), at_start.page.mouse
    box = canvas.bounding_box()
    # beside the legend, which takes the pointer where it lies
    corner = (box["x"] + 0.7 * box["width"], box["y"] + box["height"] - 60)

    def drag(button: str) -> None:
        mouse.move(*corner)
        mouse.down(button=button)
        mouse.move(corner[0] + 40, corner[1] - 20, steps=2)
        mouse.up(button=button)

    acts: list[Callable[[], None]] = [
        *(lambda key=key: press(at_start, canvas, key) for key in ("ArrowLeft", "ArrowUp", "Shift+ArrowUp", "+", "-")),
        lambda: drag("left"), lambda: drag("right"), lambda: mouse.wheel(0, -200),
    ]  # fmt: skip
    plan = at_start.state("plan")
    for act in acts:
        before = at_start.do("return JSON.stringify(['dock', 'pivot', 'blocker'].map(bench.seen))")
        act()
        at_start.until("JSON.stringify(['dock', 'pivot', 'blocker'].map(bench.seen)) !== argument", before)
    assert at_start.state("plan") == plan


@pytest.mark.parametrize(
    ("mark", "reads"), [("dock", "plan.docking_point_mm"), ("entry", "answer.estimate.skin_entry")]
)
def test_marks_are_dragged_in_the_scene_in_one_step(at_start: Rehearsal, mark: str, reads: str) -> None:
    redrawn(at_start, lambda: at_start.do("bench.show('dorsal')"))
    box, (x, y) = at_start.page.locator("#bench canvas").bounding_box(), at_start.do(f"return bench.seen('{mark}')")
    before, plan, mouse = at_start.state(reads), at_start.state("plan"), at_start.page.mouse
    mouse.move(box["x"] + x, box["y"] + y)
    mouse.down()
    mouse.move(box["x"] + x + 14, box["y"] + y, steps=4)
    assert at_start.state("moving")
    mouse.up()
    at_start.until("!store.state.moving").rest()
    assert at_start.state("problem") == ""
    assert at_start.state(reads) != before
    assert at_start.steps_back == 1
    at_start.page.locator("#undo").click()
    assert at_start.state("plan") == plan


@pytest.mark.parametrize("how", ["pointer", "Space"])
def test_bone_that_goes_is_left_out_of_scene_and_endoscopes_view(at_start: Rehearsal, how: str) -> None:
    after, bone = at_start.page.get_by_role("button", name="Afterwards"), at_start.page.locator("#scope button")
    redrawn(at_start, lambda: use(at_start, after, how))
    assert after.get_attribute("aria-pressed") == "true"
    redrawn(at_start, lambda: use(at_start, after, how))
    assert after.get_attribute("aria-pressed") == "false"
    before, picture = bone.text_content(), settled_lens(at_start)
    use(at_start, bone, how)
    assert bone.text_content() != before
    at_start.until("scope.png() !== argument", picture)


def settled_lens(page: Rehearsal) -> str:
    """The endoscope's picture once it changes no more: what was asked for before has been drawn."""
    before = ""
    while (now := page.do("return scope.png()")) != before:
        before = now
        page.page.wait_for_timeout(700)
    return str(now)


def test_the_clock_face_is_read_by_pointer_and_keys(at_start: Rehearsal) -> None:
    canvas, words = at_start.page.locator("#scope canvas"), at_start.page.locator("#scope [role=status]")
    idle, box = words.text_content(), canvas.bounding_box()
    canvas.hover(position={"x": box["width"] * 0.75, "y": box["height"] / 2})
    assert words.text_content().startswith("At 3 o'clock: ")
    at_start.page.mouse.move(5, 5)
    assert words.text_content() == idle
    for key, clock in (("ArrowRight", "At 12 o'clock"), ("ArrowRight", "At 1 o'clock"), ("ArrowLeft", "At 12 o'clock")):
        press(at_start, canvas, key)
        assert words.text_content().startswith(clock), key


GREY_SUM = "slices.values('{}').grey.reduce((sum, grey) => sum + grey, 0)"
"""The sum of a slice's grey values: another for another slice."""


def grey_sum(page: Rehearsal, kind: str) -> float:
    """What it is once the slice has been drawn."""
    page.until(f"slices.values('{kind}').grey.length > 0")
    return float(page.do(f"return {GREY_SUM.format(kind)}"))


def test_slices_are_moved_by_keys_wheel_and_click(at_start: Rehearsal) -> None:
    page = at_start.page
    # each is clicked on at another place, or the last would change nothing
    places = {"Axial": (2, 0.7, 0.4), "Sagittal": (0, 0.3, 0.6), "Coronal": (1, 0.6, 0.3)}
    for kind, (axis, right, down) in places.items():
        canvas = page.get_by_label(f"{kind} slice.")
        grey, start = grey_sum(at_start, kind.lower()), at_start.do("return slices.point")
        press(at_start, canvas, "PageUp")
        moved = at_start.do("return slices.point")
        assert moved[axis] == pytest.approx(start[axis] + 5)
        at_start.until(f"{GREY_SUM.format(kind.lower())} !== argument", grey)
        canvas.hover()
        page.mouse.wheel(0, 100)
        at_start.until(f"slices.point[{axis}] < argument", moved[axis])
        box = canvas.bounding_box()
        canvas.click(position={"x": box["width"] * right, "y": box["height"] * down})
        put = at_start.do("return slices.point")
        assert [put[each] != moved[each] for each in range(3) if each != axis] == [True, True]
    page.get_by_role("button", name="To the docking point").click()
    assert at_start.do("return slices.point") == at_start.state("plan.docking_point_mm")


def test_the_slice_along_the_channel_moves_off_its_axis(at_start: Rehearsal) -> None:
    grey = grey_sum(at_start, "channel")
    press(at_start, at_start.page.get_by_label("Along the channel slice."), "PageUp")
    at_start.until(f"{GREY_SUM.format('channel')} !== argument", grey)


def test_grey_values_by_typing_buttons_keys_and_drag(at_start: Rehearsal) -> None:
    page, opened = at_start.page, at_start.state("looks.grey_window")
    for end, value in (("black", -300), ("white", 700)):
        page.locator(f"#grey-{end}").fill(str(value))
        page.locator(f"#grey-{end}").press("Enter")
    assert at_start.state("looks.grey_window") == [-300, 700]
    panel = page.locator("#panel-slices")
    for name, how in (("Soft tissue", "pointer"), ("Bone", "Enter"), ("Soft tissue", "Space")):
        before = at_start.state("looks.grey_window")
        use(at_start, panel.get_by_role("button", name=name), how)
        assert at_start.state("looks.grey_window") != before
    soft = at_start.state("looks.grey_window")
    axial = panel.get_by_label("Axial slice.")
    press(at_start, axial, "Shift+ArrowRight")
    wider = at_start.state("looks.grey_window")
    assert wider[1] - wider[0] > soft[1] - soft[0]
    axial.hover()
    page.mouse.down(button="right")
    page.mouse.move(600, 600, steps=2)
    page.mouse.up(button="right")
    assert at_start.state("looks.grey_window") != wider
    use(at_start, panel.get_by_role("button", name="As opened"), "pointer")
    assert at_start.state("looks.grey_window") == opened


@pytest.mark.parametrize("how", ["pointer", "Enter"])
def test_what_stops_the_reach_is_brought_into_the_middle(at_start: Rehearsal, how: str) -> None:
    assert at_start.state("answer.blocker") is not None
    redrawn(at_start, lambda: use(at_start, at_start.page.locator("#show-blocker"), how))
    canvas = at_start.page.locator("#bench canvas").bounding_box()
    x, y = at_start.do("return bench.seen('blocker')")
    assert (x, y) == pytest.approx((canvas["width"] / 2, canvas["height"] / 2), abs=2)


def test_reports_to_print_are_made(at_start: Rehearsal) -> None:
    panel = at_start.panel("Sheet")
    listed = at_start.page.evaluate(LISTED, "#panel-sheet")
    assert {name for name in listed if name != "button: Stop"} == {
        "button: Make the theatre sheet",
        "button: Make the report",
        "button: Make the report as PDF",
    }
    type_of = "url => fetch(url).then((got) => got.headers.get('content-type').split(';')[0])"
    for name, how, link, kind in (
        ("Make the report", "pointer", "Open the report: ", "text/html"),
        ("Make the report as PDF", "Enter", "Open the report PDF: ", "application/pdf"),
    ):
        use(at_start, panel.get_by_role("button", name=name, exact=True), how)
        made = panel.get_by_role("link", name=link)
        made.wait_for(timeout=LONG_WAIT_MS)
        assert at_start.page.evaluate(type_of, made.get_attribute("href")) == kind


def test_what_charts_search_and_comparison_offer_is_tried(at_start: Rehearsal) -> None:
    """These stand in test_charts.py, with what is made only when it is asked for; a new one must be tried there."""
    panels = ("charts", "search", "compare", "lesson")
    charts, search, compare, lesson = (set(at_start.page.evaluate(LISTED, f"#panel-{name}")) for name in panels)
    assert charts >= {"radio: Tilt", "radio: Skin entry", "radio: Instrument", "button: Work out the entry map"}
    assert {name for name in search if not name.endswith(" mm")} == {
        "checkbox: left", "checkbox: right", "radio: quick", "radio: thorough", "summary: Instruments, seed",
        "radio: central", "radio: with recesses", "radio: with foramen", "number: Seed of the random numbers",
        "button: Search", "button: Stop",
    }  # fmt: skip
    assert compare >= {"button: Pin this plan", "button: Find the best plan of each access"}
    assert "select-one: Choose a lesson" in lesson


def test_a_search_asks_for_what_is_ticked(at_start: Rehearsal) -> None:
    panel = at_start.panel("Search")
    at_start.page.evaluate(OPEN_FOLDS)
    search = panel.get_by_role("button", name="Search", exact=True)
    for boxes, words in ((" mm", "Choose an instrument"),):
        ticked = panel.locator("label", has_text=boxes).locator("input:checked").element_handles()
        for box in ticked:
            press(at_start, box, "Space")
        assert words in panel.text_content()
        assert search.is_disabled()
        for box in ticked:
            box.check()
        assert search.is_enabled()
    seed = panel.get_by_label("Seed of the random numbers")
    seed.fill("1.5")
    assert search.is_disabled()
    seed.fill("3")
    assert search.is_enabled()
