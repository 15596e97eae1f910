// The 3D view of a browser without WebGL: a picture that the server makes whenever the plan rests.

import type { Context } from "../session/context";
import { h } from "../dom/elements";
import { isShown } from "../pictures/palette";

/** Stillness after which a picture is requested, ms: the server takes a second or two to make one. */
const REST_MS = 400;

export const NO_SOLIDS =
  "This browser offers no WebGL 2, so the level cannot be turned here. The picture below is made by the server whenever " +
  "the plan rests. Slices and numbers work as usual. Another browser, or hardware acceleration switched on, brings the rest.";

export function servedPicture(root: HTMLElement, context: Context): void {
  const image = h("img", {
    class: "served-picture",
    alt: "The plan on the bone, seen from dorsal and from the side of the entry",
  });
  image.hidden = true;
  const words = h("p", { class: "picture-words", role: "status" }, NO_SOLIDS);
  root.append(h("div", { class: "picture picture-served" }, words, image));
  let timer = 0;
  const ask = async () => {
    const { plan, task, looks } = context.store.state;
    const view = isShown(looks.shown, "afterwards") ? "afterwards" : "planned";
    const answered = await context.ask({ ask: "picture", plan, task, view }, { lane: "picture" });
    if (!answered) return;
    image.src = answered.answer.png;
    image.hidden = false;
  };
  const soon = () => {
    clearTimeout(timer);
    timer = window.setTimeout(() => void ask(), REST_MS);
  };
  context.store.subscribe((state, changed) => {
    if (changed.has("plan")) image.classList.add("stale");
    if (
      (changed.has("plan") || changed.has("task") || changed.has("looks") || changed.has("link")) &&
      state.link === "up"
    )
      soon();
  });
  image.addEventListener("load", () => image.classList.remove("stale"));
  soon();
}
