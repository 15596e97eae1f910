// The time line under the scene: play, pause, scrub, with the step and the running numbers in words, and its export.

import type { Part } from "../session/context";
import { button, h, selectField, setText } from "../dom/elements";
import { numbersAt, stepAt } from "../model/manoeuvre";
import { amount, number, percent } from "../model/number_format";
import { numbersShown, type State } from "../model/store";
import type { RemovalVolumes } from "../protocol/frame_headers";
import { Player } from "./player";
import { saved } from "../dom/files";
import { recordVideo, stillPicture } from "./recording";

const SPEEDS = [
  ["0.5", "half speed"],
  ["1", "usual speed"],
  ["2", "twice as fast"],
] as const;

export const playBar: Part = (root, context) => {
  const { store } = context;
  const toggle = button("Play", () => (player.playing ? player.pause() : player.play()), { id: "play" });
  const line = h("input", { type: "range", id: "play-line", min: 0, max: 5, step: 0.02, "aria-label": "Steps done" });
  const words = h("p", { id: "play-words", class: "play-words" }, "\u2026");
  const speed = selectField("Speed", (value) => (player.speed = Number(value)));
  speed.show("1", SPEEDS);
  const still = button("Still", () => saved(stillPicture(context, words.textContent), "canalwise-still.png"), {
    title: "Saves scene and lens as they stand, with letters, scale, side, numbers and caution",
  });
  const video = button("Video", () => void filmed(), {
    id: "play-video",
    title: "Saves a video of all steps (WebM); it takes as long as this computer needs to draw them",
  });
  const ticks = h("div", { class: "play-steps", "aria-hidden": "true" });
  const element = h(
    "div",
    { class: "play", role: "group", "aria-label": "Steps of the operation" },
    toggle,
    h("div", { class: "play-time" }, line, ticks),
    speed.element,
    still,
    video,
    words,
  );
  root.append(element);
  const player = new Player(context, () => show(store.state));
  line.addEventListener("input", () => {
    if (player.playing) player.pause();
    player.seek(line.valueAsNumber);
  });

  async function filmed(): Promise<void> {
    video.disabled = true;
    player.pause();
    try {
      saved(await recordVideo(context, player, () => words.textContent), "canalwise-steps.webm");
    } catch (why) {
      store.set({ problem: `The video was not made: ${why instanceof Error ? why.message : String(why)}` });
    }
    video.disabled = false;
  }

  function show(state: State): void {
    const removal = player.removal;
    // While the steps are worked out they keep their room: the picture above must not grow under a pointer that drags.
    element.classList.toggle("waiting", state.removal === null);
    element.hidden = (state.removal !== null && !removal) || !numbersShown(state);
    if (!removal?.resection) return;
    const { steps } = removal.resection.course;
    line.max = String(steps.length);
    if (document.activeElement !== line || player.playing) line.value = String(removal.instant);
    line.setAttribute("aria-valuetext", wordsAt(removal));
    if (ticks.childElementCount !== steps.length) ticks.replaceChildren(...steps.map((step) => h("span", {}, step)));
    [...ticks.children].forEach((tick, place) =>
      tick.classList.toggle("now", place === stepAt(removal.resection!.course, removal.instant)),
    );
    setText(toggle, player.playing ? "Pause" : "Play");
    setText(words, wordsAt(removal));
  }

  store.subscribe((state, changed) => {
    if (changed.has("confirmed") || changed.has("blind") || changed.has("plan")) show(state);
  });
  show(store.state);
};

/** The step under way and what has been spent and gained until then. */
function wordsAt({ resection, instant }: RemovalVolumes): string {
  if (!resection) return "";
  const { course } = resection;
  const now = numbersAt(course, instant);
  const [bone, area] = [course.bone_mm3.at(-1) ?? 0, course.area_gained_mm2.at(-1) ?? 0];
  const kept = (["ipsilateral", "contralateral"] as const).map((relation) => percent(now.facet_kept_frac[relation]));
  const step = instant >= course.steps.length ? "all steps done" : (course.steps[stepAt(course, instant)] ?? "");
  return (
    `${step}: bone ${number(now.bone_mm3, 0)} of ${amount(bone, "mm3", 0)}, free canal +${number(now.area_gained_mm2, 0)} of ` +
    `+${amount(area, "mm2", 0)} (mean), joints kept: ipsilateral ${kept[0] ?? ""}, contralateral ${kept[1] ?? ""}`
  );
}
